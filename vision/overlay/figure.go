package overlay

import (
	"cmp"
	"math"
	"slices"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

// figure is one core in px of the picture, all places mapped and impossible
// ones left out.
type figure struct {
	core       measure.Core
	outline    []measure.Point
	path       []measure.Point // from bark to pith
	boundaries []course
	candidates []course
	upright    bool
	flip       bool    // the bark end is at the right, or at the bottom
	breadth    float64 // typical, across the core
}

// course is a boundary or a candidate on the picture.
type course struct {
	at          measure.Point
	line        []measure.Point // from the upper (left) edge to the lower (right) one
	probability float64
	person      bool
	spacing     float64 // px to the nearer neighbour, square to the layers
	crowd       float64 // the same, the middle of a few neighbours
}

// newFigure maps a core to the picture.
func newFigure(core measure.Core, to func(measure.Point) measure.Point) *figure {
	f := &figure{core: core, outline: mapped(core.OutlinePx, to), path: mapped(core.PathPx, to)}
	all := append(slices.Clone(f.outline), f.path...)
	x0, y0, x1, y1 := box(all)
	f.upright = y1-y0 > x1-x0
	f.flip = f.atFarEnd()
	f.breadth = f.typicalBreadth()
	for _, b := range core.Boundaries {
		c := course{at: to(b.PointPx), line: mapped(b.LinePx, to), probability: b.Probability, person: b.Source == "person"}
		if !sanePoint(c.at) {
			if len(c.line) == 0 {
				continue
			}
			c.at = c.line[len(c.line)/2]
		}
		if length(c.line) < 1 {
			c.line = f.straight(c.at, b.TiltDeg, 1)
		}
		f.boundaries = append(f.boundaries, f.ordered(c))
	}
	for _, k := range core.Candidates {
		if at := to(k.PointPx); sanePoint(at) && k.Probability >= look.Notable {
			c := course{at: at, line: f.straight(at, k.TiltDeg, 0.8), probability: k.Probability}
			f.candidates = append(f.candidates, f.ordered(c))
		}
	}
	f.space()
	return f
}

func mapped(line []measure.Point, to func(measure.Point) measure.Point) []measure.Point {
	out := make([]measure.Point, 0, len(line))
	for _, p := range line {
		if q := to(p); sanePoint(q) {
			out = append(out, q)
		}
	}
	return out
}

// ordered turns a course so that it starts at the upper edge of a lying core,
// at the left edge of a standing one.
func (f *figure) ordered(c course) course {
	axis := 1
	if f.upright {
		axis = 0
	}
	if n := len(c.line); n > 1 && c.line[0][axis] > c.line[n-1][axis] {
		slices.Reverse(c.line)
	}
	return c
}

// atFarEnd tells whether the bark is at the right or at the bottom.
func (f *figure) atFarEnd() bool {
	if n := len(f.path); n > 1 {
		if f.upright {
			return f.path[0][1] > f.path[n-1][1]
		}
		return f.path[0][0] > f.path[n-1][0]
	}
	end := f.core.BarkEnd
	return end != nil && (*end == measure.Right || *end == measure.Bottom)
}

// tips returns the middle of the core's two ends, bark included: the bark end
// first.
func (f *figure) tips() (bark, pith measure.Point, ok bool) {
	if len(f.outline) == 0 && len(f.path) == 0 {
		return bark, pith, false
	}
	if n := len(f.path); n > 1 {
		a, _, okA := f.chord(f.path[0], toward(f.path[min(3, n-1)], f.path[0]))
		b, _, okB := f.chord(f.path[n-1], toward(f.path[max(0, n-4)], f.path[n-1]))
		if okA && okB {
			return a, b, true
		}
		return f.path[0], f.path[n-1], true
	}
	x0, y0, x1, y1 := box(append(slices.Clone(f.outline), f.path...))
	bark, pith = measure.Point{x0, (y0 + y1) / 2}, measure.Point{x1, (y0 + y1) / 2}
	if f.upright {
		bark, pith = measure.Point{(x0 + x1) / 2, y0}, measure.Point{(x0 + x1) / 2, y1}
	}
	if f.flip {
		bark, pith = pith, bark
	}
	return bark, pith, true
}

// toward returns the unit vector from a to b; of equal points, none.
func toward(a, b measure.Point) measure.Point {
	h := distance(a, b)
	if h == 0 {
		return measure.Point{}
	}
	return measure.Point{(b[0] - a[0]) / h, (b[1] - a[1]) / h}
}

func move(p, dir measure.Point, by float64) measure.Point {
	return measure.Point{p[0] + by*dir[0], p[1] + by*dir[1]}
}

// chord returns where a line through p leaves the outline: ahead, along dir,
// and behind. It is not ok where the outline is not on both sides.
func (f *figure) chord(p, dir measure.Point) (ahead, behind measure.Point, ok bool) {
	near, far := math.Inf(-1), math.Inf(1)
	for i, a := range f.outline {
		b := f.outline[(i+1)%len(f.outline)]
		ex, ey := b[0]-a[0], b[1]-a[1]
		cross := dir[0]*ey - dir[1]*ex
		if cross == 0 {
			continue
		}
		if s := ((a[0]-p[0])*dir[1] - (a[1]-p[1])*dir[0]) / cross; s < 0 || s > 1 {
			continue
		}
		t := ((a[0]-p[0])*ey - (a[1]-p[1])*ex) / cross
		if t >= 0 {
			far = min(far, t)
		} else {
			near = max(near, t)
		}
	}
	if math.IsInf(near, 0) || math.IsInf(far, 0) {
		return p, p, false
	}
	return move(p, dir, far), move(p, dir, near), true
}

// direction returns the unit vector of the path, bark to pith, near a point.
func (f *figure) direction(p measure.Point) measure.Point {
	dir := measure.Point{1, 0}
	if f.upright {
		dir = measure.Point{0, 1}
	}
	if f.flip {
		dir = measure.Point{-dir[0], -dir[1]}
	}
	best := math.Inf(1) // distance squared
	at := 0
	for i := 1; i < len(f.path); i++ {
		a, b := f.path[i-1], f.path[i]
		ux, uy := b[0]-a[0], b[1]-a[1]
		square := ux*ux + uy*uy
		if square == 0 {
			continue
		}
		t := max(0, min(1, ((p[0]-a[0])*ux+(p[1]-a[1])*uy)/square))
		ex, ey := p[0]-a[0]-t*ux, p[1]-a[1]-t*uy
		if d := ex*ex + ey*ey; d < best {
			best, at = d, i
		}
	}
	if at > 0 {
		dir = toward(f.path[at-1], f.path[at])
	}
	return dir
}

// across returns the unit vector along a layer at p: the normal of the path,
// turned by the tilt (degrees, anticlockwise as displayed).
func (f *figure) across(p measure.Point, tiltDeg float64) measure.Point {
	if math.IsNaN(tiltDeg) || math.Abs(tiltDeg) > 89 {
		tiltDeg = 0
	}
	u := f.direction(p)
	n := measure.Point{-u[1], u[0]}
	sin, cos := math.Sincos(tiltDeg * math.Pi / 180)
	return measure.Point{n[0]*cos + n[1]*sin, n[1]*cos - n[0]*sin}
}

// straight returns a line along a layer at p, over the given part of the
// breadth.
func (f *figure) straight(p measure.Point, tiltDeg, share float64) []measure.Point {
	dir := f.across(p, tiltDeg)
	a, b, ok := f.chord(p, dir)
	if !ok || distance(a, b) > 3*f.breadth {
		a, b = move(p, dir, f.breadth/2), move(p, dir, -f.breadth/2)
	}
	return []measure.Point{between(p, a, share), between(p, b, share)}
}

// typicalBreadth is the median of the core's breadth along the path; without
// an outline, of the boundaries' lengths.
func (f *figure) typicalBreadth() float64 {
	var all []float64
	for i := 1; i < len(f.path); i++ {
		mid := between(f.path[i-1], f.path[i], 0.5)
		if a, b, ok := f.chord(mid, f.across(mid, 0)); ok {
			all = append(all, distance(a, b))
		}
	}
	if len(all) == 0 {
		x0, y0, x1, y1 := box(f.outline)
		if len(f.outline) == 0 {
			return 40 // nothing is known: enough to be seen
		}
		return min(x1-x0, y1-y0)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// space finds how close the boundaries stand.
func (f *figure) space() {
	n := len(f.boundaries)
	for i := range f.boundaries {
		b := &f.boundaries[i]
		b.spacing = math.Inf(1)
		for _, k := range []int{i - 1, i + 1} {
			if k >= 0 && k < n {
				b.spacing = min(b.spacing, apart(*b, f.boundaries[k]))
			}
		}
	}
	for i := range f.boundaries {
		var near []float64
		for k := max(0, i-8); k <= min(n-1, i+8); k++ {
			near = append(near, f.boundaries[k].spacing)
		}
		slices.Sort(near)
		f.boundaries[i].crowd = near[len(near)/2]
	}
	for i := range f.candidates {
		c := &f.candidates[i]
		c.spacing = math.Inf(1)
		for _, b := range f.boundaries {
			c.spacing = min(c.spacing, apart(*c, b))
		}
		c.crowd = c.spacing
	}
}

// apart returns the distance of two courses square to the first.
func apart(a, b course) float64 {
	if len(a.line) < 2 {
		return distance(a.at, b.at)
	}
	u := toward(a.line[0], a.line[len(a.line)-1])
	return math.Abs((b.at[0]-a.at[0])*u[1] - (b.at[1]-a.at[1])*u[0])
}

// edge returns where a boundary meets the core's upper (left) edge, and the
// unit vector along it there, out of the core.
func (f *figure) edge(b course) (measure.Point, measure.Point) {
	end, u := b.line[0], toward(b.line[min(1, len(b.line)-1)], b.line[0])
	if u == (measure.Point{}) {
		u = f.ordered(course{line: f.straight(b.at, 0, 1)}).outward()
	}
	if at, _, ok := f.chord(end, u); ok && distance(end, at) < f.breadth/4 {
		end = at
	}
	return end, u
}

// reversed returns a course that starts at the other edge.
func (c course) reversed() course {
	c.line = slices.Clone(c.line)
	slices.Reverse(c.line)
	return c
}

// outward returns the unit vector from a course's last point to its first.
func (c course) outward() measure.Point { return toward(c.line[len(c.line)-1], c.line[0]) }

// pathPieces returns the path without its parts in gaps.
func (f *figure) pathPieces(to func(measure.Point) measure.Point) [][]measure.Point {
	if len(f.path) < 2 {
		return nil
	}
	var open [][2]float64
	for _, g := range f.core.Gaps {
		a, b := to(g.FromPx), to(g.ToPx)
		if sanePoint(a) && sanePoint(b) {
			open = append(open, [2]float64{along(f.path, a), along(f.path, b)})
		}
	}
	slices.SortFunc(open, func(a, b [2]float64) int { return cmp.Compare(a[0], b[0]) })
	var out [][]measure.Point
	at, end := 0.0, length(f.path)
	for _, g := range open {
		if g[0] > at {
			out = append(out, part(f.path, at, g[0]))
		}
		at = max(at, g[1])
	}
	if at < end {
		out = append(out, part(f.path, at, end))
	}
	return out
}

// along returns the length along a line of the place nearest to p.
func along(line []measure.Point, p measure.Point) float64 {
	var s, at float64
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		h := distance(a, b)
		if h == 0 {
			continue
		}
		u := toward(a, b)
		t := max(0, min(h, (p[0]-a[0])*u[0]+(p[1]-a[1])*u[1]))
		if d := distance(p, move(a, u, t)); d < best {
			best, at = d, s+t
		}
		s += h
	}
	return at
}

// area says where the wood lies, for keeping text off it.
func (f *figure) area() woodArea {
	a := woodArea{outline: f.outline, lines: [][]measure.Point{f.path}}
	for _, b := range f.boundaries {
		a.lines = append(a.lines, b.line)
	}
	return a
}
