package grade

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
)

// gapAt is a parting of the core of straight, from one x to another.
func gapAt(from, to float64) measure.Stretch {
	return measure.Stretch{FromPx: measure.Point{from, 500}, ToPx: measure.Point{to, 500}, Kind: measure.Crack}
}

// A gap is wood that is not there. Who measured across it, or marked one where the
// core holds together, is told so, once, and pays under absent rings and gaps; who
// did not come so far is not.
func TestGaps(t *testing.T) {
	all := func(from, to int) (xs []float64) {
		for i := from; i <= to; i++ {
			xs = append(xs, 100+50*float64(i))
		}
		return xs
	}
	one, two := gapAt(420, 432), gapAt(820, 836) // in the rings of 1994 and 1986, each of 1 mm
	for _, tt := range []struct {
		name         string
		xs           []float64
		key, student []measure.Stretch
		want         []string
		points       float64 // left of the ten for absent rings and gaps: two faults leave none, half a core earns half
		scale        bool
	}{
		{"none on either side", all(0, 20), nil, nil, []string{}, 10, true},
		{"both have it", all(0, 20), []measure.Stretch{one}, []measure.Stretch{one}, []string{}, 10, true},
		{"set a little beside", all(0, 20), []measure.Stretch{one}, []measure.Stretch{gapAt(440, 452)}, []string{}, 10, true},
		{"measured as wood", all(0, 20), []measure.Stretch{one}, nil, []string{"gap-missed:7"}, 5, true},
		{"where the core holds together", all(0, 20), nil, []measure.Stretch{two}, []string{"gap-invented:15"}, 5, true},
		{"the wrong one", all(0, 20), []measure.Stretch{one}, []measure.Stretch{two}, []string{"gap-missed:7", "gap-invented:15"}, 0, true},
		{"one of two", all(0, 20), []measure.Stretch{one, two}, []measure.Stretch{two}, []string{"gap-missed:7"}, 5, true},
		{"both of two", all(0, 20), []measure.Stretch{one, two}, nil, []string{"gap-missed:7", "gap-missed:15"}, 0, true},
		{"beyond what was measured", all(0, 10), []measure.Stretch{two}, nil, []string{"ends-early:11 x10"}, 5, true},
		{"before what was measured", all(10, 20), []measure.Stretch{one}, nil, []string{"starts-late:1 x10", "slip:1:+10"}, 5, true},
		{"without a scale nobody can say how wide it is", all(0, 20), []measure.Stretch{one}, nil, []string{}, 10, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			key := straight(20, 0)
			key.Places.Gaps = tt.key
			if !tt.scale {
				key.Places.MMPerPx = nil
			}
			student := on(key, 500, 0, tt.xs...)
			student.Places.Gaps = tt.student
			got := newKey(t, key).Student(student)
			if d := cmp.Diff(tt.want, words(got.Faults)); d != "" {
				t.Errorf("faults (-want +got):\n%s", d)
			}
			checkMark(t, got)
			for _, p := range got.Parts {
				if p.Name == partAbsent && math.Abs(p.Points-tt.points) > 0.011 {
					t.Errorf("%g points of %g for absent rings and gaps, want %g", p.Points, p.Of, tt.points)
				}
			}
			for _, f := range got.Faults {
				if strings.HasPrefix(string(f.Kind), "gap") && (f.PointPx == nil || f.AtMM == nil || f.Year == nil || !strings.HasSuffix(f.Detail, ".")) {
					t.Errorf("%s has no place or sentence: %+v", f.Kind, f)
				}
			}
		})
	}
}

// A gap that a second expert did not see either is not marked down.
func TestGapExpertsDisagree(t *testing.T) {
	key, second := straight(20, 0), straight(20, 0)
	key.Places.Gaps = []measure.Stretch{gapAt(420, 432)}
	got := newKey(t, key, second).Student(on(key, 500, 0, func() (xs []float64) {
		for i := range 21 {
			xs = append(xs, 100+50*float64(i))
		}
		return xs
	}()...))
	if len(got.Faults) != 0 || got.Mark != 100 || len(got.Excused) != 1 || got.Excused[0].Kind != GapMissed {
		t.Errorf("mark %g, faults %v, excused %v", got.Mark, words(got.Faults), words(got.Excused))
	}
}

// By widths alone nothing is said of gaps.
func TestGapsByWidths(t *testing.T) {
	key := straight(20, 0)
	key.Places.Gaps = []measure.Stretch{gapAt(420, 432)}
	var widths []float64
	for i := range keyWidths()[:20] {
		widths = append(widths, key.Rings[i].WidthMM)
	}
	for _, f := range newKey(t, key).Student(work("a", widths, 2000)).Faults {
		if f.Kind == GapMissed || f.Kind == GapInvented {
			t.Errorf("%s", f.Kind)
		}
	}
}
