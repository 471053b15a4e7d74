package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Nearest returns the point of the path nearest to p, by the scale.
func (r *Radius) Nearest(p Point) Point { return r.Point(r.At(p)) }

// Point returns the point of the path at a length along it; beyond its ends,
// the end.
func (r *Radius) Point(at float64) Point {
	for i := 1; i < len(r.Path); i++ {
		if at > r.along[i] && i+1 < len(r.Path) {
			continue
		}
		a, b, span := r.Path[i-1], r.Path[i], r.along[i]-r.along[i-1]
		f := 0.0
		if span > 0 {
			f = math.Max(0, math.Min(1, (at-r.along[i-1])/span))
		}
		return Point{a[0] + f*(b[0]-a[0]), a[1] + f*(b[1]-a[1])}
	}
	return slices.Concat(r.Path, []Point{{}})[0]
}

// heading returns the unit direction, in px, of the path at a length along it.
func (r *Radius) heading(at float64) Point {
	for i := 1; i < len(r.Path); i++ {
		dx, dy := r.Path[i][0]-r.Path[i-1][0], r.Path[i][1]-r.Path[i-1][1]
		if l := math.Hypot(dx, dy); l > 0 && (at <= r.along[i] || i+1 == len(r.Path)) {
			return Point{dx / l, dy / l}
		}
	}
	return Point{1, 0}
}

// crosses tells whether a boundary's course, or its straight continuation to
// either side, crosses the path.
func (r *Radius) crosses(line []Point) bool {
	_, _, ok := r.crossing(line)
	return ok
}

// meeting returns where a boundary's course crosses the path, and its tilt
// there in degrees.
func (r *Radius) meeting(line []Point) (Point, float64) {
	p, tilt, _ := r.crossing(line)
	return p, tilt
}

func (r *Radius) crossing(line []Point) (Point, float64, bool) {
	if n := len(line); n >= 2 {
		line = slices.Concat([]Point{beyond(line[1], line[0])}, line, []Point{beyond(line[n-2], line[n-1])})
	}
	for i := 1; i < len(line); i++ {
		for j := 1; j < len(r.Path); j++ {
			if q, ok := meet(line[i-1], line[i], r.Path[j-1], r.Path[j]); ok {
				return q, tiltOf(Point{r.Path[j][0] - r.Path[j-1][0], r.Path[j][1] - r.Path[j-1][1]},
					Point{line[i][0] - line[i-1][0], line[i][1] - line[i-1][1]}), true
			}
		}
	}
	return Point{}, 0, false
}

// beyond returns a point so far behind b as seen from a that a course drawn to
// it reaches any radius within a few breadths of the core.
func beyond(a, b Point) Point {
	const far = 4
	return Point{b[0] + far*(b[0]-a[0]), b[1] + far*(b[1]-a[1])}
}

// meet returns where the stretches a-b and c-d cross.
func meet(a, b, c, d Point) (Point, bool) {
	rx, ry, sx, sy := b[0]-a[0], b[1]-a[1], d[0]-c[0], d[1]-c[1]
	den := rx*sy - ry*sx
	if den == 0 {
		return Point{}, false
	}
	t := ((c[0]-a[0])*sy - (c[1]-a[1])*sx) / den
	u := ((c[0]-a[0])*ry - (c[1]-a[1])*rx) / den
	return Point{a[0] + t*rx, a[1] + t*ry}, t >= 0 && t <= 1 && u >= 0 && u <= 1
}

// tiltOf returns the angle from the normal of a path's direction to a course,
// within (-90, 90), positive anticlockwise as displayed.
func tiltOf(along, course Point) float64 {
	normal := Point{-along[1], along[0]}
	dot := normal[0]*course[0] + normal[1]*course[1]
	cross := normal[0]*course[1] - normal[1]*course[0] // positive clockwise as displayed, y down
	if dot < 0 {
		dot, cross = -dot, -cross
	}
	return math.Max(-89.9, math.Min(89.9, -math.Atan2(cross, dot)*180/math.Pi))
}

