package measure

import (
	"testing"

	"pgregory.net/rapid"
)

// spaced returns a core of the given boundaries, mm, on a straight path of
// 0.02 mm a pixel.
func spaced(at []float64) Core {
	c := Core{PathPx: []Point{{0, 100}, {10000, 100}}, PathLengthMM: floatPtr(200)}
	for _, x := range at {
		c.Boundaries = append(c.Boundaries, Boundary{AtMM: floatPtr(x), PointPx: Point{x / 0.02, 100}})
	}
	return c
}

func drawRings(t *rapid.T, name string) []float64 {
	var at []float64
	x := 1.0
	for range rapid.IntRange(20, 60).Draw(t, name+" rings") {
		at = append(at, x)
		x += rapid.Float64Range(0.4, 2.5).Draw(t, name+" width")
	}
	return at
}

// The same rings, moved, a little stretched, read a hundredth of a mm off, one
// missed: the fit says where they lie. Rings of another tree do not fit.
func TestFitRings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old := drawRings(t, "old")
		offset, stretch := rapid.Float64Range(-0.9, 12).Draw(t, "offset"), rapid.Float64Range(0.996, 1.004).Draw(t, "stretch")
		missed := rapid.IntRange(3, len(old)-1).Draw(t, "missed")
		var now []float64
		for i, x := range old {
			if i != missed {
				now = append(now, offset+stretch*x+rapid.Float64Range(-0.01, 0.01).Draw(t, "error"))
			}
		}
		fit, ok := FitRings(spaced(old), spaced(now))
		if !ok {
			t.Fatalf("not found: share %.2f", fit.Share)
		}
		for _, x := range old {
			got := fit.place(Point{x / 0.02, 100})[0] * 0.02
			if want := offset + stretch*x; got < want-sameRingMM || got > want+sameRingMM {
				t.Fatalf("%.3f mm comes to lie at %.3f, want %.3f", x, got, want)
			}
		}
		if fit, ok := FitRings(spaced(old), spaced(drawRings(t, "other"))); ok {
			t.Fatalf("other rings were taken for these: share %.2f", fit.Share)
		}
	})
}
