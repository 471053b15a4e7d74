package vision

import (
	"math/rand/v2"
	"testing"
)

// Two surfaces with rings of their own, side by side: two cores that touch,
// unless one is too narrow for a core. Then it is the rim of the other.
func TestSplitPatchLeavesNoSliver(t *testing.T) {
	const w, h, top, bottom = 1200, 90, 15, 75
	b := &band{tint: tint{w: w, h: h}, step: 1, mid: h / 2}
	b.ch[0] = make([]float32, w*h)
	for _, tc := range []struct {
		name  string
		seam  int
		least float64
		parts int
	}{
		{"two cores", 45, 20, 2},
		{"a sliver, breadth of cores not known", 25, 0, 2},
		{"a sliver", 25, 20, 1},
		{"a sliver below", 65, 20, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 2))
			rings := [2][]float32{make([]float32, w), make([]float32, w)}
			for u := range w {
				rings[0][u], rings[1][u] = 120+60*r.Float32(), 120+60*r.Float32()
			}
			for v := range h {
				for u := range w {
					light := rings[0][u]
					if v >= tc.seam {
						light = rings[1][u]
					}
					if v < top || v > bottom || v == tc.seam {
						light = 10
					}
					b.ch[0][v*w+u] = light
				}
			}
			p := patch{k0: 2, k1: w/patchHop - 2}
			for range p.k1 - p.k0 {
				p.top, p.bottom = append(p.top, top+patchErosion), append(p.bottom, bottom-patchErosion)
			}
			rims := newRims(b, [3]float64{minSDLight, minSDColour, minSDColour}, patchHop, 40, b.mid, b.mid)
			if got := splitPatch(b, &rims, p, breadths{least: tc.least}); len(got) != tc.parts {
				t.Errorf("parted in %d, want %d", len(got), tc.parts)
			}
		})
	}
}
