package evidence

import (
	"math"

	"pithward/vision/strip"
)

// Pith is the place of the pith on a core, in strip coordinates.
type Pith struct {
	U, V        float64
	Probability float64
}

// What tells a pith (chosen on rendered cores and looked at on traced real
// wood): how much better a centre on the core must explain the layers' course
// than any beyond its end, without pith next to nothing, with it 0.02 and more;
// how much more of the brightness rings round it must explain than layers of a
// far centre do, without pith 0.1 at most, with it 0.25 and more in wood of
// good contrast; and what is too little for any pith.
const (
	onCore    = 0.015
	encircled = 0.2
	formless  = 0.08
)

// FindPith looks for the centre round which layers bend and lie as rings, and
// returns it where it lies on the core; nil where the core ends before.
//
// A layer that crosses the axis at u is, near enough, an arc about the pith
// (p, q): its slope there is -q/(p-u) and its bend 1/(2r), r its radius. The
// centre that explains slopes and bends of the course best is moved to where
// the wood around is most nearly the same at equal distance. Where layers are
// too few or too curved to be followed, that likeness alone can show a pith.
func FindPith(c *strip.Course, raw *strip.Strip, span Span) *Pith {
	half := float64(raw.Rows) / 2 * raw.RowPx
	g := coarsen(raw, span, 0.2*span.PxPerMM)
	p, better := fitInner(c, span, half)
	if p != nil {
		p.Probability = sigmoid((better-onCore)*150 + 1)
		if g.encircle(p, 6, span, half) < 0 && g.betweenRings(p.U, p.V, round(p.U, p.V, span)) < formless {
			p = nil
		}
	}
	if p == nil {
		p = &Pith{U: (span.From + span.To) / 2}
		gain := g.encircle(p, (span.To-span.From)/2/span.PxPerMM, span, half)
		if p.Probability = sigmoid((gain-encircled)*20 + 1); gain < encircled {
			return nil
		}
	}
	p.settle(raw, span, half)
	margin := 0.3 * span.PxPerMM
	if p.U < span.From+margin || p.U > span.To-margin {
		return nil
	}
	return p
}

// settle moves a centre to another near it, anywhere across the breadth, where
// rings round that one explain most of the brightness and much more than now:
// seen from one side, layers tell the side that the pith lies on less surely.
func (p *Pith) settle(raw *strip.Strip, span Span, half float64) {
	const most, more = 0.6, 0.15 // shares of the variance (chosen)
	now := raw.Roundness(strip.Centre{U: p.U, V: p.V, Reach: half})
	best := *p
	top := math.Max(most, now+more)
	for du := -1.6; du < 1.7; du += 0.2 {
		for q := -1.0; q < 1.05; q += 0.1 {
			u, v := p.U+du*span.PxPerMM, q*half
			if share := raw.Roundness(strip.Centre{U: u, V: v, Reach: half}); share > top && u > span.From && u < span.To {
				best.U, best.V, top = u, v, share
			}
		}
	}
	*p = best
}

// fitInner fits a centre to the layers at the inner end; where there is none,
// to those up to 15 and 30 mm before it, in case the core goes on past its
// pith. It returns nil where no centre on the core explains them better than
// one beyond.
func fitInner(c *strip.Course, span Span, half float64) (p *Pith, better float64) {
	for _, past := range []float64{0, 15, 30} {
		part, least := span, onCore
		if past > 0 {
			least *= 2
		}
		if span.Dir > 0 {
			part.To -= past * span.PxPerMM
		} else {
			part.From += past * span.PxPerMM
		}
		p, better = fitCentre(c, part, half)
		if p != nil && better >= least && p.U >= part.From && p.U <= part.To && math.Abs(p.V) <= 1.1*half {
			return p, better
		}
	}
	return nil, 0
}

// fitCentre searches for the centre of the layers in the inner 30 mm, and says
// how much better it explains them than the best centre beyond the core's end.
func fitCentre(c *strip.Course, span Span, half float64) (centre *Pith, better float64) {
	knots := innerKnots(c, span, 30*span.PxPerMM)
	if len(knots) < 8 {
		return nil, 0
	}
	end := span.To
	if span.Dir < 0 {
		end = span.From
	}
	step := span.PxPerMM
	best, bestCost := Pith{}, math.Inf(1)
	far := math.Inf(1) // best cost of a centre beyond the core
	for d := -20 * span.PxPerMM; d < 60*span.PxPerMM; d += step {
		u := end + float64(span.Dir)*d
		for q := -2.0; q <= 2.0; q += 0.25 {
			cost := centreCost(c, knots, u, q*half, half, span.Dir)
			if cost < bestCost {
				best, bestCost = Pith{U: u, V: q * half}, cost
			}
			if d > 2*span.PxPerMM {
				far = math.Min(far, cost)
			}
		}
	}
	return &best, far - bestCost
}

func innerKnots(c *strip.Course, span Span, reach float64) []int {
	var out []int
	for k := range c.Slope {
		u := float64(k * c.Every)
		if u < span.From || u > span.To {
			continue
		}
		if span.Dir > 0 && u > span.To-reach || span.Dir < 0 && u < span.From+reach {
			out = append(out, k)
		}
	}
	return out
}