// tiltAt returns the tilt a boundary at p is likely to have, in degrees: that
// of its neighbours among boundaries and candidates, by distance; 0 without any.
func (c *editing) tiltAt(p Point) float64 {
	radius := NewRadius(c.PathPx, nil)
	at := radius.At(p)
	type lean struct{ away, tilt float64 }
	before, after := lean{math.Inf(1), 0}, lean{math.Inf(1), 0}
	see := func(q Point, tilt float64) {
		if d := radius.At(q) - at; d <= 0 && -d < before.away {
			before = lean{-d, tilt}
		} else if d > 0 && d < after.away {
			after = lean{d, tilt}
		}
	}
	for _, b := range c.Boundaries {
		see(b.PointPx, b.TiltDeg)
	}
	for _, x := range c.Candidates {
		see(x.PointPx, x.TiltDeg)
	}
	switch {
	case math.IsInf(after.away, 1):
		return before.tilt
	case math.IsInf(before.away, 1):
		return after.tilt
	}
	return (before.tilt*after.away + after.tilt*before.away) / (before.away + after.away)
}

// Course returns the straight course across the core of a boundary at p that leans
// by tiltDeg: three places, px.
func (c *Core) Course(p Point, tiltDeg float64) []Point {
	d := NewRadius(c.PathPx, nil)
	h := d.heading(d.At(p))
	half := c.Breadth() / 2
	sin, cos := math.Sincos(tiltDeg * math.Pi / 180)
	n := Point{-h[1], h[0]}
	x, y := (n[0]*cos+n[1]*sin)*half/cos, (-n[0]*sin+n[1]*cos)*half/cos
	return []Point{{p[0] - x, p[1] - y}, p, {p[0] + x, p[1] + y}}
}

// defaultBreadthPx is taken for the breadth of a core that nothing is known
// of: chosen.
const defaultBreadthPx = 120

// Breadth returns the core's breadth in px: twice the median distance of its
// outline from its path.
func (c *Core) Breadth() float64 {
	radius := NewRadius(c.PathPx, nil)
	var d []float64
	for _, p := range c.OutlinePx {
		q := radius.Nearest(p)
		d = append(d, math.Hypot(p[0]-q[0], p[1]-q[1]))
	}
	if len(d) == 0 {
		return defaultBreadthPx
	}
	return 2 * medianOf(d)
}

// split parts a core: the outer part keeps its uid and what is known from the
// field, the inner part becomes a core of its own, undated.
func (b *bench) split(c *editing, e Event) string {
	if e.PointPx == nil || len(c.PathPx) < 2 {
		return "no place is given, or the core has no radius"
	}
	radius := NewRadius(c.PathPx, nil)
	at := radius.At(*e.PointPx)
	p := radius.Point(at)
	if at <= 0 || at >= radius.Length() {
		return "the place is at an end of the core"
	}
	inner := newEditing(c.Core)
	inner.UID, inner.ID = e.UUID, c.ID+"-inner"
	inner.gaps, inner.obscured, inner.absent = slices.Clone(c.gaps), slices.Clone(c.obscured), slices.Clone(c.absent)
	f := Field{}
	if c.Field != nil {
		f = *c.Field
	}
	f.Sampled, f.OuterYear, f.Bark, f.OuterRing = "", nil, nil, ""
	inner.Field, inner.BarkPresent, inner.touched, inner.moved = &f, false, true, true
	inner.ExpectedCount, inner.CountSD = nil, nil
	inner.state.Stage, inner.state.Pieces = Begun, c.state.Pieces
	h := radius.heading(at)
	inner.keep(func(q Point) bool { return radius.At(q) > at }, p, h)
	inner.PathPx = slices.Concat([]Point{p}, inner.PathPx)

	c.PithPresent, c.moved, c.ExpectedCount, c.CountSD = false, true, nil, nil
	c.keep(func(q Point) bool { return radius.At(q) < at }, p, Point{-h[0], -h[1]})
	c.PathPx = append(c.PathPx, p)
	i := slices.Index(b.cores, c)
	b.cores = slices.Insert(b.cores, i+1, inner)
	return ""
}

