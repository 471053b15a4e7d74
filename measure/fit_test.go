package measure

import (
	"fmt"
	"slices"
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

// The same rings, moved, stretched as scales differ, read a hundredth of a mm
// off, one in twenty missed and one in twenty invented, perhaps from the other
// end: the fit says where they lie. Rings of another tree do not fit.
func TestFitRings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old := drawRings(t, "old")
		offset, stretch := rapid.Float64Range(-0.9, 12).Draw(t, "offset"), rapid.Float64Range(0.975, 1.025).Draw(t, "stretch")
		if rapid.Bool().Draw(t, "turned") {
			offset, stretch = 150, -stretch
		}
		few := rapid.IntRange(0, len(old)/20).Draw(t, "few")
		missed, invented := map[int]bool{}, map[int]bool{}
		for k := range few {
			missed[rapid.IntRange(0, len(old)-1).Draw(t, fmt.Sprint("missed ", k))] = true
			invented[rapid.IntRange(0, len(old)-2).Draw(t, fmt.Sprint("invented ", k))] = true
		}
		var now []float64
		for i, x := range old {
			if !missed[i] {
				now = append(now, offset+stretch*x+rapid.Float64Range(-0.01, 0.01).Draw(t, "error"))
			}
			if invented[i] {
				now = append(now, offset+stretch*(0.45*x+0.55*old[i+1]))
			}
		}
		slices.Sort(now)
		fit, ok := FitRings(spaced(old), spaced(now))
		if !ok {
			t.Fatalf("not found: share %.2f, certainty %.3f", fit.Share, fit.Certainty)
		}
		for _, x := range old {
			got := fit.place(Point{x / 0.02, 100})[0] * 0.02
			if want := offset + stretch*x; got < want-sameRingMM || got > want+sameRingMM {
				t.Fatalf("%.3f mm comes to lie at %.3f, want %.3f", x, got, want)
			}
		}
		if fit, ok := FitRings(spaced(old), spaced(drawRings(t, "other"))); ok {
			t.Fatalf("other rings were taken for these: share %.2f, certainty %.4f", fit.Share, fit.Certainty)
		}
	})
}

// Rings all of one width fit many ways: the certainty says so.
func TestFitRingsOfOneWidth(t *testing.T) {
	var old, now []float64
	for k := range 40 {
		old, now = append(old, 1+float64(k)), append(now, 1.3+float64(k))
	}
	if fit, ok := FitRings(spaced(old), spaced(now[:36])); ok || fit.Certainty > 0.6 {
		t.Errorf("certainty %.3f for one of several alignments that fit alike", fit.Certainty)
	}
}
