package score

import (
	"math"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
	"pithward/vision/phantom"
)

// hand makes a core lying from x = 0 (bark) to the right, 100 px high, 0.02 mm
// per px, with boundaries at the given x, all upright.
func hand(xs ...float64) phantom.CoreTruth {
	t := phantom.CoreTruth{ID: "a", Position: 1, Wood: measure.Conifer, BarkEnd: measure.Left, BarkPresent: true,
		OutlinePx: []measure.Point{{0, 0}, {2000, 0}, {2000, 100}, {0, 100}}, CentrelinePx: []measure.Point{{0, 50}, {2000, 50}}}
	for k, x := range xs {
		t.Boundaries = append(t.Boundaries, phantom.BoundaryTruth{Kind: phantom.KindRing, K: k + 1, Side: 1, SMM: x * 0.02,
			PointPx: measure.Point{x, 50}, LinePx: []measure.Point{{x, 95}, {x, 5}}})
		if k > 0 {
			t.Rings = append(t.Rings, phantom.RingTruth{Outer: k, Inner: k + 1, WidthMM: (x - xs[k-1]) * 0.02})
		}
	}
	return t
}

// said makes a found core with ring boundaries at the given x, each with
// probability 0.9 and rings with their plain widths.
func said(xs ...float64) measure.Core {
	conifer, left := measure.Conifer, measure.Left
	c := measure.Core{Position: 1, PathPx: []measure.Point{{0, 50}, {2000, 50}}, Wood: &conifer, BarkEnd: &left, BarkPresent: true}
	for i, x := range xs {
		c.Boundaries = append(c.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: measure.Point{x, 50}, Probability: 0.9})
		if i > 0 {
			w, sd := (x-xs[i-1])*0.02, 0.01
			c.Rings = append(c.Rings, measure.Ring{Index: i, WidthMM: &w, StandardUncertaintyMM: &sd})
		}
	}
	return c
}

func judged(f measure.Core, t phantom.CoreTruth) Core {
	return judge(&f, &t, [2]float64{0.02, 0.02}, Rule{})
}

// want is what a judgement should come to.
type want struct{ True, Right, Wrong, AtFalse, Missed, Touch, Widths int }

func TestHandMade(t *testing.T) {
	hidden := "torn"
	withHidden := hand(100, 200, 300)
	withHidden.Boundaries[1].Hidden = &hidden
	withEdge := hand(100, 200, 300)
	withEdge.Boundaries[2].Kind = phantom.KindEdge
	withFalse := hand(100, 400)
	withFalse.Ambiguous = []phantom.AmbiguousTruth{{LinePx: []measure.Point{{250, 95}, {250, 5}}}}
	past := hand(100, 200)
	pith := 5.0
	past.PithSMM = &pith
	outer := said(100, 200, 300)
	outer.Boundaries[0].Kind = measure.Outer
	for name, c := range map[string]struct {
		found measure.Core
		truth phantom.CoreTruth
		want  want
	}{
		"all right":                       {said(100, 200, 300), hand(100, 200, 300), want{3, 3, 0, 0, 0, 0, 2}},
		"one missed":                      {said(100, 300), hand(100, 200, 300), want{3, 2, 0, 0, 1, 1, 0}},
		"one invented":                    {said(100, 150, 200), hand(100, 200), want{2, 2, 1, 0, 0, 1, 0}},
		"one displaced is one move":       {said(100, 230, 300), hand(100, 200, 300), want{3, 2, 1, 0, 1, 1, 0}},
		"within 0.10 mm of wide rings":    {said(100, 204.9, 300), hand(100, 200, 300), want{3, 3, 0, 0, 0, 0, 2}},
		"beyond 0.10 mm":                  {said(100, 205.1, 300), hand(100, 200, 300), want{3, 2, 1, 0, 1, 1, 0}},
		"within a quarter of 0.2 mm":      {said(100, 112.4, 300), hand(100, 110, 300), want{3, 3, 0, 0, 0, 0, 2}},
		"beyond a quarter of 0.2 mm":      {said(100, 112.6, 300), hand(100, 110, 300), want{3, 2, 1, 0, 1, 1, 0}},
		"2 px at least":                   {said(100, 105.9, 300), hand(100, 104, 300), want{3, 3, 0, 0, 0, 0, 2}},
		"two near one true boundary":      {said(98, 102, 200), hand(100, 200), want{2, 2, 1, 0, 0, 1, 0}},
		"most matches, not nearest first": {said(97.5, 102.5), hand(99, 104), want{2, 2, 0, 0, 0, 0, 1}},
		"hidden counts neither way":       {said(100, 200, 300), withHidden, want{2, 2, 0, 0, 0, 0, 0}},
		"hidden need not be found":        {said(100, 300), withHidden, want{2, 2, 0, 0, 0, 0, 0}},
		"edge counts neither way":         {said(100, 200, 300), withEdge, want{2, 2, 0, 0, 0, 0, 1}},
		"false ring is wrong":             {said(100, 251, 400), withFalse, want{2, 2, 1, 1, 0, 1, 0}},
		"beyond the pith":                 {said(100, 200, 270), past, want{2, 2, 0, 0, 0, 0, 1}},
		"outer is no ring boundary":       {outer, hand(200, 300), want{2, 2, 0, 0, 0, 0, 1}},
	} {
		t.Run(name, func(t *testing.T) {
			check(t, judged(c.found, c.truth), c.want)
		})
	}
}