// keep leaves of a core what lies on one side: places by their length along
// the path, the outline cut at p, square to the path, on the side that h points to.
func (c *editing) keep(on func(Point) bool, p, h Point) {
	c.PathPx = only(c.PathPx, on)
	c.Boundaries = only(c.Boundaries, func(b Boundary) bool { return on(b.PointPx) })
	c.Candidates = only(c.Candidates, func(x Candidate) bool { return on(x.PointPx) })
	part := func(x Part) bool { return on(x.FromPx) && on(x.ToPx) }
	c.gaps, c.obscured, c.absent = only(c.gaps, part), only(c.obscured, part), only(c.absent, part)
	c.Doubts = nil
	c.OutlinePx = cut(c.OutlinePx, p, h)
	c.keepPieces(on, p, h)
}

// keepPieces leaves the pieces that lie on one side, cutting the one that lies on
// both; a last one is the core's outline.
func (c *editing) keepPieces(on func(Point) bool, p, h Point) {
	var kept [][]Point
	for _, piece := range c.state.Pieces {
		switch side := only(piece, on); len(side) {
		case 0:
		case len(piece):
			kept = append(kept, piece)
		default:
			kept = append(kept, cut(piece, p, h))
		}
	}
	if c.state.Pieces = kept; len(kept) == 1 {
		c.OutlinePx, c.state.Pieces = kept[0], nil
	}
}

// pieces are the outlines of a core's pieces: one unless it was joined.
func (c *editing) pieces() [][]Point {
	if len(c.state.Pieces) > 0 {
		return c.state.Pieces
	}
	return [][]Point{c.OutlinePx}
}

func only[T any](list []T, keep func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(list), func(x T) bool { return !keep(x) })
}

// cut returns the part of a polygon on the side of p that h points to
// (Sutherland and Hodgman 1974, one edge).
func cut(polygon []Point, p, h Point) []Point {
	side := func(q Point) float64 { return (q[0]-p[0])*h[0] + (q[1]-p[1])*h[1] }
	var out []Point
	for i, q := range polygon {
		last := polygon[(i+len(polygon)-1)%len(polygon)]
		if a, b := side(last), side(q); a*b < 0 {
			f := a / (a - b)
			out = append(out, Point{last[0] + f*(q[0]-last[0]), last[1] + f*(q[1]-last[1])})
		}
		if side(q) >= 0 {
			out = append(out, q)
		}
	}
	return out
}

// join has a core go on, inward, in another: between them is a gap.
func (b *bench) join(c *editing, e Event) string {
	inner := b.find(e.Target)
	if inner == nil || inner == c {
		return fmt.Sprintf("there is no other core %q to join with", e.Target)
	}
	if len(c.PathPx) < 2 || len(inner.PathPx) < 2 {
		return "a core without a radius cannot be joined: draw one"
	}
	word := Break
	if e.Detail != nil && e.Detail.Word != "" {
		word = e.Detail.Word
	}
	if !slices.Contains(StretchKinds(Gap), word) {
		return fmt.Sprintf("%q is no kind of gap", word)
	}
	gap := Part{Target: e.UUID, Kind: word, FromPx: c.PathPx[len(c.PathPx)-1], ToPx: inner.PathPx[0]}
	c.gaps = slices.Concat(c.gaps, []Part{gap}, renamed(inner, inner.gaps))
	c.obscured = slices.Concat(c.obscured, renamed(inner, inner.obscured))
	c.absent = slices.Concat(c.absent, renamed(inner, inner.absent))
	c.PathPx = slices.Concat(c.PathPx, inner.PathPx)
	c.state.Pieces = slices.Concat(c.pieces(), inner.pieces())
	c.OutlinePx = hull(slices.Concat(c.OutlinePx, inner.OutlinePx))
	for _, x := range inner.Boundaries {
		x.ID = inner.UID + ":" + x.ID
		c.Boundaries = append(c.Boundaries, x)
	}
	for _, x := range inner.Candidates {
		x.ID = inner.UID + ":" + x.ID
		c.Candidates = append(c.Candidates, x)
	}
	c.PithPresent, c.moved = inner.PithPresent, true
	c.ExpectedCount, c.CountSD = nil, nil
	b.cores = slices.DeleteFunc(b.cores, func(x *editing) bool { return x == inner })
	return ""
}

// renamed gives the parts of a core names that stay unique in another.
func renamed(of *editing, parts []Part) []Part {
	var out []Part
	for _, p := range parts {
		p.Target = of.UID + ":" + p.Target
		if p.after != "" {
			p.after = of.UID + ":" + p.after
		}
		out = append(out, p)
	}
	return out
}

