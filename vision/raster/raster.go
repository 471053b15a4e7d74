// Package raster holds a decoded scan as plain slices, so that what looks at
// pixels can be written and tested without the image library.
package raster

import (
	"math"

	"pithward/measure"
)

// Pixels is a decoded scan as displayed: rows top to bottom, pixels
// interleaved, channels 1 (gray) or 3 (blue, green, red). Exactly one of U8
// and U16 is set; it has Width*Height*Channels values. The slice may belong to
// the image library: it is valid only as long as its owner, and is never
// written to.
type Pixels struct {
	Width, Height, Channels int
	U8                      []uint8
	U16                     []uint16
}

// Depth returns the bits per sample, 8 or 16.
func (p Pixels) Depth() int {
	if p.U16 != nil {
		return 16
	}
	return 8
}

// At returns channel c of the pixel at column x, row y, scaled to 0..255.
// The pixel must lie inside the scan.
func (p Pixels) At(x, y, c int) float32 {
	i := (y*p.Width+x)*p.Channels + c
	if p.U16 != nil {
		return float32(p.U16[i]) * (255.0 / 65535.0)
	}
	return float32(p.U8[i])
}

// Sample returns blue, green and red, 0..255, at a place between pixels,
// bilinear. Places outside the scan take its edge.
func (p Pixels) Sample(x, y float64) (b, g, r float32) {
	x = math.Max(0, math.Min(float64(p.Width)-1.001, x))
	y = math.Max(0, math.Min(float64(p.Height)-1.001, y))
	ix, iy := int(x), int(y)
	fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
	n := p.Channels
	i := (iy*p.Width + ix) * n
	j := i + p.Width*n
	w00, w10, w01, w11 := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
	if p.U16 != nil {
		const k = 255.0 / 65535.0
		at := func(c int) float32 {
			return k * (w00*float32(p.U16[i+c]) + w10*float32(p.U16[i+n+c]) + w01*float32(p.U16[j+c]) + w11*float32(p.U16[j+n+c]))
		}
		if n == 1 {
			v := at(0)
			return v, v, v
		}
		return at(0), at(1), at(2)
	}
	u := p.U8
	if n == 1 {
		v := w00*float32(u[i]) + w10*float32(u[i+1]) + w01*float32(u[j]) + w11*float32(u[j+1])
		return v, v, v
	}
	q, t := u[i:i+n+3], u[j:j+n+3]
	b = w00*float32(q[0]) + w10*float32(q[n]) + w01*float32(t[0]) + w11*float32(t[n])
	g = w00*float32(q[1]) + w10*float32(q[n+1]) + w01*float32(t[1]) + w11*float32(t[n+1])
	r = w00*float32(q[2]) + w10*float32(q[n+2]) + w01*float32(t[2]) + w11*float32(t[n+2])
	return b, g, r
}

// Core is the place of one increment core on the scan, found but not yet read.
type Core struct {
	// OutlinePx is the closed outline of the wood and bark, without repeating
	// the first point.
	OutlinePx []measure.Point
	// AxisPx is the smoothed midline from the left (or upper) end of the
	// visible core to the right (or lower) end, at least two points.
	AxisPx []measure.Point
	// BreadthPx is the core's breadth across the axis, the median along it.
	BreadthPx float64
	// Upright tells that the core stands: its axis runs from top to bottom.
	Upright bool
	// Gaps are openings across the whole breadth, as lengths in px along AxisPx.
	Gaps []GapPx
	// Warnings are for the user, in plain words.
	Warnings []string
}

// GapPx is an opening between two pieces of a core, along its axis.
type GapPx struct {
	FromPx, ToPx float64
	Kind         string // measure.Crack, measure.Break or measure.Lost
}
