package calib

import (
	"sync"

	"pithward/vision/raster"
)

// overview is a reduced gray copy of a scan.
type overview struct {
	factor int // scan px a pixel
	w, h   int
	pix    []uint8
}

// overviewSide is the overview's longest side. A flatbed is at most 432 mm
// long (A3 and a margin), so that a millimetre keeps some 10 px and half of
// one 5.
const overviewSide = 4400

// reduce makes the overview: the mean of factor neighbours along each row, of
// the green channel and of one or two rows in factor; enough to find a ruler
// by, and cheap.
func reduce(px raster.Pixels) overview {
	f := max(1, (max(px.Width, px.Height)+overviewSide-1)/overviewSide)
	o := overview{factor: f, w: px.Width / f, h: px.Height / f}
	o.pix = make([]uint8, o.w*o.h)
	rows := [2]int{f / 2, f / 2}
	if f >= 4 {
		rows = [2]int{f / 4, f/4 + f/2}
	}
	var wg sync.WaitGroup
	for part := range 2 {
		wg.Go(func() {
			for y := part * o.h / 2; y < (part+1)*o.h/2; y++ {
				dst := o.pix[y*o.w : (y+1)*o.w]
				if px.U16 != nil {
					reduceRow(dst, px.U16, px, f, y*f, rows, 257)
				} else {
					reduceRow(dst, px.U8, px, f, y*f, rows, 1)
				}
			}
		})
	}
	wg.Wait()
	return o
}

func reduceRow[T uint8 | uint16](dst []uint8, src []T, px raster.Pixels, f, y int, rows [2]int, unit uint32) {
	block := f * px.Channels
	stride := px.Width * px.Channels
	a, b := src[(y+rows[0])*stride:], src[(y+rows[1])*stride:]
	norm := uint32(2*f) * unit
	for x := range dst {
		sum := norm / 2
		for i := px.Channels / 2; i < block; i += px.Channels {
			sum += uint32(a[i]) + uint32(b[i])
		}
		dst[x] = uint8(sum / norm)
		a, b = a[block:], b[block:]
	}
}

// stripHeight is the number of overview rows averaged into one strip: at a
// turn of 5 degrees a tick moves by 0.7 px over it, well below a tick step.
const stripHeight = 8

// coarser averages n neighbours along each strip.
func coarser(strips [][]float32, n int) [][]float32 {
	out := make([][]float32, len(strips))
	for j, s := range strips {
		out[j] = make([]float32, len(s)/n)
		for i := range out[j] {
			for _, g := range s[i*n : (i+1)*n] {
				out[j][i] += g
			}
			out[j][i] /= float32(n)
		}
	}
	return out
}

// strips returns the overview's strips of stripHeight rows each (columns, with
// swap), averaged across: [strip][along].
func (o overview) strips(swap bool) [][]float32 {
	w, h, du, dv := o.w, o.h, 1, o.w
	if swap {
		w, h, du, dv = h, w, dv, du
	}
	out := make([][]float32, h/stripHeight)
	flat := make([]float32, len(out)*w)
	for j := range out {
		out[j], flat = flat[:w:w], flat[w:]
	}
	if swap { // go through memory in rows all the same
		for u := range w {
			row := o.pix[u*du:]
			for j := range out {
				var sum int
				for _, p := range row[j*stripHeight : (j+1)*stripHeight] {
					sum += int(p)
				}
				out[j][u] = float32(sum) / stripHeight
			}
		}
		return out
	}
	for j, strip := range out {
		for r := range stripHeight {
			row := o.pix[(j*stripHeight+r)*dv:][:w]
			for u, p := range row {
				strip[u] += float32(p) / stripHeight
			}
		}
	}
	return out
}
