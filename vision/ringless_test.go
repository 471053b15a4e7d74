package vision

import (
	"strings"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
)

func ringlessWarnings(m measure.Measurement) (whole, warned int) {
	for _, c := range m.Cores {
		if c.PathLengthMM == nil || *c.PathLengthMM < 60 {
			continue
		}
		whole++
		if strings.Contains(strings.Join(c.Warnings, "\n"), "no rings to be seen from") {
			warned++
		}
	}
	return whole, warned
}

// TestRinglessStretch leaves the rings out over 25 mm: the cores that are found
// whole say so, and say nothing where the rings are drawn.
func TestRinglessStretch(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures two trays")
	}
	for _, without := range []bool{true, false} {
		tray := phantom.RandomTray(7201, phantom.Options{Wood: measure.RingPorous, Cores: 3, LengthMM: 70, Plain: true, DPI: 1000})
		for i := range tray.Cores {
			if without {
				tray.Cores[i].Ringless = [2]float64{20 + float64(5*i), 45 + float64(5*i)}
			}
		}
		p, _ := phantom.Render(tray, 1)
		whole, warned := ringlessWarnings(measured(t, writeTIFF(t, p)))
		if want := map[bool]int{true: whole, false: 0}[without]; whole < 2 || warned != want {
			t.Errorf("rings left out %v: %d of %d cores warn, want %d", without, warned, whole, want)
		}
	}
}

// TestCoreWithoutRings: a core that shows none at all is listed, not measured,
// and says what to do; the one beside it is measured.
func TestCoreWithoutRings(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures a tray")
	}
	tray := phantom.RandomTray(7204, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 60, Plain: true, DPI: 800})
	tray.Cores[0].Ringless = [2]float64{-5, 100}
	p, _ := phantom.Render(tray, 1)
	m := measured(t, writeTIFF(t, p))
	if len(m.Cores) != 2 {
		t.Fatalf("%d cores found, want 2", len(m.Cores))
	}
	without, with := m.Cores[0], m.Cores[1]
	if !strings.Contains(strings.Join(without.Warnings, "\n"), "no rings to be seen") || len(without.Boundaries)+len(without.Candidates)+len(without.Rings) > 0 || without.Wood != nil || len(without.OutlinePx) == 0 {
		t.Errorf("%d boundaries, wood %v, warnings %q", len(without.Boundaries), without.Wood, without.Warnings)
	}
	if len(with.Boundaries) < 10 {
		t.Errorf("beside it: %d boundaries, warnings %q", len(with.Boundaries), with.Warnings)
	}
}

// TestWarnRingless: only long stretches count, and what is known to be hidden
// or missing does not.
func TestWarnRingless(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	core := func(width float64, at ...float64) *measure.Core {
		c := &measure.Core{PathLengthMM: mm(60), Rings: []measure.Ring{{WidthMM: mm(width)}}}
		for _, x := range at {
			c.Boundaries = append(c.Boundaries, measure.Boundary{AtMM: mm(x), Probability: 0.99})
		}
		return c
	}
	weak := core(1, 12, 20, 30, 45, 55)
	weak.Boundaries[2].Probability = 0.5
	hidden := core(1, 12, 24, 40, 50)
	hidden.Obscured = []measure.Stretch{{FromMM: mm(26), ToMM: mm(30)}}
	for name, tt := range map[string]struct {
		core *measure.Core
		want int
	}{
		"rings throughout":    {core(1, 12, 24, 36, 48), 0},
		"a stretch without":   {core(1, 12, 24, 40, 50), 1},
		"only a weak one":     {weak, 1},
		"wide rings":          {core(3, 12, 24, 40, 50), 0},
		"part of it obscured": {hidden, 0},
		"no scale":            {&measure.Core{}, 0},
	} {
		warnRingless(tt.core)
		if len(tt.core.Warnings) != tt.want {
			t.Errorf("%s: warnings %q, want %d", name, tt.core.Warnings, tt.want)
		}
	}
}
