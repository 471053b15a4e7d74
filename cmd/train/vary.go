package main

import (
	"math"
	"math/rand/v2"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// variation is what a rendered core is put through before it is read, so that
// the model does not lean on how the renderer's pictures happen to be: softer
// edges, other contrast and tone, more noise, and structures larger or smaller
// against the stated scale than those of the rendered trees.
type variation struct {
	enlarge  int     // the picture is enlarged by this factor, and so softened
	blurPx   float64 // standard deviation of a blur before that: a lens out of focus, a worn face
	tint     [3]float64
	scale    float64 // the stated px per mm, as a factor of the true one
	gain     float64 // of the contrast round mid tone
	gamma    float64
	noise    float64 // grey levels, per pixel
	grayOnly bool
}

func drawVariation(rng *rand.Rand) variation {
	v := variation{enlarge: 1, scale: 1, gain: 1, gamma: 1, tint: [3]float64{1, 1, 1}}
	if rng.Float64() < 0.3 {
		v.enlarge = 2 + rng.IntN(3)
	}
	if rng.Float64() < 0.5 {
		v.scale = math.Exp(math.Log(0.35) + rng.Float64()*math.Log(1.4/0.35))
	}
	if rng.Float64() < 0.6 {
		v.gain = 0.45 + 0.75*rng.Float64()
		v.gamma = math.Exp(0.35 * rng.NormFloat64())
	}
	if rng.Float64() < 0.4 {
		v.noise = 6 * rng.Float64()
	}
	if rng.Float64() < 0.35 {
		v.blurPx = 0.5 + 2*rng.Float64()
	}
	if rng.Float64() < 0.5 { // another lamp, another camera
		for k := range v.tint {
			v.tint[k] = math.Exp(0.07 * rng.NormFloat64())
		}
	}
	v.grayOnly = rng.Float64() < 0.12
	return v
}

// apply cuts a core out of the picture and varies it; the core's places are
// moved along.
func (v variation) apply(px raster.Pixels, c phantom.CoreTruth, along float64, rng *rand.Rand) (raster.Pixels, phantom.CoreTruth) {
	margin := int(2 / along)
	x0, y0, x1, y1 := px.Width, px.Height, 0, 0
	for _, p := range c.OutlinePx {
		x0, x1 = min(x0, int(p[0])-margin), max(x1, int(p[0])+margin)
		y0, y1 = min(y0, int(p[1])-margin), max(y1, int(p[1])+margin)
	}
	x0, y0 = max(0, x0), max(0, y0)
	x1, y1 = min(px.Width, x1), min(px.Height, y1)
	f := v.enlarge
	px = cut(px, x0, y0, x1, y1)
	blur(&px, v.blurPx)
	out := raster.Pixels{Width: (x1 - x0) * f, Height: (y1 - y0) * f, Channels: px.Channels}
	if v.grayOnly {
		out.Channels = 1
	}
	out.U8 = make([]uint8, out.Width*out.Height*out.Channels)
	table := v.toneTable()
	tint := [3]float32{float32(v.tint[0]), float32(v.tint[1]), float32(v.tint[2])}
	for y := range out.Height {
		for x := range out.Width {
			b, g, r := px.Sample((float64(x)+0.5)/float64(f)-0.5, (float64(y)+0.5)/float64(f)-0.5)
			b, g, r = b*tint[0], g*tint[1], r*tint[2]
			var n float32
			if v.noise > 0 {
				n = float32(v.noise * rng.NormFloat64())
			}
			i := (y*out.Width + x) * out.Channels
			if out.Channels == 1 {
				out.U8[i] = tone(table, 0.114*b+0.587*g+0.299*r, n)
				continue
			}
			out.U8[i], out.U8[i+1], out.U8[i+2] = tone(table, b, n), tone(table, g, n), tone(table, r, n)
		}
	}
	move := func(p measure.Point) measure.Point {
		return measure.Point{(p[0]-float64(x0)+0.5)*float64(f) - 0.5, (p[1]-float64(y0)+0.5)*float64(f) - 0.5}
	}
	return out, moved(c, move)
}

// cut copies a part of a picture as 8-bit samples.
func cut(px raster.Pixels, x0, y0, x1, y1 int) raster.Pixels {
	out := raster.Pixels{Width: x1 - x0, Height: y1 - y0, Channels: px.Channels}
	out.U8 = make([]uint8, 0, out.Width*out.Height*out.Channels)
	for y := y0; y < y1; y++ {
		from, to := (y*px.Width+x0)*px.Channels, (y*px.Width+x1)*px.Channels
		if px.U16 == nil {
			out.U8 = append(out.U8, px.U8[from:to]...)
			continue
		}
		for _, s := range px.U16[from:to] {
			out.U8 = append(out.U8, uint8(s>>8))
		}
	}
	return out
}

// blur softens a picture by three running means along each axis, which is
// near enough a Gaussian of the standard deviation given (px).
func blur(px *raster.Pixels, sd float64) {
	reach := int(math.Round((math.Sqrt(4*sd*sd+1) - 1) / 2)) // variance of three means over 2n+1: n(n+1)
	if reach < 1 {
		return
	}
	line := make([]float32, max(px.Width, px.Height))
	along := func(start, step, n int) {
		for i := range n {
			line[i] = float32(px.U8[start+i*step])
		}
		x := line[:n]
		for range 3 {
			x = strip.BoxMean(x, reach)
		}
		for i, s := range x {
			px.U8[start+i*step] = uint8(s + 0.5)
		}
	}
	for c := range px.Channels {
		for y := range px.Height {
			along(y*px.Width*px.Channels+c, px.Channels, px.Width)
		}
		for x := range px.Width {
			along(x*px.Channels+c, px.Width*px.Channels, px.Height)
		}
	}
}

func (v variation) toneTable() [256]float32 {
	var t [256]float32
	for i := range t {
		x := math.Pow(float64(i)/255, v.gamma)
		t[i] = float32(255 * (0.55 + v.gain*(x-0.55)))
	}
	return t
}

func tone(t [256]float32, x, noise float32) uint8 {
	return uint8(max(0, min(255, t[uint8(max(0, min(255, x)))]+noise)))
}

// moved returns the core with all its places moved.
func moved(c phantom.CoreTruth, move func(measure.Point) measure.Point) phantom.CoreTruth {
	all := func(in []measure.Point) []measure.Point {
		out := make([]measure.Point, len(in))
		for i, p := range in {
			out[i] = move(p)
		}
		return out
	}
	c.CentrelinePx = all(c.CentrelinePx)
	c.OutlinePx = all(c.OutlinePx)
	if c.PithPx != nil {
		p := move(*c.PithPx)
		c.PithPx = &p
	}
	c.Boundaries = append([]phantom.BoundaryTruth(nil), c.Boundaries...)
	for i := range c.Boundaries {
		c.Boundaries[i].LinePx = all(c.Boundaries[i].LinePx)
		c.Boundaries[i].PointPx = move(c.Boundaries[i].PointPx)
	}
	return c
}
