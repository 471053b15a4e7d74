package main

import (
	"math"
	"math/rand/v2"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
)

// TestVariationKeepsPlaces: whatever a core is put through, its one edge stays
// where its truth, moved along, says.
func TestVariationKeepsPlaces(t *testing.T) {
	const width, height, edge, mm = 400, 120, 250.5, 0.02
	px := raster.Pixels{Width: width, Height: height, Channels: 3, U8: make([]uint8, 3*width*height)}
	for i := range px.U8 {
		px.U8[i] = 200
		if float64(i/3%width) > edge {
			px.U8[i] = 90
		}
	}
	core := phantom.CoreTruth{
		OutlinePx:  []measure.Point{{110, 50}, {380, 50}, {380, 90}, {110, 90}}, // with a margin of 2 mm
		Boundaries: []phantom.BoundaryTruth{{PointPx: measure.Point{edge, 70}}},
	}
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 1))
		v := drawVariation(rng, measure.Conifer, 25)
		out, c := v.apply(px, core, mm, rng)
		if out.Channels == 1 != v.grayOnly || len(out.U8) != out.Width*out.Height*out.Channels {
			t.Fatalf("seed %d: %d x %d px, %d channels, %d bytes", seed, out.Width, out.Height, out.Channels, len(out.U8))
		}
		if at, want := steepest(out), c.Boundaries[0].PointPx[0]; math.Abs(at-want) > 1+v.coarse {
			t.Errorf("seed %d: edge at %.1f, want %.1f: %+v", seed, at, want, v)
		}
	}
}

// steepest is the column at which the mean of the rows falls most within six
// columns.
func steepest(px raster.Pixels) float64 {
	sum := make([]float64, px.Width)
	for i, s := range px.U8 {
		sum[i/px.Channels%px.Width] += float64(s)
	}
	const half = 6
	best, top := 0, math.Inf(-1)
	for x := half; x+half < px.Width; x++ {
		var fall float64
		for d := range half {
			fall += sum[x-d] - sum[x+1+d]
		}
		if fall > top {
			best, top = x, fall
		}
	}
	return float64(best) + 0.5
}
