package calib

import (
	"math"
	"math/rand/v2"

	"pithward/measure"
	"pithward/vision/raster"
)

// canvas is a made scan: BGR, 8 bits, with a size of a pixel in mm.
type canvas struct {
	w, h int
	mm   [2]float64
	pix  []uint8
	blur float64 // standard deviation of edges, px
	rng  *rand.Rand
}

type colour [3]float64 // blue, green, red

func newCanvas(w, h int, mm [2]float64, ground colour, rng *rand.Rand) *canvas {
	c := &canvas{w: w, h: h, mm: mm, pix: make([]uint8, 3*w*h), rng: rng}
	for i := range c.pix {
		c.pix[i] = uint8(ground[i%3])
	}
	return c
}

// frame is a place and direction on the canvas: s along, t across, in mm. Its
// origin is at pixel (x, y), turned clockwise by deg.
type frame struct{ x, y, deg float64 }

// paint fills the box s0..s1, t0..t1 (mm) of the frame; shade returns a colour
// and how much it covers, for a place and the blur's standard deviation in mm.
func (c *canvas) paint(f frame, s0, s1, t0, t1 float64, shade func(s, t, sd float64) (colour, float64)) {
	sin, cos := math.Sincos(f.deg * math.Pi / 180)
	minX, maxX, minY, maxY := c.w, 0, c.h, 0
	for _, p := range [4][2]float64{{s0, t0}, {s0, t1}, {s1, t0}, {s1, t1}} {
		x := f.x + (p[0]*cos-p[1]*sin)/c.mm[0]
		y := f.y + (p[0]*sin+p[1]*cos)/c.mm[1]
		minX, maxX = min(minX, int(x)-3), max(maxX, int(x)+4)
		minY, maxY = min(minY, int(y)-3), max(maxY, int(y)+4)
	}
	minX, minY, maxX, maxY = max(minX, 0), max(minY, 0), min(maxX, c.w), min(maxY, c.h)
	sd := max(c.blur, 0.3) * c.mm[0] // the pixel's own aperture at least: 1/sqrt(12)
	for y := minY; y < maxY; y++ {
		dy := (float64(y) - f.y) * c.mm[1]
		for x := minX; x < maxX; x++ {
			dx := (float64(x) - f.x) * c.mm[0]
			s, t := dx*cos+dy*sin, -dx*sin+dy*cos
			cover := ramp(s-s0, sd) * ramp(s1-s, sd) * ramp(t-t0, sd) * ramp(t1-t, sd)
			if cover < 0.002 {
				continue
			}
			col, a := shade(s, t, sd)
			a *= cover
			i := 3 * (y*c.w + x)
			for k := range 3 {
				c.pix[i+k] = clamp8(float64(c.pix[i+k])*(1-a) + col[k]*a)
			}
		}
	}
}

// ramp is a step blurred by a Gaussian.
func ramp(d, sd float64) float64 {
	switch z := d / sd; {
	case z > 3:
		return 1
	case z < -3:
		return 0
	default:
		return 0.5 * math.Erfc(-z/math.Sqrt2)
	}
}

func clamp8(v float64) uint8 { return uint8(min(max(v+0.5, 0), 255)) }

// solid is a plain box.
func (c *canvas) solid(f frame, s0, s1, t0, t1 float64, col colour) {
	c.paint(f, s0, s1, t0, t1, func(_, _, _ float64) (colour, float64) { return col, 1 })
}

// noise adds about Gaussian noise: a sum of three even ones.
func (c *canvas) noise(sd float64) {
	var table [3*127 + 1]int
	for i := range table {
		table[i] = int(math.Round(16 * sd * (float64(i) - 1.5*127) / (127 * 0.5)))
	}
	for i := 0; i+2 < len(c.pix); i += 3 {
		r := c.rng.Uint64()
		for k := range 3 {
			n := table[r&127+r>>7&127+r>>14&127]
			c.pix[i+k] = uint8(min(max((int(c.pix[i+k])*16+n+8)>>4, 0), 255))
			r >>= 21
		}
	}
}

