package overlay

import (
	"image"
	"math"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// pens of this picture.

func (c *canvas) px(v float64) float64 { return v * c.unit }

// linePen is for a boundary with so many px to its neighbour: the closer, the
// thinner, and the less halo.
func (c *canvas) linePen(spacing float64) pen {
	f := max(0, min(1, (spacing-look.CrowdedPx)/(look.RoomyPx-look.CrowdedPx)))
	return pen{
		width:    max(0.9, c.px(look.ThinWidth+f*(look.LineWidth-look.ThinWidth))),
		strength: look.CloseStrength + f*(1-look.CloseStrength),
		reach:    max(1.2, c.px(look.HaloReach*(0.35+0.65*f))),
		halo:     look.HaloStrength * (0.4 + 0.6*f),
	}
}

// markPen is for what stands beside the wood.
func (c *canvas) markPen() pen {
	return pen{width: max(1, c.px(look.MarkWidth)), strength: 1, reach: max(1.5, c.px(look.HaloReach)), halo: look.HaloStrength}
}

// doubtDash fits long dashes to a line: at least two of them.
func (c *canvas) doubtDash(p pen, line []measure.Point) pen {
	on, off := max(5, c.px(look.DashOn)), max(3.5, c.px(look.DashOff))
	if l := length(line); l < 2*on+off {
		k := l / (2*on + off)
		on, off = on*k, max(off*k, 2.5)
	}
	return p.dashed(on, off)
}

// drawWood draws all that lies on one core's wood.
func (c *canvas) drawWood(f *figure) {
	path := pen{width: max(0.8, c.px(look.PathWidth)), strength: look.PathStrength, reach: c.px(look.HaloReach), halo: 0.45 * look.HaloStrength}
	for _, piece := range f.pathPieces(c.to) {
		c.onLit.stroke(piece, path)
	}
	if len(f.boundaries) == 0 && len(f.outline) > 2 {
		c.onLit.stroke(closed(f.outline), c.markPen().dashed(c.px(look.DashOn), c.px(look.DashOff)))
	}
	for _, s := range f.core.Obscured {
		c.hatch(f, s)
	}
	for i := range f.candidates {
		c.drawCandidate(f.candidates[i])
	}
	for i := range f.boundaries {
		c.drawBoundary(f.boundaries[i], i)
	}
	c.drawDots(f)
}

func (c *canvas) drawBoundary(b course, index int) {
	if b.crowd >= look.CrowdedPx {
		p := c.linePen(min(b.spacing, b.crowd))
		if b.probability < look.Sure {
			p = c.doubtDash(p, b.line)
		}
		c.onLit.stroke(b.line, p)
		return
	}
	for _, tick := range ticks(b, index) {
		p := c.linePen(min(b.spacing, b.crowd))
		if b.probability < look.Sure {
			p = c.doubtDash(p, tick)
		}
		c.onLit.stroke(tick, p)
	}
}

// ticks are what is left of a boundary among very narrow rings: its ends, at
// the edges of the core; a doubtful one keeps twice as much. Where even ticks
// would run together they take turns at the two edges.
func ticks(b course, index int) [][]measure.Point {
	whole := length(b.line)
	t := min(max(look.TickPart*whole, 5), look.TickMost)
	if b.probability < look.Sure {
		t *= 2
	}
	if 2*t >= whole {
		return [][]measure.Point{b.line}
	}
	upper, lower := part(b.line, 0, t), part(b.line, whole-t, whole)
	if b.crowd >= look.DensePx {
		return [][]measure.Point{upper, lower}
	}
	if index%2 == 0 {
		return [][]measure.Point{upper}
	}
	return [][]measure.Point{lower}
}

func (c *canvas) drawCandidate(k course) {
	line := k.line
	if k.crowd < look.CrowdedPx {
		whole := length(line)
		line = part(line, 0.35*whole, 0.65*whole)
	}
	p := c.linePen(k.spacing)
	p.width = max(1.3, 1.25*p.width)
	c.onLit.stroke(line, p.dashed(look.DotOn, max(2.6, c.px(look.DotOff))))
}

// drawDots marks decades the way of the trade, inside the ring: a dot for a
// decade, two for a fiftieth and three for a hundredth year (common practice;
// Stokes and Smiley 1968). They stand in a row along the ring, off the path.
func (c *canvas) drawDots(f *figure) {
	for i, r := range f.core.Rings {
		n := 0
		if r.Year != nil {
			n = dotsOf(*r.Year)
		}
		if n == 0 || i+1 >= len(f.boundaries) || len(f.boundaries) != len(f.core.Boundaries) {
			continue
		}
		radius := c.dotRadius(f.boundaries[i], f.boundaries[i+1])
		p := pen{width: 2 * radius, strength: 1, reach: max(1.2, min(radius, c.px(look.HaloReach))), halo: look.HaloStrength}
		for _, at := range dotPlaces(f.boundaries[i], f.boundaries[i+1], n, radius) {
			c.onLit.stroke([]measure.Point{at}, p)
		}
	}
}

// dotsOf returns the number of pencil dots in a year's ring.
func dotsOf(year int) int {
	switch {
	case year%100 == 0:
		return 3
	case year%50 == 0:
		return 2
	case year%10 == 0:
		return 1
	}
	return 0
}

// dotRadius fits the dots of a ring between its boundaries.
func (c *canvas) dotRadius(a, b course) float64 {
	return max(1.1, min(c.px(look.DotRadius), distance(a.at, b.at)/3.5))
}

// dotPlaces lists the middles of n dots between two boundaries.
func dotPlaces(a, b course, n int, radius float64) []measure.Point {
	la, lb := length(a.line), length(b.line)
	step := max(3.2*radius, 5)
	first := 0.73*la - step*float64(n-1)/2
	out := make([]measure.Point, 0, n)
	for k := range n {
		s := first + step*float64(k)
		p, q := pointAt(a.line, s), pointAt(b.line, s/max(la, 1)*lb)
		out = append(out, between(p, q, 0.5))
	}
	return out
}

// pointAt returns the place at a length along a line that has a point.
func pointAt(line []measure.Point, at float64) measure.Point {
	if p := part(line, max(0, at), max(0, at)); len(p) > 0 {
		return p[0]
	}
	return line[len(line)-1]
}

// edges returns the two edges of the core over a stretch of the path, the
// upper (left) one first, standing off by some px.
func (f *figure) edges(s measure.Stretch, to func(measure.Point) measure.Point, off float64) (upper, lower [2]measure.Point, ok bool) {
	for k, end := range [2]measure.Point{s.FromPx, s.ToPx} {
		p := to(end)
		if !sanePoint(p) {
			return upper, lower, false
		}
		dir := f.across(p, 0)
		a, b, ok := f.chord(p, dir)
		if !ok || distance(a, b) > 2*f.breadth || distance(a, b) < f.breadth/2 {
			a, b = move(p, dir, f.breadth/2), move(p, dir, -f.breadth/2)
		}
		c := f.ordered(course{line: []measure.Point{a, b}})
		a, b = c.line[0], c.line[1]
		u := toward(b, a)
		upper[k], lower[k] = move(a, u, off), move(b, u, -off)
	}
	return upper, lower, true
}

// hatch lays thin slanting lines over an obscured stretch, so that the wood
// under them stays visible.
func (c *canvas) hatch(f *figure, s measure.Stretch) {
	upper, lower, ok := f.edges(s, c.to, 0)
	if !ok {
		return
	}
	p := pen{width: max(0.8, c.px(look.PathWidth)), strength: look.HatchStrength, reach: c.px(look.HaloReach) / 2, halo: 0.5 * look.HatchStrength}
	long, slant := distance(upper[0], upper[1]), distance(upper[0], lower[0])
	step := max(6, c.px(14))
	if long < 1 || long > farthest {
		return
	}
	for s := -slant; s < long; s += step {
		// From the lower edge at s to the upper one at s+slant, cut to the stretch.
		from, to := max(0, -s/slant), min(1, (long-s)/slant)
		if from >= to {
			continue
		}
		at := func(t float64) measure.Point {
			x := (s + t*slant) / long
			return between(between(lower[0], lower[1], x), between(upper[0], upper[1], x), t)
		}
		c.onLit.stroke([]measure.Point{at(from), at(to)}, p)
	}
}

// bracket is the mark of a gap or an obscured stretch: a line along each edge,
// outside the wood, its ends turned to the wood.
type bracket struct {
	sides [2][]measure.Point
	kind  string
	gap   bool
}

func (c *canvas) brackets(f *figure) []bracket {
	var out []bracket
	add := func(s measure.Stretch, gap bool) {
		off := max(3, c.px(look.StopLength))
		upper, lower, ok := f.edges(s, c.to, off)
		if !ok {
			return
		}
		b := bracket{kind: s.Kind, gap: gap}
		for k, e := range [2][2]measure.Point{upper, lower} {
			in := toward(upper[0], lower[0])
			if k == 1 {
				in = measure.Point{-in[0], -in[1]}
			}
			e = widened(e, max(6, c.px(9)), f.direction(e[0]))
			b.sides[k] = []measure.Point{move(e[0], in, off*0.8), e[0], e[1], move(e[1], in, off*0.8)}
		}
		out = append(out, b)
	}
	for _, s := range f.core.Gaps {
		add(s, true)
	}
	for _, s := range f.core.Obscured {
		add(s, false)
	}
	return out
}

// widened returns a stretch of at least so many px, about its middle.
func widened(e [2]measure.Point, least float64, along measure.Point) [2]measure.Point {
	if distance(e[0], e[1]) >= least {
		return e
	}
	mid := between(e[0], e[1], 0.5)
	return [2]measure.Point{move(mid, along, -least/2), move(mid, along, least/2)}
}

func (c *canvas) drawBracket(b bracket) {
	for _, side := range b.sides {
		p := c.markPen()
		if !b.gap {
			side, p = side[1:3], c.doubtDash(p, side[1:3])
		}
		c.beside(between(side[0], side[len(side)-1], 0.5)).stroke(side, p)
		if b.kind == measure.Lost {
			c.crossLost(side)
		}
	}
}

// crossLost marks a gap where wood is missing: its bracket carries a cross.
func (c *canvas) crossLost(side []measure.Point) {
	mid, r := c.crossAt(side)
	l := c.beside(mid)
	for _, turn := range [2]float64{1, -1} {
		l.stroke([]measure.Point{{mid[0] - r, mid[1] - turn*r}, {mid[0] + r, mid[1] + turn*r}}, c.markPen())
	}
}

// crossAt returns the middle and the half side of a bracket's cross.
func (c *canvas) crossAt(side []measure.Point) (measure.Point, float64) {
	r := max(3, c.px(5))
	away := toward(side[0], side[1]) // from the wood
	return move(between(side[1], side[2], 0.5), away, r+max(2, c.px(4))), r
}

// bounds returns the rectangles that a bracket and its crosses take.
func (c *canvas) bounds(b bracket) []image.Rectangle {
	var out []image.Rectangle
	for _, side := range b.sides {
		out = append(out, around(side, 1))
		if b.kind == measure.Lost {
			mid, r := c.crossAt(side)
			out = append(out, around([]measure.Point{mid}, r+1))
		}
	}
	return out
}

// notches returns the triangles of a person's decisions, outside the wood,
// pointing at their boundaries.
func (c *canvas) notches(f *figure) [][]measure.Point {
	var out [][]measure.Point
	for _, b := range f.boundaries {
		if !b.person {
			continue
		}
		end, u := f.edge(b)
		v := measure.Point{-u[1], u[0]}
		side := max(5, min(c.px(look.NotchSize), max(1.3*b.spacing, 5)))
		tip := move(end, u, max(1.5, c.px(2.5)))
		back := move(tip, u, side)
		out = append(out, []measure.Point{tip, move(back, v, side*0.5), move(back, v, -side*0.5)})
	}
	return out
}

// around returns the rectangle of px round some points.
func around(points []measure.Point, more float64) image.Rectangle {
	x0, y0, x1, y1 := box(points)
	return image.Rect(int(x0-more), int(y0-more), int(math.Ceil(x1+more)), int(math.Ceil(y1+more)))
}
