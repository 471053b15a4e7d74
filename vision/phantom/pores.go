package phantom

import (
	"math"
	"math/rand/v2"

	"pithward/measure"
)

// painter adds splats to a core in its own frame.
type painter struct {
	s   *coreScene
	r   *rand.Rand
	ppm [2]float64 // px per mm
}

// tissue adds a part of the wood itself, which is as dark as the core's flank
// where it lies on that; none is drawn where the rings are left out.
func (p *painter) tissue(u, v, a, b, turn float64, colour RGB, alpha, softPx float64) {
	if p.s.core.ringless(u) > 0.5 {
		return
	}
	if !p.s.core.Marks.Mounted && math.Abs(v) > p.s.core.FlatMM/2 {
		colour = colour.times(float64(p.s.flank(v, 0)))
	}
	p.ellipse(u, v, a, b, turn, colour, alpha, softPx)
}

// ellipse adds an ellipse at (u, v) with semi-axes in mm, the first along the
// direction turn (radians) from the u axis.
func (p *painter) ellipse(u, v, a, b, turn float64, colour RGB, alpha, softPx float64) {
	pc := p.s.pieceAt(u)
	if math.Abs(v) > p.s.lay.half+a {
		return
	}
	x, y := p.s.lay.point(pc, u, v)
	sin, cos := math.Sincos(turn)
	x1, y1 := p.s.lay.point(pc, u+cos*0.01, v+sin*0.01)
	dx, dy := x1-x, y1-y
	n := math.Hypot(dx, dy)
	k := (p.ppm[0] + p.ppm[1]) / 2
	p.s.splats = append(p.s.splats, splat{
		x: float32(x * p.ppm[0]), y: float32(y * p.ppm[1]),
		a: float32(a * k), b: float32(b * k),
		cos: float32(dx / n), sin: float32(dy / n),
		colour: colour.f32(), alpha: float32(alpha), soft: float32(softPx), id: pc.id,
	})
}

// pieceAt returns the piece that holds wood coordinate u on the axis, or the
// nearer end's.
func (s *coreScene) pieceAt(u float64) *piece {
	ps := s.lay.pieces
	for i := range ps {
		if u <= ps[i].u1 {
			return &ps[i]
		}
	}
	return &ps[len(ps)-1]
}

// tissues adds what the wood is made of: vessels, pores, rays, ducts.
func (p *painter) tissues() {
	switch p.s.core.Wood {
	case measure.RingPorous:
		p.rays()
		for k := 1; k < len(p.s.stem.radii); k++ {
			p.flames(k)
			p.vesselBand(k)
		}
	case measure.DiffusePorous:
		p.diffusePores()
		p.rays()
	default:
		p.rays()
		p.ducts()
	}
}

// arc is a range of angles round the pith, 0 towards the bark.
type arc struct{ from, to float64 }

// arcs returns the angles between which ring coordinate rho lies on the core:
// on the bark's side of the pith and, where the core goes on so far, beyond it.
func (p *painter) arcs(rho float64) []arc {
	st, h := p.s.stem, p.s.lay.half
	from, ok1 := st.angleAt(rho, -h)
	to, ok2 := st.angleAt(rho, h)
	if !ok1 && !ok2 {
		return []arc{{-math.Pi, math.Pi}}
	}
	out := []arc{{from, to}}
	if p.s.length > st.pithU+0.3*rho {
		out = append(out, arc{math.Pi - to, math.Pi - from})
	}
	return out
}

// place turns a ring coordinate and an angle into the core's frame.
func (p *painter) place(rho, phi float64) (u, v float64) {
	r := p.s.stem.radius(rho, phi)
	sin, cos := math.Sincos(phi)
	return p.s.stem.pithU - r*cos, p.s.stem.pithV + r*sin
}

func (p *painter) poreColour() (RGB, float64) {
	if chance(p.r, p.s.core.Look.Chalk) {
		return RGB{238, 236, 228}, between(p.r, 0.6, 0.95)
	}
	return p.s.core.Look.Late.times(0.42), between(p.r, 0.6, 0.92)
}

