package calib_test

import (
	"flag"
	"math"
	"testing"
	"time"

	"pithward/calib"
	"pithward/measure"
	"pithward/vision/phantom"
)

var trays = flag.Int("trays", 4, "rendered trays in TestPhantomTrays")

// Rendered trays with a ruler: the scale within 0.1 %, the unit never another.
// Every third has none, and none is found.
func TestPhantomTrays(t *testing.T) {
	if testing.Short() {
		t.Skip("renders whole trays")
	}
	missed, rulers, loose := 0, 0, 0
	for seed := range *trays {
		o := phantom.Options{Cores: 1 + seed%3, NoRuler: seed%3 == 2, Upright: seed%4 == 1}
		pic, truth := phantom.Render(phantom.RandomTray(uint64(seed), o), uint64(seed))
		px := pic.Pixels()
		start := time.Now()
		found, why := calib.FindRulers(px, truth.TagDPI)
		took := time.Since(start)
		r := truth.Ruler
		if r == nil {
			if len(found) > 0 {
				t.Errorf("seed %d: invented %s, %d ticks", seed, found[0].Graduation, found[0].Ticks)
			}
			continue
		}
		rulers++
		if len(found) == 0 {
			missed++
			t.Logf("seed %d (%s %s %.2f mm, %d ticks): missed: %s", seed, r.Material, r.Unit, r.FinestMM, r.Ticks, why)
			continue
		}
		e := found[0].MMPerPx/r.MMPerPx - 1
		t.Logf("seed %d (%s %s %.2f mm, %d ticks): %s, %d ticks, scale off by %.2g, %v", seed, r.Material, r.Unit, r.FinestMM, r.Ticks, found[0].Graduation, found[0].Ticks, e, took)
		if d := outside(found[0].QuadPx, r.BoxPx) * r.MMPerPx; d > 1 {
			loose++
			t.Logf("seed %d: outline off by %.1f mm: %.0f, box %.0f", seed, d, found[0].QuadPx, r.BoxPx)
		}
		for _, f := range found {
			if math.Abs(f.MMPerPx/r.MMPerPx-1) > 1e-3 || f.Upright != truth.Upright {
				t.Errorf("seed %d: %s, scale off by %.3g", seed, f.Graduation, f.MMPerPx/r.MMPerPx-1)
			}
		}
	}
	t.Logf("%d of %d rulers missed", missed, rulers)
	if missed*20 > rulers {
		t.Errorf("%d of %d rulers missed", missed, rulers)
	}
	// A body as dark as its ground shows no edge; its outline then keeps to the ticks.
	if loose > max(1, rulers/5) {
		t.Errorf("%d of %d outlines off by more than 1 mm", loose, rulers)
	}
}

// outside is the largest distance in px of the box round a quad from the box
// left, top, right, bottom.
func outside(quad []measure.Point, box []float64) float64 {
	got := []float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range quad {
		got = []float64{min(got[0], p[0]), min(got[1], p[1]), max(got[2], p[0]), max(got[3], p[1])}
	}
	worst := 0.0
	for i := range got {
		worst = max(worst, math.Abs(got[i]-box[i]))
	}
	return worst
}
