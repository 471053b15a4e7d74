package phantom

import "math"

// marks adds what tools, people and drying left on the core.
func (p *painter) marks() {
	m := &p.s.core.Marks
	per100 := p.s.length / 100
	for n := poisson(p.r, m.Cracks*per100); n > 0; n-- {
		p.crackAlong()
	}
	for n := poisson(p.r, m.Checks*per100); n > 0; n-- {
		p.check()
	}
	for n := poisson(p.r, m.BorerMarks*p.s.length/10); n > 0; n-- {
		p.borerMark()
	}
	for n := poisson(p.r, m.Smears*per100); n > 0; n-- {
		p.hide()
	}
	for n := poisson(p.r, m.PencilLines*per100); n > 0; n-- {
		p.pencilLine()
	}
	if m.PencilDots {
		p.pencilDots()
	}
}

// stroke draws a wandering line from (u, v) as a chain of spindles; along is
// its direction from the u axis in radians.
func (p *painter) stroke(u, v, along, length, half, wander float64, colour RGB, alpha float64) {
	const step = 0.15
	n := max(1, int(length/step))
	for i := range n {
		f := (float64(i) + 0.5) / float64(n)
		taper := math.Sqrt(max(0.05, 4*f*(1-f)))
		sin, cos := math.Sincos(along)
		p.ellipse(u, v, step*0.9, half*taper*between(p.r, 0.7, 1.2), along, colour, alpha, 1)
		u, v = u+cos*step, v+sin*step
		along += wander * p.r.NormFloat64()
	}
}

// crackAlong draws a drying crack along the rays: no gap.
func (p *painter) crackAlong() {
	s := p.s
	u, v := between(p.r, 0, s.length), between(p.r, -0.9, 0.9)*s.lay.half
	phi := math.Atan2(v-s.stem.pithV, s.stem.pithU-u)
	p.stroke(u, v, -phi, logBetween(p.r, 1.5, 14), logBetween(p.r, 0.012, 0.06), 0.03, RGB{38, 30, 24}, between(p.r, 0.6, 0.9))
}

// check draws a crack part of the way across, along a ring.
func (p *painter) check() {
	s := p.s
	u, side := between(p.r, 0, s.length), 1.0
	if chance(p.r, 0.5) {
		side = -1
	}
	v := side * s.lay.half
	phi := math.Atan2(v-s.stem.pithV, s.stem.pithU-u)
	length := between(p.r, 0.25, 0.75) * 2 * s.lay.half
	p.stroke(u, v, -phi-side*math.Pi/2, length, logBetween(p.r, 0.01, 0.035), 0.06, RGB{40, 32, 26}, between(p.r, 0.5, 0.85))
}

// borerMark blackens the core's edge where the borer's steel rubbed it.
func (p *painter) borerMark() {
	s := p.s
	side := 1.0
	if chance(p.r, 0.5) {
		side = -1
	}
	u := between(p.r, 0, s.length)
	edge := s.core.FlatMM / 2
	for n := 3 + p.r.IntN(10); n > 0; n-- {
		uu, vv := u+0.8*p.r.NormFloat64(), side*(edge-math.Abs(0.18*p.r.NormFloat64()))
		p.ellipse(uu, vv, logBetween(p.r, 0.05, 0.6), logBetween(p.r, 0.02, 0.13), 0.2*p.r.NormFloat64(),
			RGB{28, 27, 30}, between(p.r, 0.25, 0.7), 2.5)
	}
}

// pencilLine draws a thin line across, somewhere.
func (p *painter) pencilLine() {
	s := p.s
	u := between(p.r, 0, s.length)
	h := s.core.FlatMM / 2
	along, length := math.Pi/2+0.12*p.r.NormFloat64(), 2*h*between(p.r, 0.5, 1)
	p.stroke(u, -h, along, length, between(p.r, 0.05, 0.12), 0.01, RGB{62, 62, 68}, between(p.r, 0.35, 0.65))
	sin, cos := math.Sincos(along)
	s.lines = append(s.lines, [4]float64{u, -h, u + cos*length, -h + sin*length})
}

// pencilDots marks the years as the trade does: a dot each decade, two each
// fiftieth year, three each century (common practice).
func (p *painter) pencilDots() {
	s := p.s
	line := between(p.r, -0.35, 0.35) * s.core.FlatMM
	for k := 1; k < len(s.stem.radii); k++ {
		y := s.yearOf(k)
		if y == 0 || y%10 != 0 {
			continue
		}
		dots := 1
		if y%100 == 0 {
			dots = 3
		} else if y%50 == 0 {
			dots = 2
		}
		mid := (s.stem.radii[k] + s.stem.radii[k-1]) / 2
		u, ok := s.stem.along(mid, line)
		if !ok {
			continue
		}
		for d := range dots {
			r := between(p.r, 0.13, 0.24)
			p.ellipse(u+0.05*p.r.NormFloat64(), line+0.7*float64(d), r, r*between(p.r, 0.7, 1), 0.5,
				RGB{58, 58, 64}, between(p.r, 0.5, 0.8), 3)
		}
	}
}