// vesselBand puts rows of large vessels at the start of ring k.
func (p *painter) vesselBand(k int) {
	st, l := p.s.stem, &p.s.core.Look
	inner, w := st.radii[k], st.radii[k-1]-st.radii[k]
	if inner < 0.3 {
		return
	}
	rows := 1 + int(clampTo(l.Rows-1+0.5*p.r.NormFloat64(), 0, 2.4))
	shrink := 0.85
	if l.Gradual > 0 { // semi-ring-porous: smaller and smaller vessels far into the ring
		rows = 2 + int(l.Gradual*w/l.VesselMM)
		shrink = math.Pow(0.35, 1/float64(rows))
	}
	offset := 0.0
	for row := range rows {
		d := l.VesselMM * math.Exp(0.1*p.r.NormFloat64()) * math.Pow(shrink, float64(row))
		d = min(d, 0.8*w)
		if row > 0 && offset+d > 0.75*w {
			return
		}
		gap := between(p.r, 0.02, 0.3+0.35*float64(row))
		jitter := 0.015 + 0.14*d*min(1, float64(row))
		for _, a := range p.arcs(inner) {
			for phi := a.from + d*p.r.Float64()/inner; phi < a.to; {
				dd := d * clampTo(1+0.2*p.r.NormFloat64(), 0.45, 1.35)
				phi += dd / 2 / inner
				u, v := p.place(inner+offset+dd/2+math.Abs(jitter*p.r.NormFloat64()), phi)
				p.vessel(u, v, dd, phi)
				phi += (dd/2 + d*gap*-math.Log(1-p.r.Float64())) / inner
			}
		}
		offset += d * between(p.r, 0.8, 1.05)
	}
}

// vessel paints one large pore with a pale sheath and a dark rim.
func (p *painter) vessel(u, v, d, phi float64) {
	colour, alpha := p.poreColour()
	a, b := d/2*between(p.r, 0.95, 1.25), d/2*between(p.r, 0.8, 1)
	p.tissue(u, v, a+0.03, b+0.03, -phi, p.s.core.Look.Early, 0.3, 1.5)
	p.tissue(u, v, a, b, -phi, colour, alpha, 1)
	if chance(p.r, 0.35) { // a wall or filling inside catches the light
		p.tissue(u+0.2*a*p.r.NormFloat64(), v+0.2*b*p.r.NormFloat64(), a*0.5, b*0.5, -phi,
			colour.mix(p.s.core.Look.Early, 0.35), 0.4, 1.5)
	}
}

// flames puts clusters of small pores in pale tissue into the latewood.
func (p *painter) flames(k int) {
	st, l := p.s.stem, &p.s.core.Look
	inner, w := st.radii[k], st.radii[k-1]-st.radii[k]
	early := min(l.VesselMM*l.Rows, 0.7*w)
	if w-early < 0.15 || inner < 0.5 {
		return
	}
	step := between(p.r, 0.35, 0.8) / (inner + w/2)
	for _, a := range p.arcs(inner + w/2) {
		p.flamesOver(a, step, inner, w, early)
	}
}

// flamesOver is flames for one range of angles.
func (p *painter) flamesOver(a arc, step, inner, w, early float64) {
	l := &p.s.core.Look
	for phi := a.from; phi < a.to; phi += step * between(p.r, 0.6, 1.4) {
		length := (w - early) * between(p.r, 0.5, 0.95)
		u, v := p.place(inner+early+length/2, phi)
		p.tissue(u, v, length/2, between(p.r, 0.06, 0.14), -phi, l.Early, 0.35, 4)
		for n := poisson(p.r, length*l.PoresPerMM2*0.22); n > 0; n-- {
			f := p.r.Float64()
			u, v := p.place(inner+early+length*f, phi+0.07*p.r.NormFloat64()/(inner+w/2)*(0.6+f))
			d := l.PoreMM * clampTo(1+0.25*p.r.NormFloat64(), 0.4, 1.6)
			colour, alpha := p.poreColour()
			p.tissue(u, v, d/2, d/2, 0, colour, alpha*0.8, 1)
		}
	}
}

// diffusePores scatters pores over the wood, a little denser and larger early
// in the ring, none in the terminal line.
func (p *painter) diffusePores() {
	s, l := p.s, &p.s.core.Look
	pitch := 1 / math.Sqrt(l.PoresPerMM2)
	half := s.lay.half
	for u := -0.5; u < s.length+0.5; u += pitch {
		for v := -half; v < half; v += pitch {
			pu, pv := u+pitch*(p.r.Float64()-0.5)*1.3, v+pitch*(p.r.Float64()-0.5)*1.3
			size, pick := p.r.NormFloat64(), p.r.Float64()
			rho := s.stem.rho(pu, pv)
			k := s.stem.ringAt(rho)
			if k < 1 || k >= len(s.stem.radii) {
				continue
			}
			w := ringWidth(s.stem, k)
			f := (rho - s.stem.radii[k]) / w
			d := l.PoreMM * (1.12 - 0.35*f) * clampTo(1+0.2*size, 0.5, 1.5)
			if toEnd := (1 - f) * w; toEnd < min(l.LineMM, 0.3*w)+d/2 || pick > 1-0.45*f*f {
				continue
			}
			colour, alpha := p.poreColour()
			phi := math.Atan2(pv-s.stem.pithV, s.stem.pithU-pu)
			p.tissue(pu, pv, d/2*between(p.r, 1, 1.4), d/2*0.9, -phi, colour, alpha*0.75, 0.9)
		}
	}
}