// centreCost is the mean misfit of shifts at the rims of the core, as parts of
// its half breadth, limited so that bad stretches do not rule, weighted by how
// well the layers agree.
func centreCost(c *strip.Course, knots []int, u, v, half float64, dir int) float64 {
	var sum, weight float64
	for _, k := range knots {
		d := (u - float64(k*c.Every)) * float64(dir) // towards the pith
		r := math.Sqrt(d*d + v*v)
		if r < half/2 || d < half/4 && d > -half/4 {
			continue
		}
		slope := float64(-dir) * v / d
		bend := float64(dir) * math.Copysign(1, d) / (2 * r)
		w := c.Agree[k] * c.Agree[k]
		e1 := (c.Slope[k] - slope)
		e2 := (c.Bend[k] - bend) * half
		sum += w * math.Min(0.25, e1*e1+e2*e2)
		weight += w
	}
	if weight == 0 {
		return math.Inf(1)
	}
	return 20 * sum / weight
}

// encircle moves a centre, by up to reach mm along the core and over its
// breadth, to where rings round it explain most of the brightness beyond what
// layers of any far centre do, and returns that gain.
func (g patchwork) encircle(p *Pith, reach float64, span Span, half float64) (gain float64) {
	from, best := *p, math.Inf(-1)
	try := func(u, v, least float64) {
		if u < span.From || u > span.To || math.Abs(v) > half {
			return
		}
		d := round(u, v, span)
		s := g.betweenRings(u, v, d)
		if s < least || s < best {
			return // the far centre's share is never below 0
		}
		if gain := s - g.layered(u, v, d); gain > best {
			best = gain
			p.U, p.V = u, v
		}
	}
	// Near a centre that the course tells of any wood may be it; over the whole
	// core only what stands out is worth a closer look.
	least := 0.0
	if reach > 10 {
		least = 0.3
	}
	for du := -reach; du <= reach; du += 0.4 {
		for q := -0.9; q <= 0.95; q += 0.3 {
			try(from.U+du*span.PxPerMM, q*half, least)
		}
	}
	if math.IsInf(best, -1) {
		return 0
	}
	rough := *p
	for du := -0.4; du <= 0.45; du += 0.1 {
		for q := -0.3; q <= 0.35; q += 0.1 {
			try(rough.U+du*span.PxPerMM, rough.V+q*half, 0)
		}
	}
	return best
}

// disc is the wood within 4 mm of a place, and rings of 0.3 mm, in px.
type disc struct{ u, v, reach, breadth float64 }

func round(u, v float64, span Span) disc { return disc{u, v, 4 * span.PxPerMM, 0.3 * span.PxPerMM} }

// patchwork is a strip in coarse cells, column after column.
type patchwork struct {
	rows  int
	from  float64 // first column's middle
	every float64 // from column to column
	v     []float64
	light []float64
}

// coarsen averages the strip over a span into cells of about `cell` px.
func coarsen(raw *strip.Strip, span Span, cell float64) patchwork {
	nu := int(math.Max(1, math.Round(cell)))
	nr := int(math.Max(1, math.Round(cell/raw.RowPx)))
	lo, hi := max(0, int(span.From)), min(raw.Cols, int(span.To)+1)
	g := patchwork{rows: raw.Rows / nr, from: float64(lo) + float64(nu-1)/2, every: float64(nu)}
	for r := 0; r+nr <= raw.Rows; r += nr {
		g.v = append(g.v, (raw.Across(r)+raw.Across(r+nr-1))/2)
	}
	for c := lo; c+nu <= hi; c += nu {
		for r := 0; r+nr <= raw.Rows; r += nr {
			var sum float64
			for y := r; y < r+nr; y++ {
				for _, x := range raw.Light[y*raw.Cols+c : y*raw.Cols+c+nu] {
					sum += float64(x)
				}
			}
			g.light = append(g.light, sum/float64(nu*nr))
		}
	}
	return g
}

// betweenRings is the share of the variance of brightness within a disc that
// lies between rings round (u, v).
func (g patchwork) betweenRings(u, v float64, d disc) float64 {
	nearest := math.Max(0, math.Hypot(u-d.u, v-d.v)-d.reach) / d.breadth
	n := int(2*d.reach/d.breadth) + 2
	rings := make([]struct{ sum, count float64 }, n)
	var total, square, all float64
	perRing := 1 / d.breadth
	cols := len(g.light) / max(1, g.rows)
	for c := max(0, int((d.u-d.reach-g.from)/g.every)); c < cols; c++ {
		x := g.from + float64(c)*g.every
		if x > d.u+d.reach {
			break
		}
		dx, far := (x-u)*perRing, d.reach*d.reach-(x-d.u)*(x-d.u)
		light := g.light[c*g.rows:][:len(g.v)]
		for r, y := range g.v {
			if (y-d.v)*(y-d.v) >= far {
				continue
			}
			dy, l := (y-v)*perRing, light[r]
			ring := &rings[int(math.Sqrt(dx*dx+dy*dy)-nearest)]
			ring.sum += l
			ring.count++
			total += l
			square += l * l
			all++
		}
	}
	if all < 50 {
		return 0
	}
	mean := total / all
	var between float64
	for _, ring := range rings {
		if ring.count > 0 {
			d := ring.sum/ring.count - mean
			between += ring.count * d * d
		}
	}
	return between / math.Max(square-all*mean*mean, 1e-9)
}

// layered is the largest share that layers round a centre 25 mm off explain,
// square to the core or turned by up to 22 degrees.
func (g patchwork) layered(u, v float64, d disc) float64 {
	mm := d.reach / 4
	var top float64
	for _, along := range []float64{-25, 25} {
		for _, across := range []float64{-10, 0, 10} {
			top = math.Max(top, g.betweenRings(u+along*mm, v+across*mm, d))
		}
	}
	return top
}
