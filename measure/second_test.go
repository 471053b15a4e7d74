package measure

import (
	"math"
	"testing"
)

// TestSecondRadiusFollowsTheScale: twice the scale, twice the widths.
func TestSecondRadiusFollowsTheScale(t *testing.T) {
	length, at, sd := 10.0, []float64{2, 5, 10}, 0.02
	s := &SecondRadius{PathPx: []Point{{0, 0}, {100, 0}}, PathLengthMM: &length, Gaps: []Stretch{{FromPx: Point{30, 0}, ToPx: Point{40, 0}, Kind: Crack}}}
	for i := range at {
		s.Boundaries = append(s.Boundaries, Boundary{Kind: RingBoundary, PointPx: Point{10 * at[i], 0}, AtMM: &at[i], StandardUncertaintyMM: &sd})
	}
	got := s.remeasured(Scale{MMPerPx: &[2]float64{0.2, 0.2}})
	if len(got.Rings) != 2 || math.Abs(*got.Rings[0].WidthMM-4) > 1e-9 || math.Abs(*got.Rings[1].WidthMM-10) > 1e-9 {
		t.Errorf("rings %+v", got.Rings)
	}
	if *got.PathLengthMM != 20 || math.Abs(*got.Boundaries[0].StandardUncertaintyMM-0.04) > 1e-12 || *s.Boundaries[0].AtMM != 2 {
		t.Errorf("length %v, uncertainty %v, old place %v", *got.PathLengthMM, *got.Boundaries[0].StandardUncertaintyMM, *s.Boundaries[0].AtMM)
	}
	if (*SecondRadius)(nil).remeasured(Scale{}) != nil {
		t.Error("none stays none")
	}
}
