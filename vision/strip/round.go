package strip

import "math"

// Centre is a place round which layers may lie as rings, and how far from it
// they are looked at. All in strip px.
type Centre struct{ U, V, Reach float64 }

// sector is how far from the axis's direction a ring is looked at, to either
// side: beyond, it runs along the core.
const sector = 60 * math.Pi / 180

// Roundness is the share of the variance of brightness round a centre that lies
// between rings, 0 to 1: each ring is followed over the sectors that face along
// the core, as far as it lies on the strip.
func (s *Strip) Roundness(o Centre) float64 {
	lo, hi := max(0, int(o.U-o.Reach)+1), min(s.Cols, int(o.U+o.Reach))
	half := float64(s.Rows) / 2 * s.RowPx
	every := max(1, (hi-lo)/80)
	var total, square, between, n float64
	for u := lo; u < hi; u += every {
		r, side, from, to := o.ring(float64(u), half)
		if from >= to {
			continue
		}
		var sum, count float64
		for row := 0; row < s.Rows; row += 2 {
			sin, cos := math.Sincos(from + (to-from)*(float64(row)+0.5)/float64(s.Rows))
			x := s.lightAt(o.U+side*r*cos, o.V+r*sin)
			sum, square, count = sum+x, square+x*x, count+1
		}
		total, n = total+sum, n+count
		between += sum * sum / count
	}
	mean := total * total / math.Max(n, 1)
	return (between - mean) / math.Max(square-mean, 1e-9)
}

// ring returns the radius of the ring that crosses the axis at column u, the
// side of the centre that it does so on, and the angles, from the axis's
// direction, between which it lies within half the breadth and the sector; none
// where from >= to.
func (o Centre) ring(u, half float64) (r, side, from, to float64) {
	r, side = math.Hypot(u-o.U, o.V), 1
	if u < o.U {
		side = -1
	}
	angle := func(v float64) float64 { return math.Asin(math.Max(-1, math.Min(1, (v-o.V)/math.Max(r, 1e-9)))) }
	return r, side, math.Max(-sector, angle(-half)), math.Min(sector, angle(half))
}

// lightAt is the brightness at a place, between its neighbours; beyond the rim
// the rim's.
func (s *Strip) lightAt(u, v float64) float64 {
	x := math.Max(0, math.Min(float64(s.Cols)-1.001, u))
	y := math.Max(0, math.Min(float64(s.Rows)-1.001, v/s.RowPx+float64(s.Rows-1)/2))
	i, j := int(x), int(y)
	f, g := x-float64(i), y-float64(j)
	a, b := s.Light[j*s.Cols+i:], s.Light[(j+1)*s.Cols+i:]
	top := float64(a[0]) + f*float64(a[1]-a[0])
	low := float64(b[0]) + f*float64(b[1]-b[0])
	return top + g*(low-top)
}
