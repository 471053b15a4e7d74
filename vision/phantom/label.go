package phantom

import "math"

// Label is a piece of paper with printed lines, or bare writing.
type Label struct {
	AtMM      [2]float64 // its first corner
	AngleDeg  float64
	LengthMM  float64
	BreadthMM float64
	Paper     RGB
	Ink       RGB
	Lines     []string
	Bare      bool // written on what lies below: no paper
	Tube      bool // shaded across as a tube is
}

type labelScene struct {
	label  *Label
	frame  frame
	stamps []stamp
	box    [4]float64
}

func newLabelScene(l *Label, pr printer, ppm float64) *labelScene {
	s := &labelScene{label: l, frame: newFrame(l.AtMM, l.AngleDeg)}
	h := l.BreadthMM / (float64(len(l.Lines)) + 0.6) * 0.55
	for i, t := range l.Lines {
		// Wide text shrinks until it fits.
		hh := min(h, l.LengthMM*0.85/(0.8*max(1, float64(len(t)))))
		q := l.BreadthMM * (float64(i) + 0.8) / (float64(len(l.Lines)) + 0.6)
		s.stamps = append(s.stamps, pr.set(t, i == 0, hh, ppm, l.LengthMM/2, q))
	}
	s.box = bounds(s.frame.quad(0, 0, l.LengthMM, l.BreadthMM), 2)
	return s
}

func (s *labelScene) at(p, q, px float64) (c [3]float32, alpha float32) {
	l := s.label
	alpha = float32(cover(min(min(p, l.LengthMM-p), min(q, l.BreadthMM-q)), px))
	if alpha == 0 {
		return c, 0
	}
	var ink float32
	for i := range s.stamps {
		ink = max(ink, s.stamps[i].at(p, q))
	}
	if l.Bare {
		return l.Ink.f32(), ink * 0.8 * alpha
	}
	paper := l.Paper
	if l.Tube {
		v := 2*q/l.BreadthMM - 1
		paper = paper.times(0.5 + 0.5*math.Sqrt(max(0, 1-v*v)))
	}
	return paper.mix(l.Ink, float64(ink)).f32(), alpha
}

// Mount is a strip of wood with a groove that holds cores.
type Mount struct {
	CentreMM  [2]float64
	AngleDeg  float64
	LengthMM  float64
	BreadthMM float64
	Colour    RGB
	Grain     float64 // relative
	Glue      RGB     // of the line beside the core
	GlueMM    float64
	Grooves   []Groove
}

// Groove is where a core lies in a mount, in the mount's frame from its
// centre.
type Groove struct {
	OffMM        float64    // across
	FromMM, ToMM float64    // along
	CoreMM       [2]float64 // where the core lies in it, from and to
	BreadthMM    float64
	Dark         float64 // factor on the mount's colour in the empty groove
}

// paint shades the groove at a place in the mount's frame: recessed wood with
// shaded walls, and glue along the core. The noises are the mount's grain.
func (g *Groove) paint(c *[3]float32, m *Mount, p, q, px float64, noise [3]float32) {
	d := g.BreadthMM/2 - math.Abs(q-g.OffMM)
	if d < -2 {
		return
	}
	along := min(p-g.FromMM, g.ToMM-p)
	if along > -px && d > -px {
		a := float32(cover(min(d, along), px))
		wall := float32(1)
		if deep := min(d, along); deep < 2.5 {
			wall = float32(1 - 0.45*math.Exp(-deep/0.35))
		}
		k := 1 - a*(1-float32(g.Dark)*wall*(1+0.4*float32(m.Grain)*noise[2]))
		for j := range c {
			c[j] *= k
		}
	}
	// Glue swells out beside the core unevenly, here more, there less.
	in := min(p-g.CoreMM[0], g.CoreMM[1]-p)
	w := m.GlueMM * clampTo(0.8+0.7*float64(noise[1])+0.3*float64(noise[0]), 0.1, 2.2)
	a := float32(cover(w-max(math.Abs(d), -in), px)) * 0.85
	if a > 0 {
		for j, v := range m.Glue.f32() {
			c[j] += (v*(1+0.05*noise[1]) - c[j]) * a
		}
	}
}

type mountScene struct {
	mount *Mount
	frame frame
	tiles *tiles
	off   [3]float32
	box   [4]float64
}

func newMountScene(seed uint64, i int, m *Mount, ti *tiles) *mountScene {
	r := newRand(seed, 4, uint64(i))
	s := &mountScene{mount: m, frame: newFrame(m.CentreMM, m.AngleDeg), tiles: ti}
	for k := range s.off {
		s.off[k] = float32(r.Float64() * tileSize)
	}
	s.box = bounds(s.frame.quad(-m.LengthMM/2, -m.BreadthMM/2, m.LengthMM/2, m.BreadthMM/2), 3)
	return s
}

func (s *mountScene) at(p, q, px float64) (c [3]float32, alpha float32) {
	m := s.mount
	edge := min(m.LengthMM/2-math.Abs(p), m.BreadthMM/2-math.Abs(q))
	alpha = float32(cover(edge, px))
	if alpha == 0 {
		return c, 0
	}
	fp, fq := float32(p), float32(q)
	grain := s.tiles.fibre.at(fp*5+s.off[0], fq*16+s.off[1])
	coarse := s.tiles.fibre.at(fp*0.7+s.off[1], fq*1.6+s.off[2])
	fine := s.tiles.streak.at(fp*20+s.off[2], fq*45+s.off[0])
	k := 1 + float32(m.Grain)*(0.6*grain+coarse+0.5*fine)
	if edge < 2 {
		k *= float32(1 - 0.35*math.Exp(-edge/0.25))
	}
	c = m.Colour.f32()
	for i := range c {
		c[i] *= k
	}
	for i := range m.Grooves {
		m.Grooves[i].paint(&c, m, p, q, px, [3]float32{grain, coarse, fine})
	}
	return c, alpha
}
