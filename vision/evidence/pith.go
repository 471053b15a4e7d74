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

// onCore is how much better a centre on the core must explain the layers than
// any beyond its end (chosen on rendered cores: without pith the difference is
// next to nothing, with it 0.02 and more).
const onCore = 0.015

// FindPith looks for the centre round which the layers of the last 30 mm bend,
// and returns it where it lies on the core; nil where the core ends before.
//
// A layer that crosses the axis at u is, near enough, an arc about the pith
// (p, q): its slope there is -q/(p-u) and its bend 1/(2r), r its radius. The
// centre that explains the slopes and bends of the course best is then moved
// to where the wood around is most nearly the same at equal distance.
func FindPith(c *strip.Course, raw *strip.Strip, span Span) *Pith {
	half := float64(raw.Rows) / 2 * raw.RowPx
	p, beyond := fitCentre(c, span, half)
	if p == nil || beyond < onCore || p.U < span.From || p.U > span.To || math.Abs(p.V) > 1.1*half {
		return nil
	}
	p.Probability = sigmoid((beyond-onCore)*150 + 1)
	concentric(raw, p, span, half)
	margin := 0.3 * span.PxPerMM
	if p.U < span.From+margin || p.U > span.To-margin {
		return nil
	}
	return p
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
	step := 0.5 * span.PxPerMM
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
		r := math.Hypot(d, v)
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

// concentric moves a centre, by up to 6 mm along the core and over its
// breadth, to where brightness depends most on the distance from it alone: the
// largest share of the variance within 5 mm lies between rings of equal
// distance.
func concentric(raw *strip.Strip, p *Pith, span Span, half float64) {
	g := coarsen(raw, p.U, 11.5*span.PxPerMM, 0.1*span.PxPerMM)
	best := -1.0
	from := *p
	for du := -6.0; du <= 6; du += 0.2 {
		for q := -1.0; q <= 1; q += 0.1 {
			u, v := from.U+du*span.PxPerMM, q*half
			if u < span.From || u > span.To {
				continue
			}
			if s := g.betweenRings(u, v, 5*span.PxPerMM, 0.2*span.PxPerMM); s > best {
				best = s
				p.U, p.V = u, v
			}
		}
	}
}

// patchwork is part of a strip in coarse cells.
type patchwork struct {
	u, v  []float64
	light []float64
}

// coarsen averages the strip within reach of a column into cells of about
// `cell` px.
func coarsen(raw *strip.Strip, at, reach, cell float64) patchwork {
	var g patchwork
	nu := int(math.Max(1, math.Round(cell)))
	nr := int(math.Max(1, math.Round(cell/raw.RowPx)))
	lo, hi := max(0, int(at-reach)), min(raw.Cols, int(at+reach))
	for r := 0; r+nr <= raw.Rows; r += nr {
		for c := lo; c+nu <= hi; c += nu {
			var sum float64
			for y := r; y < r+nr; y++ {
				for _, x := range raw.Light[y*raw.Cols+c : y*raw.Cols+c+nu] {
					sum += float64(x)
				}
			}
			g.u = append(g.u, float64(c)+float64(nu-1)/2)
			g.v = append(g.v, (raw.Across(r)+raw.Across(r+nr-1))/2)
			g.light = append(g.light, sum/float64(nu*nr))
		}
	}
	return g
}

// betweenRings is the share of the variance of brightness within reach of
// (u, v) that lies between rings of the given breadth.
func (g patchwork) betweenRings(u, v, reach, breadth float64) float64 {
	n := int(reach/breadth) + 1
	sum, count := make([]float64, n), make([]float64, n)
	var total, square, all float64
	for i, x := range g.light {
		du, dv := g.u[i]-u, g.v[i]-v
		d2 := du*du + dv*dv
		if d2 >= reach*reach {
			continue
		}
		k := int(math.Sqrt(d2) / breadth)
		sum[k] += x
		count[k]++
		total += x
		square += x * x
		all++
	}
	if all < 50 {
		return 0
	}
	mean := total / all
	var between float64
	for k := range sum {
		if count[k] > 0 {
			d := sum[k]/count[k] - mean
			between += count[k] * d * d
		}
	}
	return between / math.Max(square-all*mean*mean, 1e-9)
}
