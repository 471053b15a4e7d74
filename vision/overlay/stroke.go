package overlay

import (
	"math"

	"pithward/measure"
)

// pen is how a line is drawn, in px of the picture.
type pen struct {
	width    float64
	strength float64 // of the ink, 0..1
	reach    float64 // how far the halo fades beyond the line's edge; 0: none
	halo     float64 // its strength beside the line, 0..1
	on, off  float64 // dashes; off 0: unbroken
}

// dashed returns the pen with dashes and the spaces between them.
func (p pen) dashed(on, off float64) pen {
	p.on, p.off = on, off
	return p
}

// stroke draws a polyline. A single point is a dot; points that are not
// finite, or absurdly far away, are left out.
func (l *layer) stroke(line []measure.Point, p pen) {
	line = sane(line)
	if p.off > 0 {
		for _, piece := range dashes(line, p.on, p.off) {
			l.solid(piece, p)
		}
		return
	}
	l.solid(line, p)
}

func (l *layer) solid(line []measure.Point, p pen) {
	if len(line) == 1 {
		l.segment(line[0], line[0], &p)
	}
	const most = 24.0 // px: a segment's box of pixels stays small
	for i := 1; i < len(line); i++ {
		a, b, ok := l.clip(line[i-1], line[i], p.width+p.reach+2)
		if !ok {
			continue
		}
		n := max(1, math.Ceil(distance(a, b)/most))
		for k := 0.0; k < n; k++ {
			l.segment(between(a, b, k/n), between(a, b, (k+1)/n), &p)
		}
	}
}

// segment is a short straight part of a stroke.
type segment struct {
	a, b measure.Point
	pen  *pen
}

// segment notes a short segment, to be inked with all others when the layer is
// laid on the picture.
func (l *layer) segment(a, b measure.Point, p *pen) {
	l.open()
	y0, y1 := span(a[1], b[1], p.out(), l.h)
	for i := y0 / sliceRows; i*sliceRows <= y1; i++ {
		l.segments[i] = append(l.segments[i], segment{a, b, p})
	}
}

func (l *layer) open() {
	if l.segments == nil {
		l.segments = make([][]segment, (l.h+sliceRows-1)/sliceRows)
	}
}

// out is how far from the middle of its line a pen leaves something.
func (p pen) out() float64 { return p.width/2 + max(p.reach, 0.5) }

// ink inks the pixels near a segment. Coverage is a function of the distance to
// it, and the greatest counts, so that joints and crossings are no darker than
// the line, and the order does not matter.
func (s segment) ink(c *cover) {
	a, b, p := s.a, s.b, s.pen
	out := p.out()
	x0, x1 := span(a[0], b[0], out, c.w)
	y0, y1 := span(a[1], b[1], out, c.to)
	dx, dy := b[0]-a[0], b[1]-a[1]
	square := dx*dx + dy*dy
	for y := max(y0, c.from); y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			px, py := float64(x)-a[0], float64(y)-a[1]
			t := 0.0
			if square > 0 {
				t = max(0, min(1, (px*dx+py*dy)/square))
			}
			ex, ey := px-t*dx, py-t*dy
			if far := ex*ex + ey*ey; far < out*out {
				c.raise(x, y, math.Sqrt(far)-p.width/2, min(1, p.width), p)
			}
		}
	}
}

// wedge is a convex polygon to be filled.
type wedge struct {
	corners []measure.Point
	pen     pen
}

// wedge fills a convex polygon, with its halo.
func (l *layer) wedge(corners []measure.Point, p pen) {
	if len(sane(corners)) < len(corners) || len(corners) < 3 {
		return
	}
	l.open()
	l.wedges = append(l.wedges, wedge{corners, p})
}

func (w wedge) ink(c *cover) {
	out := w.pen.reach + 1
	x0, y0, x1, y1 := box(w.corners)
	ax, bx := span(x0, x1, out, c.w)
	ay, by := span(y0, y1, out, c.to)
	turn := 1.0
	if area(w.corners) < 0 {
		turn = -1
	}
	for y := max(ay, c.from); y <= by; y++ {
		for x := ax; x <= bx; x++ {
			d := math.Inf(-1) // outside distance, near enough at the corners
			for i, a := range w.corners {
				b := w.corners[(i+1)%len(w.corners)]
				h := max(distance(a, b), 1e-9)
				d = max(d, turn*((float64(x)-a[0])*(b[1]-a[1])-(float64(y)-a[1])*(b[0]-a[0]))/h)
			}
			c.raise(x, y, d, 1, &w.pen)
		}
	}
}

