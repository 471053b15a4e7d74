package calib

import (
	"pithward/measure"
	"pithward/vision/raster"
)

// view reads a scan as gray, as it is or with x and y exchanged, so that every
// ruler lies. Gray is (B + 2 G + R)/4 on a scale of 0 to 255.
type view struct {
	px   raster.Pixels
	swap bool
	w, h int // of the view
	du   int // samples from one u to the next
	dv   int // samples from one v to the next
}

func newView(px raster.Pixels, swap bool) view {
	v := view{px: px, swap: swap, w: px.Width, h: px.Height, du: px.Channels, dv: px.Width * px.Channels}
	if swap {
		v.w, v.h, v.du, v.dv = v.h, v.w, v.dv, v.du
	}
	return v
}

// point turns view coordinates into scan coordinates.
func (v view) point(u, w float64) measure.Point {
	if v.swap {
		return measure.Point{w, u}
	}
	return measure.Point{u, w}
}

// sample adds to dst the gray along a line that starts at (u, w) and goes on by
// (du, dw): linear between pixels along u, the nearest across. Past the scan's
// edge its border goes on.
func (v view) sample(dst []float32, u, w, du, dw float64) {
	l := run{int64(u * one), int64(w*one) + one/2, int64(du * one), int64(dw * one)}
	const piece = 2048 // samples that are worth a processor
	if len(dst) <= piece {
		v.sampleRun(dst, l)
		return
	}
	raster.InParallel((len(dst)+piece-1)/piece, func(i int) {
		v.sampleRun(dst[i*piece:min((i+1)*piece, len(dst))], l.after(i*piece))
	})
}

func (v view) sampleRun(dst []float32, r run) {
	if v.px.U16 != nil {
		sampleLine(dst, v.px.U16, v, r, 1.0/257)
	} else {
		sampleLine(dst, v.px.U8, v, r, 1)
	}
}

// run is a place on a view and the way to the next, in fixed point with 32 bits
// of fraction: the floor comes for free, and a step taken n times is exact.
type run struct{ x, y, dx, dy int64 }

const one = 1 << 32

func (r run) after(steps int) run {
	r.x, r.y = r.x+int64(steps)*r.dx, r.y+int64(steps)*r.dy
	return r
}

func sampleLine[T uint8 | uint16](dst []float32, src []T, v view, r run, unit float32) {
	x, y, dx, dy := r.x, r.y, r.dx, r.dy
	lastX, lastY := v.w-2, v.h-1
	side := v.du
	if lastX < 0 {
		lastX, side = 0, 0
	}
	gray := v.px.Channels == 1
	if !gray {
		unit *= 0.25
	}
	for i := range dst {
		ix, frac := int(x>>32), float32(uint32(x))*(1.0/one)
		iy := int(y >> 32)
		if ix < 0 {
			ix, frac = 0, 0
		} else if ix > lastX {
			ix, frac = lastX, 1
		}
		if iy < 0 {
			iy = 0
		} else if iy > lastY {
			iy = lastY
		}
		a := ix*v.du + iy*v.dv
		b := a + side
		var p, q float32
		if gray {
			p, q = float32(src[a]), float32(src[b])
		} else {
			s, t := src[a:a+3:a+3], src[b:b+3:b+3]
			p = float32(uint32(s[0]) + 2*uint32(s[1]) + uint32(s[2]))
			q = float32(uint32(t[0]) + 2*uint32(t[1]) + uint32(t[2]))
		}
		dst[i] += unit * (p + frac*(q-p))
		x += dx
		y += dy
	}
}

// inside tells whether a place lies in the view.
func (v view) inside(u, w float64) bool {
	return u >= 0 && w >= 0 && u <= float64(v.w-1) && w <= float64(v.h-1)
}
