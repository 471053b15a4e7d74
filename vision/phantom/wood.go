package phantom

import (
	"math"
	"math/rand/v2"

	"pithward/measure"
)

// Look is what a core's wood looks like.
type Look struct {
	Early, Late RGB     // palest and darkest tissue
	Heart       RGB     // factor on the colours in heartwood, 0..1 each
	HeartMM     float64 // sapwood breadth; 0: no heartwood shows
	Bark        RGB
	InnerBark   RGB     // of the living bark; zero: as Bark
	EdgeMM      float64 // how abrupt a ring's outer side is
	LateShare   float64 // mean share of latewood
	PaleYears   float64 // chance of a ring with hardly any latewood
	FalseRings  float64 // chance of a false ring
	Soft        float64 // factor on the breadth of the change from early- to latewood; 0: 1
	Bands       float64 // strength of density that comes and goes within a ring, relative
	Compression float64 // chance that a run of rings is compression wood
	Ducts       float64 // resin ducts per mm²
	BlueStain   float64 // 0..1
	PoresPerMM2 float64 // of the small pores
	PoreMM      float64 // their diameter
	VesselMM    float64 // diameter of the earlywood vessels
	Rows        float64 // mean rows of them
	Gradual     float64 // >0: semi-ring-porous, vessels this far into the ring (share of its width)
	DuctRows    float64 // chance of a row of resin ducts in a ring
	Frost       float64 // chance of a frost ring: a thin dark line early in the ring
	Chalk       float64 // share of the pores filled with white chalk
	Rays        float64 // narrow rays per mm of breadth
	WideRays    float64 // wide rays per mm of breadth
	LineMM      float64 // breadth of the terminal line
	Contrast    float64 // of the ring structure, 1: as the colours say
	Grain       float64 // fine texture, relative
	Streak      float64 // radial texture, relative
	Patchy      float64 // slow unevenness, relative
}

// year holds what is particular to one ring.
type year struct {
	late, dark, width float64 // share of latewood, its darkness, sharpness of the change
	base              float64 // darkness of the earlywood
	compressed        float64
	falseAt           float64 // fraction from the pith's side; 0: none
	falseMM           float64
	falseDark         float64
	frostMM           float64 // breadth of a frost ring at the ring's beginning; 0: none
	bands             float64 // strength of density that comes and goes
	cycles, phase     float64 // how often, and where it begins
}

// drawYears draws the character of each ring, outermost first.
func drawYears(r *rand.Rand, c *Core) []year {
	ys := make([]year, len(c.Widths))
	comp := 0
	lateYear := 0.0
	for i := range ys {
		l := &c.Look
		lateYear = 0.4*lateYear + 0.9*r.NormFloat64()
		y := year{
			late:  clampTo(l.LateShare*math.Exp(0.3*lateYear), 0.05, 0.75),
			dark:  clampTo(0.88+0.09*lateYear, 0.5, 1.05),
			width: logBetween(r, 0.03, 0.2),
			base:  clampTo(0.06+0.03*r.NormFloat64(), 0, 0.2),
		}
		if chance(r, l.PaleYears) {
			y.dark *= between(r, 0.3, 0.6)
			y.late *= 0.7
		}
		if comp == 0 && chance(r, l.Compression/8) {
			comp = 4 + r.IntN(9)
		}
		if comp > 0 {
			comp--
			y.compressed = between(r, 0.5, 1)
			y.late = clampTo(y.late*1.9, 0.3, 0.75)
			y.width = between(r, 0.2, 0.35)
		}
		if c.Widths[i] > 0.5 && chance(r, l.FalseRings) {
			y.falseAt = between(r, 0.35, 0.8) * (1 - 0.5*y.late)
			y.falseMM = min(between(r, 0.06, 0.22), c.Widths[i]*0.16)
			y.falseDark = between(r, 0.25, 0.75)
		}
		if l.Frost > 0 && c.Widths[i] > 0.4 && chance(r, l.Frost) {
			y.frostMM = between(r, 0.03, 0.09)
		}
		if l.Soft > 0 {
			y.width = min(y.width*l.Soft, 0.45)
		}
		if l.Bands > 0 {
			y.bands, y.cycles, y.phase = l.Bands*r.Float64(), between(r, 1, 5), 2*math.Pi*r.Float64()
		}
		ys[i] = y
	}
	return ys
}

func clampTo(x, lo, hi float64) float64 { return max(lo, min(hi, x)) }

const radialStep = 0.003 // mm of rho per entry of a radial table

// radial holds what depends on rho alone, by steps of radialStep.
type radial struct {
	dark  []float32 // 0: palest tissue, 1: darkest
	extra []float32 // false rings, which come and go along the ring
	red   []float32 // compression wood
}

func (t *radial) index(rho float64) int {
	i := int(rho / radialStep)
	if i < 0 {
		return 0
	}
	if i >= len(t.dark) {
		return len(t.dark) - 1
	}
	return i
}