func check(t *testing.T, c Core, w want) {
	t.Helper()
	var y Tally
	y.Add(&c)
	got := want{y.True, y.Right, y.Wrong, y.AtFalse, len(c.Missed), y.Touch, y.Widths.N}
	if d := cmp.Diff(w, got); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

// TestSquareDistance: a boundary leaning by 45 degrees is 1/sqrt(2) as far
// away as it is along the path.
func TestSquareDistance(t *testing.T) {
	truth := hand(100, 300)
	truth.Boundaries[0].LinePx = []measure.Point{{55, 95}, {145, 5}}
	for x, right := range map[float64]bool{107: true, 107.2: false, 93: true, 92.8: false} {
		c := judged(said(x, 300), truth)
		if got := c.Boundaries[0].Right; got != right {
			t.Errorf("at %g px along the path: right %v, want %v", x, got, right)
		}
	}
	c := judged(said(102, 300), truth)
	if got, want := c.Boundaries[0].OffMM, 2*0.02/math.Sqrt2; math.Abs(got-want) > 1e-9 {
		t.Errorf("off by %g mm, want %g towards the pith", got, want)
	}
	if c = judged(said(98, 300), truth); c.Boundaries[0].OffMM >= 0 {
		t.Errorf("off by %g mm, want a negative number towards the bark", c.Boundaries[0].OffMM)
	}
}

func TestWidths(t *testing.T) {
	c := judged(said(100, 201, 300), hand(100, 200, 300))
	var y Tally
	y.Add(&c)
	// Rings of 2 mm measured as 2.02 and 1.98: bias 0, RMSE 0.02, and neither
	// within 1.96*0.01.
	if b := y.Widths.Bias(); math.Abs(b) > 1e-9 {
		t.Errorf("bias %g", b)
	}
	if r := y.Widths.RMSE(); math.Abs(r-0.02) > 1e-9 {
		t.Errorf("RMSE %g", r)
	}
	if k := y.Widths.Coverage(); k != 0 {
		t.Errorf("coverage %g", k)
	}
}

// TestReliability computes both measures by hand for four statements.
func TestReliability(t *testing.T) {
	var r Reliability
	for _, s := range []Statement{{0.95, true}, {0.91, false}, {0.25, false}, {1, true}} {
		r.add(s)
	}
	// Top bin: stated 2.86, right 2; third bin: stated 0.25, right 0.
	if got, want := r.ECE(), (0.86+0.25)/4; math.Abs(got-want) > 1e-12 {
		t.Errorf("ECE %g, want %g", got, want)
	}
	if got, want := r.Brier(), (0.0025+0.8281+0.0625)/4; math.Abs(got-want) > 1e-12 {
		t.Errorf("Brier %g, want %g", got, want)
	}
}

func TestGivenTolerance(t *testing.T) {
	f, k := said(100, 208, 300), hand(100, 200, 300)
	check(t, judge(&f, &k, [2]float64{0.02, 0.02}, Rule{ToleranceMM: 0.17}), want{3, 3, 0, 0, 0, 0, 2})
	check(t, judge(&f, &k, [2]float64{0.02, 0.02}, Rule{ToleranceMM: 0.15}), want{3, 2, 1, 0, 1, 1, 0})
}

func TestCandidates(t *testing.T) {
	f := said(100, 300)
	for _, x := range []float64{200, 201, 250} {
		f.Candidates = append(f.Candidates, measure.Candidate{PointPx: measure.Point{x, 50}, Probability: 0.3})
	}
	c := judged(f, hand(100, 200, 300))
	want := []Statement{{0.3, true}, {0.3, false}, {0.3, false}}
	if d := cmp.Diff(want, c.Spare); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func TestCores(t *testing.T) {
	a, b := hand(100, 200), hand(100, 200)
	b.Position = 2
	shift := func(ps []measure.Point) []measure.Point {
		var out []measure.Point
		for _, p := range ps {
			out = append(out, measure.Point{p[0], p[1] + 100})
		}
		return out
	}
	b.OutlinePx = shift(b.OutlinePx) // touching a
	whole, half, stray := said(100), said(100), said(100)
	whole.PathPx = shift(whole.PathPx)
	half.PathPx, half.Position = []measure.Point{{0, 50}, {900, 50}}, 2
	stray.PathPx, stray.Position = []measure.Point{{0, 500}, {2000, 500}}, 3
	s := Of(measure.Measurement{Cores: []measure.Core{whole, half, stray}}, phantom.Truth{Cores: []phantom.CoreTruth{a, b},
		MMPerPx: [2]float64{0.02, 0.02}}, Rule{})
	if len(s.Cores) != 2 || s.Cores[0].Truth.Position != 2 || s.Cores[1].Truth.Position != 1 {
		t.Errorf("cores matched wrongly: %+v", s.Cores)
	}
	if d := cmp.Diff([]int{3}, s.Invented); d != "" {
		t.Errorf("invented: -want +got\n%s", d)
	}
}

func TestScale(t *testing.T) {
	m := measure.Measurement{Scale: measure.Scale{MMPerPx: &[2]float64{0.0202, 0.03}, Ruler: &measure.Ruler{Unit: "mm"}}}
	tr := phantom.Truth{MMPerPx: [2]float64{0.02, 0.02}, Ruler: &phantom.RulerTruth{Unit: "mm",
		LinePx: [2]measure.Point{{10, 50}, {900, 50}}}}
	s := Of(m, tr, Rule{})
	if !s.Scaled || !s.Unit || math.Abs(s.ScaleErr-0.01) > 1e-12 {
		t.Errorf("got %+v, want a scale 1 %% too large along the ruler", s)
	}
}

// TestTruthIsPerfect: a measurement that says exactly what the truth says has
// neither fault nor width error, on rendered and on real trays.
func TestTruthIsPerfect(t *testing.T) {
	truths := map[string]phantom.Truth{}
	_, truths["rendered"] = phantom.Render(phantom.RandomTray(5, phantom.Options{Cores: 3, LengthMM: 20, DPI: 600}), 5)
	real := "../../../../shared/real/pine-tray1/truth.json"
	if _, err := os.Stat(real); err != nil {
		t.Log("the real strips are not here: only the rendered tray is tried")
	} else if truths["real"], err = phantom.ReadTruth(real); err != nil {
		t.Fatal(err)
	}
	for name, tr := range truths {
		s := Of(echo(tr), tr, Rule{})
		if len(s.Cores) != len(tr.Cores) || len(s.Missed)+len(s.Invented) > 0 {
			t.Errorf("%s: %d of %d cores matched", name, len(s.Cores), len(tr.Cores))
		}
		var y Tally
		for i := range s.Cores {
			y.Add(&s.Cores[i])
		}
		if y.True == 0 || y.Right != y.True || y.Wrong > 0 || y.Touch > 0 {
			t.Errorf("%s: %d right of %d, %d wrong", name, y.Right, y.True, y.Wrong)
		}
		// Widths are rounded to 1e-5 mm in the truth.
		if y.Widths.N == 0 || y.Widths.RMSE() > 1e-5 {
			t.Errorf("%s: %d widths, RMSE %g mm", name, y.Widths.N, y.Widths.RMSE())
		}
		if s.ScaleErr != 0 || y.BarkEnd != y.Cores || y.Wood != y.Cores {
			t.Errorf("%s: scale off by %g, %d bark ends and %d woods right of %d", name, s.ScaleErr, y.BarkEnd, y.Wood, y.Cores)
		}
	}
}

// echo makes a measurement of a truth.
func echo(t phantom.Truth) measure.Measurement {
	m := measure.Measurement{Scale: measure.Scale{MMPerPx: &t.MMPerPx}}
	for i := range t.Cores {
		k := &t.Cores[i]
		c := measure.Core{Position: k.Position, PathPx: k.CentrelinePx, Wood: &k.Wood, BarkEnd: &k.BarkEnd}
		widths := map[int]float64{}
		for _, r := range k.Rings {
			widths[r.Outer] = r.WidthMM
		}
		for j, b := range k.Boundaries {
			if b.Kind != phantom.KindRing {
				continue
			}
			if n := len(c.Boundaries); n > 0 {
				w := widths[k.Boundaries[j-1].K]
				c.Rings = append(c.Rings, measure.Ring{Index: n, WidthMM: &w})
			}
			c.Boundaries = append(c.Boundaries, measure.Boundary{Kind: measure.RingBoundary, PointPx: b.PointPx, Probability: 1})
		}
		m.Cores = append(m.Cores, c)
	}
	return m
}

func TestErrorsCovered(t *testing.T) {
	var e Errors
	for _, off := range []float64{-0.5, 0.9, 1.5, -1.9, 2.5} { // in standard deviations of 0.01 mm
		e.add(off*0.01, 0.01)
	}
	e.add(1, 0) // without a stated uncertainty
	if e.N != 6 || e.WithSD != 5 || e.Coverage68() != 0.4 || e.Coverage() != 0.8 {
		t.Errorf("%d errors, %d with an uncertainty, covered %g and %g; want 6, 5, 0.4, 0.8", e.N, e.WithSD, e.Coverage68(), e.Coverage())
	}
}
