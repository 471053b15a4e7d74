package main

import (
	"math"
	"math/rand/v2"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
)

// drawn draws plain conifer cores and reads them as rendered ones are read.
// They are nothing but rings that begin dark and pale towards the pith along
// curves the renderer does not know, so that no one shape of latewood is taken
// for what makes a boundary.
func drawn(n int, seed uint64) []sample {
	var out []sample
	for i := range n {
		rng := rand.New(rand.NewPCG(seed+uint64(i), 13))
		px, t := drawCore(rng)
		out = append(out, samplesOf(px, t, rng)...)
	}
	return out
}

// drawCore draws one core with bark at its left end, at 1200 dpi.
func drawCore(rng *rand.Rand) (raster.Pixels, phantom.Truth) {
	const width, height, mm = 2400, 200, 25.4 / 1200
	bark := 20 + rng.IntN(80)
	var at []float64 // boundaries on the axis
	mean := logBetween(rng, 14, 130)
	for x := float64(bark) + mean; x < width; x += math.Max(7, mean*math.Exp(0.35*rng.NormFloat64())) {
		at = append(at, x)
	}
	fade := fadeOf(rng)
	early, depth, slope, noise := 150+80*rng.Float64(), 30+90*rng.Float64(), 0.25*rng.NormFloat64(), 2+6*rng.Float64()
	tint := [3]float64{0.55 + 0.4*rng.Float64(), 0.8 + 0.15*rng.Float64(), 1} // blue, green, red
	px := raster.Pixels{Width: width, Height: height, Channels: 3, U8: make([]uint8, 3*width*height)}
	for y := range height {
		lean := slope * (float64(y) - height/2)
		k := 0
		for x := range width {
			pos := float64(x) + lean
			for k < len(at) && at[k] <= pos {
				k++
			}
			light := early
			if k > 0 && k < len(at) {
				light -= depth * fade((pos-at[k-1])/(at[k]-at[k-1]))
			}
			if x < bark {
				light = 50 + 20*rng.Float64()
			}
			light += noise * rng.NormFloat64()
			for c, s := range tint {
				px.U8[3*(y*width+x)+c] = uint8(max(0, min(255, light*s)))
			}
		}
	}
	c := phantom.CoreTruth{Position: 1, Wood: measure.Conifer, WidthMM: height * mm, BarkMM: float64(bark) * mm, BarkEnd: measure.Left,
		CentrelinePx: []measure.Point{{float64(bark), height / 2}, {width - 1, height / 2}},
		OutlinePx:    []measure.Point{{0, 0}, {width, 0}, {width, height}, {0, height}}}
	for _, x := range at[:len(at)-1] {
		b := phantom.BoundaryTruth{Kind: phantom.KindRing, PointPx: measure.Point{x, height / 2}}
		for y := 0.0; y <= height; y += height / 4 {
			b.LinePx = append(b.LinePx, measure.Point{x - slope*(y-height/2), y})
		}
		c.Boundaries = append(c.Boundaries, b)
	}
	return px, phantom.Truth{MMPerPx: [2]float64{mm, mm}, Cores: []phantom.CoreTruth{c}}
}

// fadeOf draws how the darkness of a ring fades from 1 at its outer boundary,
// by the share of its breadth: along an exponential, a straight line, or a step
// with soft shoulders.
func fadeOf(rng *rand.Rand) func(float64) float64 {
	share := logBetween(rng, 0.08, 0.45)
	switch rng.IntN(3) {
	case 0:
		return func(f float64) float64 { return math.Exp(-f / share) }
	case 1:
		return func(f float64) float64 { return math.Max(0, 1-f/(2*share)) }
	}
	return func(f float64) float64 { return 1 / (1 + math.Exp((f-share)/(0.15*share))) }
}
