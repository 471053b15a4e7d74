package vision

import (
	"math"

	"pithward/measure"
)

// The limits within which two cores touch (chosen): the opening between their
// flats, in breadths of the narrower, how dark it is beside the wood, and how
// much of the shorter lies beside the other.
const (
	meetGap   = 0.45
	meetDark  = 0.8
	meetShare = 0.3
)

// meet moves the rims of cores that touch to the darkest line between them:
// there the round flanks meet, while rims are first found where the sanded
// flats end.
func (f *finder) meet(pieces []*piece) {
	for i, p := range pieces {
		for j, q := range pieces {
			if i != j {
				f.meetBelow(p, q)
			}
		}
	}
}

// meetBelow does so where q touches p on the right of p's way.
func (f *finder) meetBelow(p, q *piece) {
	var at, normal []measure.Point
	var apart []float64
	for i := range p.axis {
		a, b := p.axis[max(0, i-1)], p.axis[min(len(p.axis)-1, i+1)]
		l := distance(a, b)
		n := measure.Point{-(b[1] - a[1]) / l, (b[0] - a[0]) / l}
		if d, ok := across(p.axis[i], n, q.axis); ok {
			at, normal, apart = append(at, p.axis[i]), append(normal, n), append(apart, d)
		}
	}
	if len(at) < 2 || distance(at[0], at[len(at)-1]) < meetShare*math.Min(p.length(), q.length()) {
		return
	}
	narrow := math.Min(p.breadth, q.breadth)
	from, to := p.breadth/2, median(append([]float64(nil), apart...))-q.breadth/2
	if to-from < 0.01*narrow || to-from > meetGap*narrow {
		return
	}
	dark, where := math.Inf(1), 0.0
	for s := from; s <= to; s++ {
		if l := f.lightOf(at, normal, s); l < dark {
			dark, where = l, s
		}
	}
	if dark > meetDark*math.Min(p.colour[0], q.colour[0]) {
		return // a mount's wood between
	}
	p.widen(where-from, 1)
	q.widen(to-where, -1)
}

// across is how far from a, along n, the polyline is crossed; ok is false
// where it is not.
func across(a, n measure.Point, line []measure.Point) (d float64, ok bool) {
	side := func(p measure.Point) float64 { return (p[0]-a[0])*n[1] - (p[1]-a[1])*n[0] }
	for i := 1; i < len(line); i++ {
		s, t := side(line[i-1]), side(line[i])
		if (s < 0) == (t < 0) {
			continue
		}
		f := s / (s - t)
		x, y := line[i-1][0]+f*(line[i][0]-line[i-1][0]), line[i-1][1]+f*(line[i][1]-line[i-1][1])
		d = (x-a[0])*n[0] + (y-a[1])*n[1]
		return d, d > 0
	}
	return 0, false
}

// lightOf is the mean lightness at the given places moved by s px along their
// normals.
func (f *finder) lightOf(at, normal []measure.Point, s float64) float64 {
	sum, n := 0.0, 0.0
	for i, p := range at {
		x, y := int(p[0]+s*normal[i][0]+0.5), int(p[1]+s*normal[i][1]+0.5)
		if x < 0 || y < 0 || x >= f.px.Width || y >= f.px.Height {
			continue
		}
		for c := range f.px.Channels {
			sum += float64(f.px.At(x, y, c))
			n++
		}
	}
	return sum / math.Max(1, n)
}

// widen moves one rim outwards by d px: the lower one for side 1, the upper
// one for side -1.
func (p *piece) widen(d float64, side float64) {
	moved := make([]measure.Point, len(p.axis))
	for i := range p.axis {
		a, b := p.axis[max(0, i-1)], p.axis[min(len(p.axis)-1, i+1)]
		l := distance(a, b)
		moved[i] = measure.Point{p.axis[i][0] - side*(b[1]-a[1])/l*d/2, p.axis[i][1] + side*(b[0]-a[0])/l*d/2}
	}
	for _, end := range [][]measure.Point{p.near, p.far} {
		for i := range end { // stretched from the rim that stays
			a, b := p.axis[0], p.axis[len(p.axis)-1]
			l := distance(a, b)
			share := float64(i) / float64(len(end)-1)
			if side < 0 {
				share = 1 - share
			}
			end[i][0] -= side * (b[1] - a[1]) / l * d * share
			end[i][1] += side * (b[0] - a[0]) / l * d * share
		}
	}
	p.axis, p.breadth = moved, p.breadth+d
}