func newRadial(s *stem, c *Core, ys []year) *radial {
	n := int(s.radii[0]/radialStep) + 200
	t := &radial{make([]float32, n), make([]float32, n), make([]float32, n)}
	for i := range n {
		rho := (float64(i) + 0.5) * radialStep
		k := s.ringAt(rho)
		d := tissue(s, c, ys, k, rho)
		// The change across a boundary is centred on it.
		e := min(c.Look.EdgeMM/2, 0.25*ringWidth(s, k))
		if k >= 1 && k < len(s.radii) {
			if in := rho - s.radii[k]; in < e && k < len(ys) {
				d = lerp(tissue(s, c, ys, k+1, s.radii[k]-1e-6), d, smooth(-e, e, in))
			}
			if out := s.radii[k-1] - rho; out < e && k >= 2 {
				d = lerp(tissue(s, c, ys, k-1, s.radii[k-1]+1e-6), d, smooth(-e, e, out))
			}
			y := ys[k-1]
			if y.falseAt > 0 {
				x := (rho - s.radii[k] - y.falseAt*c.Widths[k-1]) / (y.falseMM / 2)
				t.extra[i] = float32(y.falseDark * math.Exp(-x*x))
			}
			if y.frostMM > 0 { // just inside the ring's beginning, sharp on both sides
				x := (rho - s.radii[k] - 0.12*c.Widths[k-1]) / (y.frostMM / 2)
				t.extra[i] += float32(0.45 * math.Exp(-x*x*x*x))
			}
			t.red[i] = float32(y.compressed)
		}
		t.dark[i] = float32(d)
	}
	return t
}

func ringWidth(s *stem, k int) float64 {
	if k < 1 || k >= len(s.radii) {
		return 1
	}
	return s.radii[k-1] - s.radii[k]
}

// tissue is the darkness of the tissue at rho, taken to lie in ring k.
func tissue(s *stem, c *Core, ys []year, k int, rho float64) float64 {
	if k < 1 {
		k = 1
	}
	if k >= len(s.radii) {
		// The pith: darkest at its edge, paler and spongy inside.
		return 0.35 + 0.4*math.Pow(clampTo(rho/s.radii[len(s.radii)-1], 0, 1), 3)
	}
	w := ringWidth(s, k)
	f := clamp01((rho - s.radii[k]) / w)
	if k == 1 && c.Partial > 0 {
		f *= c.Partial
	}
	y := ys[k-1]
	switch c.Wood {
	case measure.RingPorous:
		// Pale tissue between the vessels, then denser, browner latewood.
		return c.Look.Contrast * (0.25 + (0.35+0.3*y.dark)*smooth(0.1, 0.6, f))
	case measure.DiffusePorous:
		line := min(c.Look.LineMM, 0.3*w)
		x := (1 - f) * w / line // 0 at the outer boundary
		d := 0.3 + 0.12*f*y.dark
		if x < 2.5 {
			d += 0.6 * y.dark * math.Exp(-x*x*1.2)
		}
		return c.Look.Contrast*(d-0.3) + 0.3
	}
	rise := y.base + 0.12*f
	late := 1 / (1 + math.Exp(-(f-(1-y.late))/(y.width*0.25)))
	peak := 0.8 + 0.2*smooth(1-y.late, 1, f)
	d := lerp(rise, y.dark*peak*c.Look.Contrast, late)
	return d * (1 + y.bands*math.Sin(2*math.Pi*y.cycles*f+y.phase))
}

// coreScene is a core made ready for painting.
type coreScene struct {
	core     *Core
	stem     *stem
	lay      *lay
	table    *radial
	years    []year
	length   float64
	tiles    *tiles
	offset   [4]float32 // into the tiles
	scratch  [2]float32 // direction of the sanding marks
	splats   []splat
	veils    []veil       // stretches where no boundary can be seen
	lines    [][4]float64 // pencil lines across: u, v of both ends
	box      [4]float64
	bluePick float32
	inner    RGB // of the living bark
}

func newCoreScene(seed uint64, i int, c *Core, ti *tiles) *coreScene {
	r := newRand(seed, 2, uint64(i))
	s := &coreScene{core: c, tiles: ti}
	s.stem = newStem(r, c)
	s.length = c.LengthMM
	if s.length <= 0 {
		s.length = s.stem.pithU + c.past()
	}
	s.lay = newLay(r, c, i, s.length)
	s.years = drawYears(r, c)
	s.table = newRadial(s.stem, c, s.years)
	for k := range s.offset {
		s.offset[k] = float32(r.Float64() * tileSize)
	}
	sin, cos := math.Sincos(between(r, -math.Pi, math.Pi))
	s.scratch = [2]float32{float32(cos), float32(sin)}
	s.inner = c.Look.InnerBark
	if s.inner == (RGB{}) {
		s.inner = c.Look.Bark
	}
	s.bluePick = float32(between(r, 0.2, 1.2))
	s.box[0], s.box[1], s.box[2], s.box[3] = s.lay.box(4)
	return s
}

