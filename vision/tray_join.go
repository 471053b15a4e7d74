package vision

import (
	"math"
	"slices"
	"sort"

	"pithward/measure"
	"pithward/vision/raster"
)

// joinPieces puts the pieces of broken cores together, and gives each core's
// pieces from left (top) to right (bottom).
func joinPieces(pieces []*piece) [][]*piece {
	var cores [][]*piece
	at := map[*stretch]int{}
	for _, p := range pieces {
		i, ok := at[p.of]
		if !ok {
			i = len(cores)
			at[p.of] = i
			cores = append(cores, nil)
		}
		cores[i] = append(cores[i], p)
	}
	for _, c := range cores {
		d := direction(longest(c).axis, 0, longest(c).breadth)
		sort.SliceStable(c, func(i, j int) bool {
			a, b := c[i].axis[0], c[j].axis[0]
			return a[0]*d[0]+a[1]*d[1] < b[0]*d[0]+b[1]*d[1]
		})
	}
	sort.SliceStable(cores, func(i, j int) bool { return longest(cores[i]).length() > longest(cores[j]).length() })
	for joined := true; joined; {
		joined = false
		best, bi, bj := math.Inf(1), -1, -1
		for i := range cores {
			for j := range cores {
				if i != j {
					if gap, ok := continues(cores[i], cores[j]); ok && gap < best {
						best, bi, bj = gap, i, j
					}
				}
			}
		}
		if bi >= 0 {
			cores[bi] = append(cores[bi], cores[bj]...)
			cores = append(cores[:bj], cores[bj+1:]...)
			joined = true
		}
	}
	return cores
}

// The limits within which two pieces are of one core (chosen): gap and offset
// in breadths, the relative difference of breadths, the colour in grey levels.
const (
	maxGap     = 1.6
	maxOver    = 1.6 // that far may both claim the same wood
	maxOffset  = 0.35
	maxThicker = 0.2
	maxColour  = 45
)

// leastGap is the smallest opening between pieces that is one, px.
const leastGap = 2

// continues tells whether core b goes on where core a ends, and the gap
// between them in breadths.
func continues(a, b []*piece) (gap float64, ok bool) {
	p, q := a[len(a)-1], b[0]
	breadth := math.Max(longest(a).breadth, longest(b).breadth)
	if math.Abs(longest(a).breadth-longest(b).breadth) > maxThicker*breadth {
		return 0, false
	}
	end, start := p.axis[len(p.axis)-1], q.axis[0]
	d := direction(p.axis, len(p.axis)-1, breadth)
	e := direction(q.axis, 0, breadth)
	if q.length() < breadth || p.length() >= breadth && p.length() > q.length() {
		e = d // a stub has no direction of its own
	} else if p.length() < breadth {
		d = e
	}
	if d[0]*e[0]+d[1]*e[1] < 0.99 { // 8 degrees
		return 0, false
	}
	x, y := start[0]-end[0], start[1]-end[1]
	along := (x*d[0] + y*d[1]) / breadth
	off := math.Abs(-x*d[1]+y*d[0]) / breadth
	if along < -maxOver || along > maxGap || off > maxOffset {
		return 0, false
	}
	// Heartwood and sapwood differ more than many cores: what faces the gap counts too.
	return along, math.Min(colourStepOf(p.colour, q.colour), colourStepOf(p.atEnds[1], q.atEnds[0])) < maxColour
}

// colourStepOf is how far apart two colours are, in grey levels.
func colourStepOf(a, b [3]float64) float64 {
	sum := 0.0
	for c := range a {
		sum += (a[c] - b[c]) * (a[c] - b[c])
	}
	return math.Sqrt(sum)
}

func longest(pieces []*piece) *piece {
	best := pieces[0]
	for _, p := range pieces {
		if p.length() > best.length() {
			best = p
		}
	}
	return best
}

// direction is the axis's direction near its i-th point, which is an end,
// measured over about two breadths.
func direction(axis []measure.Point, i int, breadth float64) measure.Point {
	step, j := 1, i
	if i > 0 {
		step = -1
	}
	for j+step >= 0 && j+step < len(axis) {
		j += step
		if math.Hypot(axis[j][0]-axis[i][0], axis[j][1]-axis[i][1]) > 2*breadth {
			break
		}
	}
	a, b := axis[min(i, j)], axis[max(i, j)]
	l := math.Max(1e-9, math.Hypot(b[0]-a[0], b[1]-a[1]))
	return measure.Point{(b[0] - a[0]) / l, (b[1] - a[1]) / l}
}

// inLine returns the pieces without what two of them claim: where one begins
// before the other ends, both are cut in the middle of the overlap. The opening
// between them is then found in the wood itself.
func inLine(pieces []*piece) []*piece {
	out := make([]*piece, len(pieces))
	for i, p := range pieces {
		own := *p
		out[i] = &own
	}
	for i := 1; i < len(out); i++ {
		p, q := out[i-1], out[i]
		end, start := p.axis[len(p.axis)-1], q.axis[0]
		d := direction(p.axis, len(p.axis)-1, p.breadth)
		over := -((start[0]-end[0])*d[0] + (start[1]-end[1])*d[1])
		if over <= 0 {
			continue
		}
		p.axis, p.far = p.shortened(over/2, true)
		q.axis, q.near = q.shortened(over/2, false)
	}
	return out
}

