package grade

import (
	"math"
	"slices"

	"pithward/measure"
	"pithward/measure/match"
)

// ground turns places on the scan into lengths on the key's axis.
type ground struct {
	key     *Places
	mm      [2]float64 // per px; 1, 1 without a scale
	px      float64    // the size of a pixel in these lengths
	radius  *measure.Radius
	lines   [][]measure.Point // the course of each of the key's boundaries, in lengths
	at      []float64         // where each crosses the radius
	opening []measure.Stretch
}

func newGround(key *Places) *ground {
	g := &ground{key: key, mm: [2]float64{1, 1}, px: 1, radius: measure.NewRadius(key.PathPx, key.MMPerPx)}
	if key.MMPerPx != nil {
		g.mm = *key.MMPerPx
		g.px = math.Sqrt(g.mm[0] * g.mm[1])
	}
	for _, b := range key.Bounds {
		g.at = append(g.at, g.radius.At(b.PointPx))
		g.lines = append(g.lines, g.course(b))
	}
	return g
}

// course is a boundary's line in lengths; without one, a straight line through
// its point, turned by its tilt from the square to the radius.
func (g *ground) course(b Bound) []measure.Point {
	if len(b.LinePx) >= 2 {
		out := make([]measure.Point, len(b.LinePx))
		for i, p := range b.LinePx {
			out[i] = measure.Point{p[0] * g.mm[0], p[1] * g.mm[1]}
		}
		return out
	}
	at := g.radius.At(b.PointPx)
	step := max(g.px, g.radius.Length()/500)
	from, to := g.radius.Point(max(0, at-step)), g.radius.Point(min(g.radius.Length(), at+step))
	d := math.Atan2((to[1]-from[1])*g.mm[1], (to[0]-from[0])*g.mm[0]) + math.Pi/2 - b.TiltDeg*math.Pi/180 // y down: anticlockwise is negative
	sin, cos := math.Sincos(d)
	x, y := b.PointPx[0]*g.mm[0], b.PointPx[1]*g.mm[1]
	return []measure.Point{{x - cos, y - sin}, {x + cos, y + sin}}
}

// square is the distance of a place from a boundary of the key, square to its
// course, positive on the pith's side.
func (g *ground) square(p measure.Point, j int) float64 {
	q := measure.Point{p[0] * g.mm[0], p[1] * g.mm[1]}
	line := g.lines[j]
	nearest, side := math.Inf(1), 1.0
	last := len(line) - 2
	for i := 0; i <= last; i++ {
		a, b := line[i], line[i+1]
		dx, dy := b[0]-a[0], b[1]-a[1]
		l2 := dx*dx + dy*dy
		if l2 == 0 {
			continue
		}
		t := ((q[0]-a[0])*dx + (q[1]-a[1])*dy) / l2
		if i > 0 {
			t = max(t, 0)
		}
		if i < last {
			t = min(t, 1)
		}
		if d := math.Hypot(q[0]-a[0]-t*dx, q[1]-a[1]-t*dy); d < nearest {
			nearest, side = d, dx*(q[1]-a[1])-dy*(q[0]-a[0])
		}
	}
	if side*g.inward(line, j) < 0 {
		return -nearest
	}
	return nearest
}

// inward is the sign that side has on the pith's side of a line.
func (g *ground) inward(line []measure.Point, j int) float64 {
	step := max(g.px, g.radius.Length()/500)
	from, to := g.radius.Point(max(0, g.at[j]-step)), g.radius.Point(min(g.radius.Length(), g.at[j]+step))
	u := measure.Point{(to[0] - from[0]) * g.mm[0], (to[1] - from[1]) * g.mm[1]}
	a, b := line[0], line[len(line)-1]
	return (b[0]-a[0])*u[1] - (b[1]-a[1])*u[0]
}

// on tells which share of the student's boundaries lie on the key's core.
func (g *ground) on(bounds []Bound) float64 {
	if len(bounds) == 0 {
		return 0
	}
	reach := max(g.key.BreadthPx*0.75, 60)
	n := 0
	for _, b := range bounds {
		q := g.radius.Nearest(b.PointPx)
		if math.Hypot(q[0]-b.PointPx[0], q[1]-b.PointPx[1]) <= reach {
			n++
		}
	}
	return float64(n) / float64(len(bounds))
}

// inwards tells whether boundaries run from bark to pith along the key's radius.
func (g *ground) inwards(bounds []Bound) bool {
	up := 0
	for i := 1; i < len(bounds); i++ {
		if g.radius.At(bounds[i].PointPx) >= g.radius.At(bounds[i-1].PointPx) {
			up++
		} else {
			up--
		}
	}
	return up >= 0
}

// tolerances returns how far from each of the key's boundaries the same
// boundary may be set.
func (g *ground) tolerances(rule Tolerance) []float64 {
	out := make([]float64, len(g.at))
	for j := range out {
		out[j] = rule.of(g.px, narrower(g.at, j), g.key.MMPerPx != nil)
	}
	return out
}

// compare matches the student's boundaries with the key's: of all ways to pair
// them one to one within the tolerance, the one with most pairs and, among
// these, the least distance.
func (g *ground) compare(student []Bound, rule Tolerance) comparison {
	c := comparison{key: g.at, by: "places", sure: 1}
	tolerance := g.tolerances(rule)
	at := make([]float64, len(student))
	for i, b := range student {
		at[i] = g.radius.At(b.PointPx)
	}
	square := func(i, j int) float64 {
		if abs(at[i]-g.at[j]) > g.farthest() {
			return math.Inf(1)
		}
		return g.square(student[i].PointPx, j)
	}
	c.partner = match.InOrder(len(student), len(g.at), func(i, j int) float64 {
		d := abs(square(i, j))
		if d > tolerance[j] {
			return 0
		}
		return float64(len(student)+1) - d/max(tolerance[j], 1e-9)
	})
	c.student = make([]float64, len(student))
	for i := range student {
		c.student[i] = g.onAxis(student[i].PointPx, at[i], c.partner[i])
	}
	for i := 1; i < len(c.student); i++ { // another radius may cross slanting rings at odd places
		c.student[i] = max(c.student[i], c.student[i-1])
	}
	c.meant(tolerance, pairUp)
	for i, j := range c.displaced {
		if j >= 0 {
			c.student[i] = g.at[j] + g.square(student[i].PointPx, j)
		}
	}
	c.keySure, c.studentSure = ones(len(c.key)), ones(len(c.student))
	return c
}

// farthest is how far along the radius a boundary on another radius may lie:
// the core's breadth, and some more.
func (g *ground) farthest() float64 { return max(g.key.BreadthPx, 100) * g.px * 1.5 }

// onAxis is where a student's place belongs on the key's radius: as far from the
// nearest boundary of the key as it is, square to it.
func (g *ground) onAxis(p measure.Point, at float64, partner int) float64 {
	if partner >= 0 {
		return g.at[partner] + g.square(p, partner)
	}
	best, place := math.Inf(1), at
	i, _ := slices.BinarySearch(g.at, at)
	for j := max(0, i-8); j < min(len(g.at), i+8); j++ {
		if d := g.square(p, j); abs(d) < best {
			best, place = abs(d), g.at[j]+d
		}
	}
	return place
}

func ones(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = 1
	}
	return v
}