// shade returns the colour of the core at wood coordinates (u, v), depth mm
// inside its edge.
func (s *coreScene) shade(u, v, depth float64) (r, g, b float32) {
	c := s.core
	l := &c.Look
	fu, fv := float32(u), float32(v)
	ti := s.tiles
	grain := ti.grain.at(fu*45+s.offset[0], fv*45+s.offset[1])
	streak := ti.streak.at(fu*22+s.offset[1], fv*22+s.offset[2])
	patch := ti.blotch.at(fu*6+s.offset[2], fv*6+s.offset[3])
	rho := s.stem.rho(u, v)
	if rho > s.stem.radii[0] && c.BarkMM > 0 {
		return s.shadeBark(fu, fv, grain, rho-s.stem.radii[0])
	}
	i := s.table.index(rho + c.Shape.RoughMM*float64(grain+streak)*0.7)
	d := s.table.dark[i] + s.table.extra[i]*clampUnit(0.6+0.5*patch)
	d *= 1 + 0.06*patch
	if rho < s.stem.radii[len(s.stem.radii)-1] {
		d *= 1 + 0.25*streak
	}
	if d < 0 {
		d = 0
	} else if d > 1.15 {
		d = 1.15
	}
	d += (ringlessTone - d) * float32(c.ringless(u))
	r = float32(l.Early[0]) + float32(l.Late[0]-l.Early[0])*d
	g = float32(l.Early[1]) + float32(l.Late[1]-l.Early[1])*d
	b = float32(l.Early[2]) + float32(l.Late[2]-l.Early[2])*d
	if red := s.table.red[i]; red > 0 {
		r, g, b = r*(1-0.05*red), g*(1-0.13*red), b*(1-0.2*red)
	}
	if l.HeartMM > 0 {
		h := float32(smooth(-0.5, 0.5, s.stem.radii[0]-l.HeartMM+1.2*float64(patch)-rho))
		r *= 1 - h*float32(1-l.Heart[0])
		g *= 1 - h*float32(1-l.Heart[1])
		b *= 1 - h*float32(1-l.Heart[2])
		if l.BlueStain > 0 && h < 1 {
			r, g, b = s.stain(fu, fv, 1-h, r, g, b)
		}
	} else if l.BlueStain > 0 {
		r, g, b = s.stain(fu, fv, 1, r, g, b)
	}
	m := 1 + float32(l.Grain)*grain + float32(l.Streak)*streak + float32(l.Patchy)*patch
	if c.Marks.Scratches > 0 {
		a := fu*s.scratch[0] + fv*s.scratch[1]
		q := fv*s.scratch[0] - fu*s.scratch[1]
		line := ti.fibre.at(a*14+s.offset[3], q*30+s.offset[0])
		m += float32(c.Marks.Scratches) * 0.05 * line
	}
	m *= s.flank(v, float64(streak))
	return r * m, g * m, b * m
}

// ringlessTone is the darkness of wood in which no rings are drawn.
const ringlessTone = 0.3

// ringless tells how far the rings are left out at u, 0 to 1.
func (c *Core) ringless(u float64) float64 {
	from, to := c.Ringless[0], c.Ringless[1]
	if u < from || u > to {
		return 0
	}
	const fade = 1.0 // mm: the ends are no boundaries
	return smooth(0, fade, math.Min(u-from, to-u))
}

// stain blends in the blue of sapstain fungi, in wedges along the rays.
func (s *coreScene) stain(u, v, share, r, g, b float32) (float32, float32, float32) {
	w := s.tiles.fibre.at(u*1.5+s.offset[2], v*2.2+s.offset[1])*0.6 + s.tiles.blotch.at(u*2.5+s.offset[1], v*5)
	k := clampUnit((w-s.bluePick)*0.9) * float32(s.core.Look.BlueStain) * share
	return r * (1 - 0.38*k), g * (1 - 0.31*k), b * (1 - 0.2*k)
}

// flank darkens the unsanded round sides of a core that lies free.
func (s *coreScene) flank(v, ragged float64) float32 {
	if s.core.Marks.Mounted {
		return 1
	}
	flat := s.core.FlatMM/2 + 0.03*ragged
	over := math.Abs(v) - flat
	if over <= 0 {
		return 1
	}
	t := clamp01(over / max(0.05, s.lay.half-flat))
	return float32((0.72 - 0.4*t*t) * (1 + 0.1*ragged))
}

// shadeBark shades bark at a place beyond mm outside the wood.
func (s *coreScene) shadeBark(u, v, grain float32, beyond float64) (r, g, b float32) {
	l := &s.core.Look
	flake := s.tiles.fibre.at(v*9+s.offset[0], u*9+s.offset[3])
	patch := s.tiles.blotch.at(u*14+s.offset[1], v*14+s.offset[0])
	m := 1 + 0.2*flake + 0.16*patch + 0.1*grain
	if m < 0.2 {
		m = 0.2
	}
	// The living bark next to the wood is paler and redder.
	c := l.Bark.mix(s.inner, smooth(0.9, 0.3, beyond+0.15*float64(patch)))
	return float32(c[0]) * m, float32(c[1]) * m, float32(c[2]) * m
}