// rays adds narrow and wide rays: pale spindles along the radius.
func (p *painter) rays() {
	s, l := p.s, &p.s.core.Look
	area := s.length * 2 * s.lay.half
	for n := poisson(p.r, area*l.Rays*0.5); n > 0; n-- {
		p.ray(logBetween(p.r, 0.6, 4), between(p.r, 0.006, 0.014), between(p.r, 0.12, 0.4))
	}
	for n := poisson(p.r, area*l.WideRays*0.12); n > 0; n-- {
		p.ray(logBetween(p.r, 4, 16), between(p.r, 0.05, 0.16), between(p.r, 0.35, 0.7))
	}
}

func (p *painter) ray(length, half, alpha float64) {
	s := p.s
	u := between(p.r, -length/2, s.length+length/2)
	v := between(p.r, -s.lay.half, s.lay.half)
	phi := math.Atan2(v-s.stem.pithV, s.stem.pithU-u)
	colour := s.core.Look.Early.mix(s.core.Look.Late, 0.12)
	if s.core.Wood == measure.DiffusePorous {
		colour = s.core.Look.Early.mix(s.core.Look.Late, between(p.r, 0, 0.6))
	}
	// Long rays are laid in short spindles, so that they follow the core and
	// stay within the wood.
	for d := -length / 2; d < length/2; d += 1.5 {
		l := min(1.5, length/2-d)
		sin, cos := math.Sincos(phi)
		uu, vv := u-cos*(d+l/2), v+sin*(d+l/2)
		if uu > -0.2 && uu < s.length && math.Abs(uu-s.stem.pithU) > 1 && s.stem.rho(uu, vv) < s.stem.radii[0] {
			taper := 1 - 0.6*math.Pow(2*math.Abs(d+l/2)/length, 2)
			p.tissue(uu, vv, l*0.62, half*taper, -phi, colour, alpha, 1.2)
		}
	}
}

// ducts adds resin ducts, most of them in the latewood.
func (p *painter) ducts() {
	s, l := p.s, &p.s.core.Look
	for n := poisson(p.r, s.length*2*s.lay.half*l.Ducts); n > 0; n-- {
		u, v := between(p.r, 0, s.length), between(p.r, -s.lay.half, s.lay.half)
		k := s.stem.ringAt(s.stem.rho(u, v))
		if k < 1 || k >= len(s.stem.radii) {
			continue
		}
		w := ringWidth(s.stem, k)
		phi := math.Atan2(v-s.stem.pithV, s.stem.pithU-u)
		f := clampTo(0.75+0.15*p.r.NormFloat64(), 0.1, 0.97)
		u, v = p.place(s.stem.radii[k]+f*w, phi)
		p.duct(u, v, min(between(p.r, 0.07, 0.16), w*0.6), phi)
	}
	p.ductRows()
}

// ductRows lays whole rows of ducts along a ring, as injuries cause them.
func (p *painter) ductRows() {
	st := p.s.stem
	for k := 1; k < len(st.radii); k++ {
		w := st.radii[k-1] - st.radii[k]
		if w < 0.4 || !chance(p.r, p.s.core.Look.DuctRows) {
			continue
		}
		rho := st.radii[k] + w*between(p.r, 0.1, 0.9)
		d := min(between(p.r, 0.06, 0.14), 0.3*w)
		for _, a := range p.arcs(rho) {
			for phi := a.from; phi < a.to; phi += d * between(p.r, 1.1, 3) / rho {
				u, v := p.place(rho+0.15*d*p.r.NormFloat64(), phi)
				p.duct(u, v, d*between(p.r, 0.7, 1.1), phi)
			}
		}
	}
}

// duct paints one resin duct, pale or, filled, dark.
func (p *painter) duct(u, v, d, phi float64) {
	l := &p.s.core.Look
	colour, alpha := l.Early.mix(RGB{255, 250, 235}, 0.4), between(p.r, 0.35, 0.8)
	if chance(p.r, 0.25) {
		colour = l.Late.times(0.7)
	}
	p.tissue(u, v, d/2, d/2*between(p.r, 0.7, 1), -phi, colour, alpha, 1.5)
}
