package calib

import (
	"math"

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

// gray at sample index i.
func (v view) gray(i int) float32 {
	if v.px.U16 != nil {
		s := v.px.U16
		if v.px.Channels == 1 {
			return float32(s[i]) * (1.0 / 257)
		}
		return float32(uint32(s[i])+2*uint32(s[i+1])+uint32(s[i+2])) * (1.0 / (4 * 257))
	}
	s := v.px.U8
	if v.px.Channels == 1 {
		return float32(s[i])
	}
	return float32(uint32(s[i])+2*uint32(s[i+1])+uint32(s[i+2])) * 0.25
}

// sample adds to dst the gray along a line that starts at (u, v) and goes on by
// (du, dv): linear between pixels along u, the nearest across. Past the scan's
// edge its border goes on.
func (v view) sample(dst []float32, u, w, du, dw float64) {
	for i := range dst {
		x, y := u+float64(i)*du, w+float64(i)*dw
		x0 := math.Floor(x)
		ix, iy := int(x0), int(math.Floor(y+0.5))
		iy = min(max(iy, 0), v.h-1)
		if ix < 0 {
			ix, x0 = 0, x
		} else if ix >= v.w-1 {
			ix, x0 = max(v.w-2, 0), x-1
		}
		at := ix*v.du + iy*v.dv
		a := v.gray(at)
		if v.w < 2 {
			dst[i] += a
			continue
		}
		dst[i] += a + float32(x-x0)*(v.gray(at+v.du)-a)
	}
}

// inside tells whether a place lies in the view.
func (v view) inside(u, w float64) bool {
	return u >= 0 && w >= 0 && u <= float64(v.w-1) && w <= float64(v.h-1)
}