// hull returns the convex hull of points (Andrew 1979, Inf. Process. Lett. 9).
func hull(points []Point) []Point {
	p := slices.Clone(points)
	slices.SortFunc(p, func(a, b Point) int { return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1])) })
	chain := func(p []Point) []Point {
		var h []Point
		for _, q := range p {
			for len(h) > 1 && (h[len(h)-1][0]-h[len(h)-2][0])*(q[1]-h[len(h)-2][1])-(h[len(h)-1][1]-h[len(h)-2][1])*(q[0]-h[len(h)-2][0]) <= 0 {
				h = h[:len(h)-1]
			}
			h = append(h, q)
		}
		return h[:max(0, len(h)-1)]
	}
	lower := chain(p)
	slices.Reverse(p)
	return append(lower, chain(p)...)
}

// addCore adds a core that the observer has drawn the radius of, or takes up the
// second radius of another.
func (b *bench) addCore(e Event) string {
	if e.Target != "" {
		return b.addSecond(e)
	}
	d := e.Detail
	if d == nil || len(d.PathPx) < 2 || !(NewRadius(d.PathPx, nil).Length() > 0) {
		return "a core needs a radius of two places that differ"
	}
	wood, given, end := Wood(d.Word), "given", endOf(d.PathPx)
	if !slices.Contains([]Wood{Conifer, RingPorous, DiffusePorous}, wood) {
		return fmt.Sprintf("%q is no kind of wood: want conifer, ring-porous or diffuse-porous", d.Word)
	}
	c := newEditing(Core{UID: e.UUID, ID: fmt.Sprintf("%s-%d", Stem(b.m.Scan.File), len(b.cores)+1), PathPx: d.PathPx,
		Wood: &wood, WoodSource: &given, WoodProbability: floatPtr(1), BarkEnd: &end, BarkEndProbability: floatPtr(1)})
	half := defaultBreadthPx / 2.0
	if len(b.cores) > 0 {
		half = b.cores[0].Breadth() / 2
	}
	c.OutlinePx = alongside(d.PathPx, half)
	c.touched, c.moved, c.state.Blank, c.state.Stage = true, true, true, Begun
	b.cores = append(b.cores, c)
	return ""
}

// addSecond makes the second radius of a core, as it was read beyond the pith, a
// core of its own: of the same tree, undated, as its outer end is a cut.
func (b *bench) addSecond(e Event) string {
	first := b.find(e.Target)
	if first == nil || first.SecondRadius == nil {
		return fmt.Sprintf("no core %q with a second radius is there", e.Target)
	}
	s, end := first.SecondRadius, endOf(first.SecondRadius.PathPx)
	f := Field{}
	if first.Field != nil {
		f = Field{Tree: first.Field.Tree, Site: first.Field.Site, Species: first.Field.Species, Hemisphere: first.Field.Hemisphere, BorerMM: first.Field.BorerMM}
	}
	n := len(s.Boundaries)
	c := newEditing(Core{UID: e.UUID, ID: first.ID + "-second", PathPx: s.PathPx, OutlinePx: alongside(s.PathPx, first.Breadth()/2), Field: &f,
		Wood: first.Wood, WoodSource: first.WoodSource, WoodProbability: first.WoodProbability, BarkEnd: &end, BarkEndProbability: floatPtr(1),
		PithPresent: n > 0 && s.Boundaries[n-1].Kind == Inner, Boundaries: s.Boundaries, Gaps: s.Gaps, Obscured: s.Obscured,
		ExpectedCount: s.ExpectedCount, CountSD: s.CountSD})
	c.touched, c.moved, c.state.Stage = true, true, Begun
	first.SecondRadius = nil // it is offered no more
	b.cores = append(b.cores, c)
	return ""
}

// alongside returns the outline of a band of the given half breadth round a path.
func alongside(path []Point, half float64) []Point {
	r := NewRadius(path, nil)
	var right, left []Point
	for i, p := range path {
		h := r.heading(r.along[i])
		right = append(right, Point{p[0] - h[1]*half, p[1] + h[0]*half})
		left = append(left, Point{p[0] + h[1]*half, p[1] - h[0]*half})
	}
	slices.Reverse(left)
	return append(right, left...)
}