// shortened returns the axis without its last (or first) px, and the straight
// end it then has.
func (p *piece) shortened(by float64, last bool) (axis, end []measure.Point) {
	axis = slices.Clone(p.axis)
	if last {
		slices.Reverse(axis)
	}
	for len(axis) > 2 && by > 0 {
		l := distance(axis[0], axis[1])
		if l > by {
			f := by / l
			axis[0] = measure.Point{axis[0][0] + f*(axis[1][0]-axis[0][0]), axis[0][1] + f*(axis[1][1]-axis[0][1])}
			break
		}
		axis, by = axis[1:], by-l
	}
	if last {
		slices.Reverse(axis)
	}
	at, a, b := axis[0], axis[0], axis[1]
	if last {
		at, a, b = axis[len(axis)-1], axis[len(axis)-2], axis[len(axis)-1]
	}
	l := distance(a, b)
	n := measure.Point{-(b[1] - a[1]) / l * p.breadth / 2, (b[0] - a[0]) / l * p.breadth / 2}
	return axis, []measure.Point{{at[0] - n[0], at[1] - n[1]}, {at[0] + n[0], at[1] + n[1]}}
}

// assemble makes one core of its pieces.
func assemble(pieces []*piece) raster.Core {
	pieces = inLine(pieces)
	var k raster.Core
	var upper, lower []measure.Point
	var breadths, weights []float64
	at := 0.0
	for i, p := range pieces {
		if i > 0 {
			gap := distance(k.AxisPx[len(k.AxisPx)-1], p.axis[0])
			if gap > leastGap {
				k.Gaps = append(k.Gaps, raster.GapPx{FromPx: at, ToPx: at + gap, Kind: kindOf(gap / p.breadth)})
			}
			at += gap
		}
		at += p.length()
		k.AxisPx = append(k.AxisPx, p.axis...)
		breadths, weights = append(breadths, p.breadth), append(weights, p.length())
		up, low := p.sides()
		upper, lower = append(upper, up...), append(lower, low...)
	}
	k.BreadthPx = weightedMedian(breadths, weights)
	k.OutlinePx = append(k.OutlinePx, upper...)
	k.OutlinePx = append(k.OutlinePx, inner(pieces[len(pieces)-1].far)...)
	for i := range lower {
		k.OutlinePx = append(k.OutlinePx, lower[len(lower)-1-i])
	}
	near := inner(pieces[0].near)
	for i := range near {
		k.OutlinePx = append(k.OutlinePx, near[len(near)-1-i])
	}
	p, q := k.AxisPx[0], k.AxisPx[len(k.AxisPx)-1]
	k.Upright = math.Abs(q[1]-p[1]) > math.Abs(q[0]-p[0])
	return k
}

// inner leaves out the first and last point.
func inner(p []measure.Point) []measure.Point {
	if len(p) < 3 {
		return nil
	}
	return p[1 : len(p)-1]
}

// sides are the rims between the ends' corners.
func (p *piece) sides() (upper, lower []measure.Point) {
	upper = append(upper, p.near[0])
	lower = append(lower, p.near[len(p.near)-1])
	for i := 1; i+1 < len(p.axis); i++ {
		a, b := p.axis[i-1], p.axis[i+1]
		l := distance(a, b)
		n := measure.Point{-(b[1] - a[1]) / l * p.breadth / 2, (b[0] - a[0]) / l * p.breadth / 2}
		upper = append(upper, measure.Point{p.axis[i][0] - n[0], p.axis[i][1] - n[1]})
		lower = append(lower, measure.Point{p.axis[i][0] + n[0], p.axis[i][1] + n[1]})
	}
	return append(upper, p.far[0]), append(lower, p.far[len(p.far)-1])
}

// kindOf judges an opening by its size in breadths: faces that fit lie close.
func kindOf(gap float64) string {
	switch {
	case gap < 0.12:
		return measure.Crack
	case gap < 0.6:
		return measure.Break
	}
	return measure.Lost
}

func distance(a, b measure.Point) float64 { return math.Hypot(a[0]-b[0], a[1]-b[1]) }

// weightedMedian is the value at which half the weight is reached.
func weightedMedian(v, w []float64) float64 {
	order := make([]int, len(v))
	total := 0.0
	for i := range v {
		order[i] = i
		total += w[i]
	}
	sort.SliceStable(order, func(i, j int) bool { return v[order[i]] < v[order[j]] })
	sum := 0.0
	for _, i := range order {
		if sum += w[i]; sum >= total/2 {
			return v[i]
		}
	}
	return 0
}