// pixels hands the canvas over as a decoded scan; deep and gray as asked.
func (c *canvas) pixels(gray, deep bool) raster.Pixels {
	px := raster.Pixels{Width: c.w, Height: c.h, Channels: 3, U8: c.pix}
	if gray {
		px.Channels = 1
		px.U8 = make([]uint8, c.w*c.h)
		for i := range px.U8 {
			px.U8[i] = c.pix[3*i+1]
		}
	}
	if deep {
		px.U16 = make([]uint16, len(px.U8))
		for i, v := range px.U8 {
			px.U16[i] = uint16(v)*257 + uint16(c.rng.IntN(200))
		}
		px.U8 = nil
	}
	return px
}

// scale is one row of ticks on a ruler's edge.
type scale struct {
	step   float64   // mm
	levels []int     // as in graduation
	length []float64 // mm by class
	width  float64   // of a tick, mm
	number int       // ticks from one number to the next
}

func mmScale() scale {
	return scale{1, []int{5, 10}, []float64{3.2, 4.6, 6}, 0.15, 10}
}
func halfScale() scale {
	return scale{0.5, []int{2, 10, 20}, []float64{2.5, 3.5, 5, 6.5}, 0.12, 20}
}
func inchScale(part int) scale {
	s := scale{step: MMPerInch / float64(part), width: 0.15, number: part}
	for l := 2; l <= part; l *= 2 {
		s.levels = append(s.levels, l)
	}
	for i := range len(s.levels) + 1 {
		s.length = append(s.length, 2.4+1.3*float64(i))
	}
	return s
}

// ruler is what is drawn.
type ruler struct {
	at            frame
	length, width float64 // mm
	body, ink     colour
	grain, gloss  float64 // gray levels
	clear         float64 // how much of the body covers what is below
	edge          scale
	other         *scale  // on the opposite edge
	inset         float64 // from edge to tick, mm
	lead          float64 // from the ruler's end to the first tick
	wear          float64 // share of ticks lost, and loss of contrast
}

func (c *canvas) ruler(r ruler) {
	seed := c.rng.Uint64()
	c.paint(r.at, 0, r.length, 0, r.width, func(s, t, _ float64) (colour, float64) {
		g := r.grain * grainAt(seed, s, t)
		g += r.gloss * math.Exp(-0.5*math.Pow((s-r.length*0.4)/(r.length*0.15), 2))
		return colour{r.body[0] + g, r.body[1] + g, r.body[2] + g}, r.clear
	})
	c.ticks(r, r.edge, r.at, seed)
	if r.other != nil {
		sin, cos := math.Sincos(r.at.deg * math.Pi / 180)
		far := frame{r.at.x + (r.length*cos-r.width*sin)/c.mm[0], r.at.y + (r.length*sin+r.width*cos)/c.mm[1], r.at.deg + 180}
		c.ticks(r, *r.other, far, seed+1)
	}
}

// grainAt is a streaky texture along the ruler, about -1 to 1.
func grainAt(seed uint64, s, t float64) float64 {
	h := func(a, b float64) float64 {
		x := seed ^ uint64(int64(a))*0x9E3779B97F4A7C15 ^ uint64(int64(b))*0xC2B2AE3D27D4EB4F
		x ^= x >> 31
		x *= 0xD6E8FEB86659FD93
		x ^= x >> 32
		return float64(x%2001)/1000 - 1
	}
	a, b := math.Floor(s/6), math.Floor(t/0.15)
	f := s/6 - a
	return h(a, b)*(1-f) + h(a+1, b)*f
}

func (c *canvas) ticks(r ruler, e scale, f frame, seed uint64) {
	n := int((r.length - 2*r.lead) / e.step)
	g := graduation{levels: e.levels}
	strength := make([]float64, n+1)
	rng := rand.New(rand.NewPCG(seed, 1))
	for k := range strength {
		strength[k] = 1 - 0.6*r.wear*rng.Float64()
		if rng.Float64() < r.wear*0.15 {
			strength[k] = 0
		}
	}
	longest := e.length[len(e.length)-1]
	c.paint(f, 0, r.length, r.inset, r.inset+longest+0.5, func(s, t, sd float64) (colour, float64) {
		k := int(math.Round((s - r.lead) / e.step))
		if k < 0 || k > n {
			return r.ink, 0
		}
		d := s - r.lead - float64(k)*e.step
		a := ramp(d+e.width/2, sd) - ramp(d-e.width/2, sd)
		return r.ink, strength[k] * a * ramp(r.inset+e.length[g.class(k)]-t, sd)
	})
	for k := 0; k <= n; k += e.number {
		at := r.lead + float64(k)*e.step
		c.digits(f, at, r.inset+longest+0.6, 2.2, k/e.number, r.ink)
	}
}

