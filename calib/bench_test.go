package calib

import (
	"math/rand/v2"
	"testing"

	"pithward/vision/raster"
)

// bigTray is a tray of ten cores at 1200 dpi, 14000 x 6000 px, with or
// without a ruler.
func bigTray(ruled bool) raster.Pixels {
	rng := rand.New(rand.NewPCG(1, 2))
	mm := MMPerInch / 1200
	c := newCanvas(14000, 6000, [2]float64{mm, mm}, colour{30, 32, 35}, rng)
	c.blur = 0.7
	for i := range 10 {
		f := frame{5 / mm, (4 + 10*float64(i)) / mm, 0.5*rng.Float64() - 0.25}
		c.core(f, 270, 5.15, 0.5+0.2*float64(i), 0.3)
	}
	if ruled {
		c.ruler(ruler{at: frame{10 / mm, 105 / mm, 0.3}, length: 250, width: 18, body: colour{235, 238, 240}, ink: colour{25, 25, 25}, clear: 1, edge: mmScale(), lead: 3})
	}
	c.noise(2)
	return c.pixels(false, false)
}

func BenchmarkFindRulers(b *testing.B) {
	for _, bm := range []struct {
		name           string
		ruled, upright bool
	}{{"ruler", true, false}, {"standing", true, true}, {"none", false, false}} {
		px := bigTray(bm.ruled)
		if bm.upright {
			px = transpose(px)
		}
		b.Run(bm.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if found, why := FindRulers(px, nil); (len(found) > 0) != bm.ruled {
					b.Fatal(found, why)
				}
			}
		})
	}
}

func BenchmarkReduce(b *testing.B) {
	px := raster.Pixels{Width: 14000, Height: 6000, Channels: 3, U8: make([]uint8, 3*14000*6000)}
	b.SetBytes(int64(len(px.U8)))
	for b.Loop() {
		reduce(px)
	}
}
