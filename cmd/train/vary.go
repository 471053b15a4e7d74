package main

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// variation is what a rendered core is put through before it is read, so that
// the model does not lean on how the renderer's pictures happen to be: fewer
// and softer pixels, other contrast, tone and light, stains, noise, what a
// camera's sharpening and compression do, and structures larger or smaller
// against the stated scale than those of the rendered trees.
type variation struct {
	coarse   float64 // the picture is made so much coarser, and enlarged again at the end
	blurPx   float64 // standard deviation of a blur, coarse px: a lens out of focus, a worn face
	tint     [3]float64
	scale    float64 // the stated px per mm, as a factor of the true one
	gain     float64 // of the contrast round mid tone
	gamma    float64
	light    float64    // unevenness of the light over the core, relative
	stain    [2]float64 // unevenness of the wood's tone and colour, grey levels
	stainMM  float64    // its size
	noise    float64    // grey levels, per coarse pixel
	sharpen  float64    // strength of an unsharp mask
	quality  int        // of JPEG; 0: not compressed
	grayOnly bool
}

// asRendered changes nothing but, for half of the cores, the stated scale.
func asRendered(rng *rand.Rand) variation {
	v := variation{coarse: 1, scale: 1, gain: 1, gamma: 1, tint: [3]float64{1, 1, 1}}
	if rng.Float64() < 0.5 {
		v.scale = logBetween(rng, 0.5, 1.3)
	}
	return v
}

// coarsest is how coarse a picture of 1200 dpi may become before nobody could
// see the boundaries of a wood any more.
var coarsest = map[measure.Wood]float64{measure.Conifer: 5, measure.RingPorous: 3, measure.DiffusePorous: 1.7}

// drawVariation draws one for a core whose narrow rings are narrowPx wide: they
// have to stay visible.
func drawVariation(rng *rand.Rand, wood measure.Wood, narrowPx float64) variation {
	v := asRendered(rng)
	if rng.Float64() < 0.6 {
		v.coarse = logBetween(rng, 1, max(1, min(coarsest[wood], narrowPx/5)))
	}
	if rng.Float64() < 0.6 {
		v.scale = logBetween(rng, 0.25, 1.4)
	}
	if rng.Float64() < 0.5 {
		v.blurPx = min(2.5*rng.Float64(), narrowPx/v.coarse/5)
	}
	if rng.Float64() < 0.6 {
		v.gain = 0.4 + 0.8*rng.Float64()
		v.gamma = math.Exp(0.35 * rng.NormFloat64())
	}
	if rng.Float64() < 0.6 { // another lamp, another camera
		for k := range v.tint {
			v.tint[k] = math.Exp(0.08 * rng.NormFloat64())
		}
	}
	if rng.Float64() < 0.5 {
		v.light = 0.25 * rng.Float64()
	}
	if rng.Float64() < 0.5 {
		v.stain, v.stainMM = [2]float64{14 * rng.Float64(), 10 * rng.Float64()}, logBetween(rng, 0.15, 4)
	}
	if rng.Float64() < 0.5 {
		v.noise = 7 * rng.Float64()
	}
	if rng.Float64() < 0.35 {
		v.sharpen = 1.2 * rng.Float64()
	}
	if rng.Float64() < 0.5 {
		v.quality = 40 + rng.IntN(55)
		if wood == measure.DiffusePorous {
			v.quality = 65 + rng.IntN(30)
		}
	}
	v.grayOnly = rng.Float64() < 0.1
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
	out := cut(px, x0, y0, x1, y1)
	width, height := out.Width, out.Height
	if v.coarse > 1 {
		blur(&out, 0.4*v.coarse) // each coarse pixel sees its own area
		out = resized(out, int(float64(width)/v.coarse), int(float64(height)/v.coarse))
	}
	blur(&out, v.blurPx)
	v.expose(&out, along*v.coarse, rng)
	if v.sharpen > 0 {
		sharpen(&out, v.sharpen)
	}
	if v.quality > 0 {
		out = compressed(out, v.quality)
	}
	if v.coarse > 1 {
		out = resized(out, width, height)
	}
	if v.grayOnly {
		out = gray(out)
	}
	move := func(p measure.Point) measure.Point { return measure.Point{p[0] - float64(x0), p[1] - float64(y0)} }
	return out, moved(c, move)
}

