package phantom

import (
	"math"

	"pithward/measure"
)

// veil is a stretch of standing wood in which no boundary can be seen.
type veil struct {
	kind     string
	from, to float64 // u, all that it touches
}

// hide lays one veil over the core's whole breadth.
func (p *painter) hide() {
	s := p.s
	length := logBetween(p.r, 0.5, 6)
	u := between(p.r, 0.05, 0.95) * s.length
	kinds := []struct {
		name string
		draw func(u, length float64)
	}{
		{measure.Smear, p.smear}, {measure.Stain, p.spill}, {measure.Glue, p.glue}, {measure.Glue, p.tape},
		{measure.Rot, p.rot}, {measure.Knot, p.knot},
	}
	k := kinds[p.r.IntN(len(kinds))]
	if k.name == measure.Knot {
		length = max(length, 1.2)
	}
	k.draw(u, length)
	s.veils = append(s.veils, veil{k.name, u - length/2, u + length/2})
}

// cover lays ellipses of one colour over a stretch, close enough together to
// hide it; ragged is how far their edge wanders, mm.
func (p *painter) cover(u, length, ragged, alpha float64, colour RGB, uneven float64) {
	half := p.s.lay.half
	const reach = 0.4
	for v := -half; v <= half; v += 0.3 {
		from, to := u-length/2+reach, u+length/2-reach
		if to < from {
			from, to = u, u
		}
		from, to = from+ragged*math.Abs(p.r.NormFloat64()), to-ragged*math.Abs(p.r.NormFloat64())
		for d := from; d <= max(from, to); d += 0.25 {
			p.ellipse(d, v+0.05*p.r.NormFloat64(), reach*between(p.r, 0.9, 1), reach*between(p.r, 0.8, 1), between(p.r, 0, 3),
				colour.times(1+uneven*p.r.NormFloat64()), alpha, 5)
		}
	}
}

// smear is dirt or grease rubbed over the wood.
func (p *painter) smear(u, length float64) {
	colours := []RGB{{70, 52, 38}, {196, 176, 128}, {44, 40, 38}, {120, 90, 60}}
	p.cover(u, length, 0.12, between(p.r, 0.55, 0.9), colours[p.r.IntN(len(colours))], 0.06)
}

// spill is ink or dark stain, soaked in.
func (p *painter) spill(u, length float64) {
	colours := []RGB{{30, 32, 58}, {40, 30, 28}, {26, 34, 40}, {70, 30, 44}}
	p.cover(u, length, 0.05, between(p.r, 0.7, 0.95), colours[p.r.IntN(len(colours))], 0.02)
}

// glue is a drop of it, yellowish, with the lamp's reflexes.
func (p *painter) glue(u, length float64) {
	p.cover(u, length, 0.1, between(p.r, 0.5, 0.85), RGB{214, 190, 132}.mix(RGB{168, 128, 72}, p.r.Float64()), 0.02)
	for n := poisson(p.r, 1+length*2); n > 0; n-- {
		p.ellipse(u+0.7*length*(p.r.Float64()-0.5), between(p.r, -0.8, 0.8)*p.s.lay.half, between(p.r, 0.05, 0.3), between(p.r, 0.03, 0.1),
			between(p.r, 0, 3), RGB{252, 250, 244}, between(p.r, 0.3, 0.8), 3)
	}
}

// tape is paper or film stuck across, with straight edges.
func (p *painter) tape(u, length float64) {
	colour := []RGB{{226, 216, 190}, {206, 190, 150}, {238, 238, 236}}[p.r.IntN(3)]
	p.cover(u, length, 0, between(p.r, 0.85, 0.97), colour, 0.01)
}

// rot is soft wood, broken out in flecks.
func (p *painter) rot(u, length float64) {
	l := &p.s.core.Look
	p.cover(u, length, 0.15, between(p.r, 0.5, 0.75), l.Late.mix(RGB{120, 84, 56}, 0.5), 0.1)
	area := length * 2 * p.s.lay.half
	for n := poisson(p.r, area*between(p.r, 6, 18)); n > 0; n-- {
		colour := []RGB{{236, 226, 204}, {66, 44, 32}, {150, 110, 76}}[p.r.IntN(3)]
		uu := u + length*(p.r.Float64()-0.5)*0.95
		p.ellipse(uu, between(p.r, -1, 1)*p.s.lay.half, logBetween(p.r, 0.04, 0.3), logBetween(p.r, 0.03, 0.12), between(p.r, -0.4, 0.4),
			colour, between(p.r, 0.4, 0.9), 2)
	}
}

// knot is a branch cut across: its own rings round a place on the core, dark
// at the rim. Where the core is broader than the knot, dark wood surrounds it.
func (p *painter) knot(u, length float64) {
	l := &p.s.core.Look
	half := p.s.lay.half
	dark := l.Late.times(between(p.r, 0.55, 0.85))
	p.cover(u, length, 0.1, 0.93, dark, 0.05)
	v0, across := 0.4*half*p.r.NormFloat64(), max(length/2, half*between(p.r, 0.9, 1.5))
	a := length / 2
	for f := 0.97; f > 0.05; f -= between(p.r, 0.04, 0.1) {
		colour := dark.mix(l.Early, between(p.r, 0, 0.45))
		p.ellipse(u, v0, a*f, across*f, 0.05*p.r.NormFloat64(), colour, between(p.r, 0.7, 0.95), 1.5)
	}
	for n := p.r.IntN(4); n > 0; n-- { // drying cracks from its pith
		p.stroke(u, v0, between(p.r, 0, 2*math.Pi), between(p.r, 0.3, 0.8)*a, 0.02, 0.03, RGB{34, 26, 22}, 0.8)
	}
}