// raise inks a pixel at a distance beyond the edge of a line or wedge, by most at
// the most, where it is not inked more by another.
func (c *cover) raise(x, y int, d, most float64, p *pen) {
	i := (y-c.from)*c.w + x
	if d < 0.5 {
		raise(&c.inks[i], p.strength*min(most, 0.5-d))
	}
	if p.reach > 0 && d < p.reach {
		f := 1 - max(0, d)/p.reach
		raise(&c.halos[i], p.halo*f*f*(3-2*f))
	}
}

func raise(v *uint8, to float64) {
	if u := uint8(to*255 + 0.5); u > *v {
		*v = u
	}
}

// span returns the first and last pixel between two places, with some px more
// on both sides, within 0..n-1.
func span(a, b, more float64, n int) (int, int) {
	lo := math.Floor(min(a, b) - more)
	hi := math.Ceil(max(a, b) + more)
	return int(max(0, lo)), int(min(float64(n-1), hi))
}

// clip cuts a segment to the layer and a margin (Liang and Barsky 1984).
func (l *layer) clip(a, b measure.Point, margin float64) (measure.Point, measure.Point, bool) {
	from, to := 0.0, 1.0
	size := measure.Point{float64(l.w - 1), float64(l.h - 1)}
	for k := range a {
		d := b[k] - a[k]
		lo, hi := -margin-a[k], size[k]+margin-a[k]
		if d == 0 {
			if lo > 0 || hi < 0 {
				return a, b, false
			}
			continue
		}
		s, e := lo/d, hi/d
		if s > e {
			s, e = e, s
		}
		from, to = max(from, s), min(to, e)
	}
	return between(a, b, from), between(a, b, to), from <= to
}

// dashes cuts a line into dashes. The line's ends are the ends of dashes: the
// spaces are stretched a little so that they fit.
func dashes(line []measure.Point, on, off float64) [][]measure.Point {
	total := length(line)
	if len(line) < 2 || total <= on {
		return [][]measure.Point{line}
	}
	n := max(1, math.Round((total-on)/(on+off)))
	step := (total - on) / n
	if step <= on {
		step, n = total-on, 1
	}
	if n > 20000 {
		return nil
	}
	out := make([][]measure.Point, 0, int(n)+1)
	for k := 0.0; k <= n; k++ {
		out = append(out, part(line, k*step, k*step+on))
	}
	return out
}

// part returns the stretch of a polyline between two lengths along it.
func part(line []measure.Point, from, to float64) []measure.Point {
	var out []measure.Point
	var at float64
	for i := 1; i < len(line); i++ {
		h := distance(line[i-1], line[i])
		if h == 0 {
			continue
		}
		a, b := max(from, at), min(to, at+h)
		if a <= b {
			if len(out) == 0 {
				out = append(out, between(line[i-1], line[i], (a-at)/h))
			}
			out = append(out, between(line[i-1], line[i], (b-at)/h))
		}
		at += h
	}
	return out
}

// farthest bounds coordinates: beyond it a point is a mistake, not a place.
const farthest = 2e5

func sanePoint(p measure.Point) bool {
	return math.Abs(p[0]) < farthest && math.Abs(p[1]) < farthest // false for NaN
}

// sane returns the line without impossible points, the same slice if there
// are none.
func sane(line []measure.Point) []measure.Point {
	for i, p := range line {
		if sanePoint(p) {
			continue
		}
		good := append([]measure.Point(nil), line[:i]...)
		for _, q := range line[i+1:] {
			if sanePoint(q) {
				good = append(good, q)
			}
		}
		return good
	}
	return line
}

func distance(a, b measure.Point) float64 {
	dx, dy := b[0]-a[0], b[1]-a[1]
	return math.Sqrt(dx*dx + dy*dy) // sane points are too near for it to overflow
}

func between(a, b measure.Point, t float64) measure.Point {
	return measure.Point{a[0] + t*(b[0]-a[0]), a[1] + t*(b[1]-a[1])}
}

func length(line []measure.Point) float64 {
	var sum float64
	for i := 1; i < len(line); i++ {
		sum += distance(line[i-1], line[i])
	}
	return sum
}

// box returns the smallest upright rectangle round the points; of none, an
// empty one.
func box(points []measure.Point) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range points {
		x0, x1 = min(x0, p[0]), max(x1, p[0])
		y0, y1 = min(y0, p[1]), max(y1, p[1])
	}
	return x0, y0, x1, y1
}

// area returns twice the signed area, positive clockwise as displayed.
func area(corners []measure.Point) float64 {
	var sum float64
	for i, a := range corners {
		b := corners[(i+1)%len(corners)]
		sum += a[0]*b[1] - b[0]*a[1]
	}
	return sum
}
