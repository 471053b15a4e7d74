package strip

import (
	"math"
	"testing"

	"pithward/measure"
)

// TestRoundness: rings round a place explain nearly all of the brightness
// there, those round another or of straight layers little of it.
func TestRoundness(t *testing.T) {
	const w, h, middle, perMM = 1400, 240, 119.5, 47.0
	rings := func(x, y float64) float64 { return math.Hypot(x-700, y-middle-35) }
	straight := func(x, _ float64) float64 { return x }
	for _, tt := range []struct {
		name     string
		layer    func(x, y float64) float64
		centre   Centre
		from, to float64
	}{
		{"round the pith", rings, Centre{700, 35, 110}, 0.8, 1},
		{"on the other side of the axis", rings, Centre{700, -35, 110}, 0, 0.6},
		{"3 mm beside it", rings, Centre{700 + 3*perMM, -80, 110}, 0, 0.6},
		{"straight layers", straight, Centre{700, 35, 110}, 0, 0.6},
		{"a centre off the strip", rings, Centre{-500, 0, 110}, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := Straighten(layered(w, h, tt.layer), []measure.Point{{0, middle}, {w - 1, middle}}, h-20, 1)
			if got := s.Roundness(tt.centre); got < tt.from || got > tt.to {
				t.Errorf("%.3f, want %g to %g", got, tt.from, tt.to)
			}
		})
	}
}