// digits writes a number in seven segments, centred at s, its top at t.
func (c *canvas) digits(f frame, s, t, height float64, n int, ink colour) {
	segs := [10]int{0x77, 0x24, 0x5d, 0x6d, 0x2e, 0x6b, 0x7b, 0x25, 0x7f, 0x6f}
	text := []int{n % 10}
	for n /= 10; n > 0; n /= 10 {
		text = append([]int{n % 10}, text...)
	}
	w, gap, pen := height*0.5, height*0.25, height*0.12
	s -= (float64(len(text))*(w+gap) - gap) / 2
	for _, d := range text {
		boxes := [7][4]float64{{0, w, 0, pen}, {0, pen, 0, height / 2}, {w - pen, w, 0, height / 2}, {0, w, height/2 - pen/2, height/2 + pen/2},
			{0, pen, height / 2, height}, {w - pen, w, height / 2, height}, {0, w, height - pen, height}}
		for i, b := range boxes {
			if segs[d]>>i&1 == 1 {
				c.solid(f, s+b[0], s+b[1], t+b[2], t+b[3], ink)
			}
		}
		s += w + gap
	}
}

// core is a strip of wood with rings of about the given mean breadth, whose
// logarithms vary by sd.
func (c *canvas) core(f frame, length, breadth, ring, sd float64) {
	var bounds []float64
	for s := 0.0; s < length; s += ring * math.Exp(sd*c.rng.NormFloat64()) {
		bounds = append(bounds, s)
	}
	seed := c.rng.Uint64()
	c.paint(f, 0, length, 0, breadth, func(s, t, _ float64) (colour, float64) {
		s += 0.2 * t // the rings are a little askew
		i := int(s / ring)
		i = min(i, len(bounds)-1)
		for i > 0 && bounds[i] > s {
			i--
		}
		for i+1 < len(bounds) && bounds[i+1] <= s {
			i++
		}
		next := length
		if i+1 < len(bounds) {
			next = bounds[i+1]
		}
		late := math.Pow(min(1, max(0, (s-bounds[i])/(next-bounds[i]))), 3)
		g := 8*grainAt(seed, s*8, t) - 80*late
		return colour{130 + g, 175 + g, 205 + 0.8*g}, 1
	})
}

// bars is a barcode: lines of one to four modules.
func (c *canvas) bars(f frame, length, height, module float64) {
	c.solid(f, -2, length+2, -2, height+2, colour{240, 240, 240})
	for s := 0.0; s < length; {
		w := module * float64(1+c.rng.IntN(3))
		c.solid(f, s, s+w, 0, height, colour{20, 20, 20})
		s += w + module*float64(1+c.rng.IntN(3))
	}
}

// grating is a comb of equal lines: no ruler.
func (c *canvas) grating(f frame, length, height, step float64) {
	c.solid(f, -1, length+1, -1, height+1, colour{220, 220, 220})
	for s := 0.0; s < length; s += step {
		c.solid(f, s, s+step*0.3, 0, height, colour{40, 40, 40})
	}
}

// text is a label with lines of letters: strokes of about even spacing.
func (c *canvas) text(f frame, length, height float64) {
	c.solid(f, 0, length, 0, height, colour{235, 240, 240})
	for t := 1.0; t+2.5 < height; t += 4 {
		for s := 1.0; s+2 < length-1; s += 1.7 {
			if c.rng.IntN(6) == 0 {
				continue
			}
			c.digits(f, s+0.6, t, 2.5, c.rng.IntN(10), colour{30, 30, 30})
		}
	}
}

// along returns the point of a frame at (s, t) mm.
func (c *canvas) along(f frame, s, t float64) measure.Point {
	sin, cos := math.Sincos(f.deg * math.Pi / 180)
	return measure.Point{f.x + (s*cos-t*sin)/c.mm[0], f.y + (s*sin+t*cos)/c.mm[1]}
}
