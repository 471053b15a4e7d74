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

// FindPith looks for the centre round which the layers of the last 30 mm bend,
// and returns it where it lies on the core; nil where the core ends before.
//
// A layer that crosses the axis at u is, near enough, an arc about the pith
// (p, q): its slope there is -q/(p-u) and its bend 1/(2r), r its radius. The
// centre is the one that explains the slopes and bends of the course best.
func FindPith(c *strip.Course, flat *strip.Strip, span Span) *Pith {
	half := float64(flat.Rows) / 2 * flat.RowPx
	fitted := fitCentre(c, span, half)
	if fitted == nil {
		return nil
	}
	margin := 0.6 * span.PxPerMM
	inside := fitted.U > span.From+margin && fitted.U < span.To-margin && math.Abs(fitted.V) < 1.1*half
	if !inside || fitted.Probability < 0.5 {
		return nil
	}
	return fitted
}

// fitCentre searches for the centre of the layers in the inner 30 mm.
func fitCentre(c *strip.Course, span Span, half float64) *Pith {
	knots := innerKnots(c, span, 30*span.PxPerMM)
	if len(knots) < 8 {
		return nil
	}
	end := span.To
	if span.Dir < 0 {
		end = span.From
	}
	step := 0.5 * span.PxPerMM
	best, bestCost := Pith{}, math.Inf(1)
	var far float64 = math.Inf(1) // best cost of a centre beyond the core
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
	best.Probability = sigmoid((far-bestCost)*4 - 1)
	return &best
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
