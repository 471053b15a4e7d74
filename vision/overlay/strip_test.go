package overlay

import (
	"image"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
)

func TestAlong(t *testing.T) {
	level := []measure.Point{{10, 50}, {110, 50}}
	bent := []measure.Point{{0, 0}, {100, 0}, {100, 100}}
	for _, c := range []struct {
		name     string
		axis     []measure.Point
		at, want measure.Point
	}{
		{"on the axis", level, measure.Point{30, 50}, measure.Point{20, 7}},
		{"below, the right-hand side", level, measure.Point{30, 53}, measure.Point{20, 10}},
		{"above", level, measure.Point{30, 46}, measure.Point{20, 3}},
		{"before the start", level, measure.Point{4, 51}, measure.Point{-6, 8}},
		{"past the end", level, measure.Point{120, 50}, measure.Point{110, 7}},
		{"second leg, right-hand side is left as displayed", bent, measure.Point{95, 50}, measure.Point{150, 12}},
		{"walked the other way", []measure.Point{{110, 50}, {10, 50}}, measure.Point{30, 53}, measure.Point{80, 4}},
	} {
		got := Along(c.axis, 7)(c.at)
		if distance(got, c.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Whole mm along a path in px of unlike size (contract: x and y scaled apart):
// 3-4-5 triangles of mm.
func TestAxisOf(t *testing.T) {
	same := func(p measure.Point) measure.Point { return p }
	got := axisOf([]measure.Point{{0, 0}, {30, 80}, {80, 80}}, [2]float64{0.1, 0.05}, same)
	if len(got) != 11 {
		t.Fatalf("%d marks for 5 + 5 mm, want 0 to 10", len(got))
	}
	for mm, want := range map[int]measure.Point{0: {0, 0}, 1: {6, 16}, 5: {30, 80}, 7: {50, 80}, 10: {80, 80}} {
		if distance(got[mm], want) > 1e-6 {
			t.Errorf("%d mm lies at %v, want %v", mm, got[mm], want)
		}
	}
}

// The boundaries of a strip lie where its axis says: the strip of a level core
// is the core itself.
func TestStrip(t *testing.T) {
	r := image.Rect(100, 60, 700, 140)
	core := lying("a", r, 150, 300, 520)
	base := ground(600, 80, image.Rect(0, 0, 600, 80))
	scale := measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.05, 0.05}}
	img := Strip(base, core, scale, Along(core.PathPx, 39.5))
	em := math.Round(80.0 / 7)
	em = max(em, 16)
	left, top := float64(margin(em)+int(3.2*em)), float64(margin(em)+int(2.4*em))
	for _, x := range []float64{50, 200, 420} {
		for y := 4.0; y < 36; y++ {
			if p := (measure.Point{left + x, top + y}); !inked(img, p) {
				t.Fatalf("no ink at %v, where the boundary at %g px along the strip is", p, x)
			}
		}
		if inked(img, measure.Point{left + x + 25, top + 20}) {
			t.Errorf("ink 25 px past the boundary at %g", x)
		}
	}
	if img.Rect.Dx() < 600 || img.Rect.Dy() < 80 {
		t.Errorf("the strip was reduced: %v", img.Rect.Size())
	}
	none := Strip(base, core, measure.Scale{}, Along(core.PathPx, 39.5))
	if none.Rect.Dy() >= img.Rect.Dy() {
		t.Error("a strip without scale has room for an axis")
	}
}

// A strip shows the middle of a core: what lies beyond it is not drawn.
func TestStripCutsLines(t *testing.T) {
	got := cut([]measure.Point{{50, -40}, {50, 20}, {60, 120}}, 100, 71)
	want := []measure.Point{{50, 0}, {50, 20}, {55, 70}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if got := cut([]measure.Point{{-50, -40}, {-20, 20}}, 100, 71); got != nil {
		t.Errorf("a line beside the strip gives %v, want none", got)
	}
}