// expose lays light, stains, tone and noise over a picture of mm per px.
func (v variation) expose(px *raster.Pixels, mm float64, rng *rand.Rand) {
	table := v.toneTable()
	light := newField(rng, float64(px.Width)/3, float64(px.Height)/1.5)
	tone, colour := newField(rng, v.stainMM/mm, v.stainMM/mm), newField(rng, v.stainMM/mm, v.stainMM/mm)
	for y := range px.Height {
		for x := range px.Width {
			lit, dark, warm := float32(1), float32(0), float32(0)
			if v.light > 0 {
				lit += float32(v.light) * light.at(x, y)
			}
			if v.stainMM > 0 {
				dark, warm = float32(v.stain[0])*tone.at(x, y), float32(v.stain[1])*colour.at(x, y)
			}
			at := px.U8[(y*px.Width+x)*px.Channels:][:px.Channels]
			for k, s := range at {
				z := float32(s)*lit*float32(v.tint[k]) + dark + warm*float32(1-k)
				z = table[uint8(max(0, min(255, z)))]
				if v.noise > 0 {
					z += float32(v.noise * rng.NormFloat64())
				}
				at[k] = uint8(max(0, min(255, z)))
			}
		}
	}
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

// field is smooth noise of deviation about one half over a picture: random
// numbers on a lattice, with straight lines in between.
type field struct {
	stepX, stepY float64
	values       []float32
}

const fieldSize = 64 // lattice points each way, repeated

func newField(rng *rand.Rand, stepX, stepY float64) field {
	f := field{math.Max(2, stepX), math.Max(2, stepY), make([]float32, fieldSize*fieldSize)}
	for i := range f.values {
		f.values[i] = float32(2*rng.Float64() - 1)
	}
	return f
}

func (f field) at(x, y int) float32 {
	fx, fy := float64(x)/f.stepX, float64(y)/f.stepY
	i, j := int(fx), int(fy)
	a, b := float32(fx-float64(i)), float32(fy-float64(j))
	v := func(i, j int) float32 { return f.values[(j%fieldSize)*fieldSize+i%fieldSize] }
	return (1-b)*((1-a)*v(i, j)+a*v(i+1, j)) + b*((1-a)*v(i, j+1)+a*v(i+1, j+1))
}

// resized scales a picture to another size.
func resized(px raster.Pixels, width, height int) raster.Pixels {
	width, height = max(1, width), max(1, height)
	out := raster.Pixels{Width: width, Height: height, Channels: px.Channels, U8: make([]uint8, width*height*px.Channels)}
	kx, ky := float64(px.Width)/float64(width), float64(px.Height)/float64(height)
	for y := range height {
		for x := range width {
			b, g, r := px.Sample((float64(x)+0.5)*kx-0.5, (float64(y)+0.5)*ky-0.5)
			at := out.U8[(y*width+x)*px.Channels:]
			if px.Channels == 1 {
				at[0] = uint8(b + 0.5)
				continue
			}
			at[0], at[1], at[2] = uint8(b+0.5), uint8(g+0.5), uint8(r+0.5)
		}
	}
	return out
}

// sharpen adds back what a blur takes away.
func sharpen(px *raster.Pixels, strength float64) {
	soft := *px
	soft.U8 = append([]uint8(nil), px.U8...)
	blur(&soft, 1.5)
	for i, s := range px.U8 {
		px.U8[i] = uint8(max(0, min(255, float64(s)+strength*(float64(s)-float64(soft.U8[i])))))
	}
}

// gray mixes the colours of a picture.
func gray(px raster.Pixels) raster.Pixels {
	if px.Channels == 1 {
		return px
	}
	out := raster.Pixels{Width: px.Width, Height: px.Height, Channels: 1, U8: make([]uint8, px.Width*px.Height)}
	for i := range out.U8 {
		out.U8[i] = uint8(0.114*float32(px.U8[3*i]) + 0.587*float32(px.U8[3*i+1]) + 0.299*float32(px.U8[3*i+2]))
	}
	return out
}

// compressed is what JPEG leaves of a picture.
func compressed(px raster.Pixels, quality int) raster.Pixels {
	im := image.NewRGBA(image.Rect(0, 0, px.Width, px.Height))
	for i := range px.Width * px.Height {
		at := px.U8[i*px.Channels:][:px.Channels]
		copy(im.Pix[4*i:], []uint8{at[len(at)-1], at[len(at)/2], at[0], 255})
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, im, &jpeg.Options{Quality: quality}); err != nil {
		panic(err) // only pictures of 65536 px and more are refused
	}
	back, err := jpeg.Decode(&b)
	if err != nil {
		panic(err)
	}
	out := px
	out.U8 = make([]uint8, len(px.U8))
	for y := range px.Height {
		for x := range px.Width {
			c := color.RGBAModel.Convert(back.At(x, y)).(color.RGBA)
			at := out.U8[(y*px.Width+x)*px.Channels:][:px.Channels]
			at[0] = c.B
			if px.Channels == 3 {
				at[1], at[2] = c.G, c.R
			}
		}
	}
	return out
}

// logBetween draws from lo to hi, evenly in the logarithm.
func logBetween(rng *rand.Rand, lo, hi float64) float64 {
	return math.Exp(math.Log(lo) + rng.Float64()*math.Log(hi/lo))
}
