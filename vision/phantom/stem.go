package phantom

import (
	"math"
	"math/rand/v2"
)

// Growth describes a series of ring widths.
type Growth struct {
	MeanMM      float64
	Sensitivity float64 // mean sensitivity (Douglass): mean |2(b-a)/(b+a)|
	AR1         float64 // autocorrelation of the logarithms
	Juvenile    float64 // how much wider the rings at the pith are, 1: none
	HalfYears   float64 // age at which half of that is gone
	FloorMM     float64 // no ring is narrower
}

// Widths draws n ring widths in mm, from bark to pith: log-normal round an age
// trend, with AR(1) years. For normal steps of the logarithm the mean
// sensitivity is about the mean |step| = sd*sqrt(2/pi), whence the innovation.
func (g Growth) Widths(r *rand.Rand, n int) []float64 { return g.under(r, make([]float64, n)) }

// under draws widths as Widths does for a tree that also answers to what its
// site has in common: shared holds the logarithms, from bark to pith.
func (g Growth) under(r *rand.Rand, shared []float64) []float64 {
	n := len(shared)
	stepSD := g.Sensitivity / math.Sqrt(2/math.Pi)
	sd := stepSD / math.Sqrt(2*(1-g.AR1))
	x := sd * r.NormFloat64()
	w := make([]float64, n)
	for age := range n {
		trend := 1 + (g.Juvenile-1)*math.Exp2(-float64(age)/max(1, g.HalfYears))
		w[n-1-age] = trend * math.Exp(x+shared[n-1-age]-sd*sd/2)
		x = g.AR1*x + sd*math.Sqrt(1-g.AR1*g.AR1)*r.NormFloat64()
	}
	var sum float64
	for _, v := range w {
		sum += v
	}
	for i := range w {
		w[i] = max(g.FloorMM, w[i]*g.MeanMM*float64(n)/sum)
	}
	return w
}

const (
	bendAngles = 2048 // columns of the bend table, round the pith
	bendRadii  = 128  // its rows, from the pith outwards
)

// stem is the cross-section of a tree as one core meets it: rings round the
// pith, which lies at (pithU, pithV) in the core's frame.
type stem struct {
	pithU, pithV float64
	radii        []float64 // of boundary k, outermost first; the last is the pith's edge
	outer        float64   // rho at the outer end of the core's axis
	bend         []float32 // rho - r over angle and radius
	bendScale    float64   // radius to rows
}

func newStem(r *rand.Rand, c *Core) *stem {
	s := &stem{pithV: c.PithMissMM}
	s.radii = make([]float64, len(c.Widths)+1)
	s.radii[len(c.Widths)] = c.PithMM
	for i := len(c.Widths) - 1; i >= 0; i-- {
		s.radii[i] = s.radii[i+1] + c.Widths[i]
	}
	s.outer = s.radii[0] - c.OuterLostMM
	s.makeBend(r, c.Shape)
	s.placePith()
	return s
}

// makeBend tabulates how far rho departs from the radius: an eccentric part
// that grows with the radius and waves that drift slowly from ring to ring.
func (s *stem) makeBend(r *rand.Rand, sh Shape) {
	rmax := s.radii[0]*1.4 + 10
	s.bendScale = (bendRadii - 1) / rmax
	s.bend = make([]float32, bendAngles*bendRadii)
	e1, e2 := between(r, -math.Pi, math.Pi), between(r, -math.Pi, math.Pi)
	type wave struct{ n, phase, drift, amp float64 }
	var waves []wave
	if sh.WaveMM > 0 {
		mid := s.radii[0] * 0.6
		for i := range 5 {
			n := math.Round(2 * math.Pi * mid / sh.WaveArcMM * logBetween(r, 0.35, 1.6))
			waves = append(waves, wave{max(3, n), between(r, 0, 2*math.Pi),
				between(r, -0.12, 0.12), sh.WaveMM * (1 - 0.12*float64(i)) / 2})
		}
	}
	for j := range bendRadii {
		rad := float64(j) / s.bendScale
		fade := rad / (rad + 6) // no waves at the pith
		for i := range bendAngles {
			phi := (float64(i)/bendAngles - 0.5) * 2 * math.Pi
			d := rad * sh.Eccentric * (0.8*math.Cos(phi-e1) + 0.3*math.Cos(2*phi-e2)) * 0.5
			for _, w := range waves {
				d += fade * w.amp * math.Sin(w.n*phi+w.phase+w.drift*rad)
			}
			s.bend[j*bendAngles+i] = float32(d)
		}
	}
}

// bendAt returns rho - r at radius r and angle phi from the direction to the
// bark.
func (s *stem) bendAt(r, phi float64) float64 {
	y := min(r*s.bendScale, bendRadii-1.001)
	x := (phi/(2*math.Pi) + 0.5) * bendAngles
	iy, ix := int(y), int(x)
	fy, fx := y-float64(iy), x-float64(ix)
	x0, x1 := ix&(bendAngles-1), (ix+1)&(bendAngles-1)
	a := s.bend[iy*bendAngles : (iy+1)*bendAngles]
	b := s.bend[(iy+1)*bendAngles : (iy+2)*bendAngles]
	top := float64(a[x0]) + float64(a[x1]-a[x0])*fx
	bottom := float64(b[x0]) + float64(b[x1]-b[x0])*fx
	return top + (bottom-top)*fy
}

// rho is the ring coordinate in mm of a place in the core's frame.
func (s *stem) rho(u, v float64) float64 {
	du, dv := s.pithU-u, v-s.pithV
	r := math.Sqrt(du*du + dv*dv)
	return r + s.bendAt(r, math.Atan2(dv, du))
}

// radius returns the radius at which rho is reached at the angle phi.
func (s *stem) radius(rho, phi float64) float64 {
	r := rho
	for range 30 {
		next := rho - s.bendAt(r, phi)
		if math.Abs(next-r) < 1e-7 {
			return next
		}
		r = next
	}
	return r
}

// angleAt returns the angle at which rho meets the line v on the bark's side of
// the pith; beyond the ring's reach, a quarter turn and false.
func (s *stem) angleAt(rho, v float64) (phi float64, ok bool) {
	for range 40 {
		sin := (v - s.pithV) / s.radius(rho, phi)
		if math.Abs(sin) > 0.98 {
			return math.Copysign(math.Pi/2, sin), false
		}
		next := math.Asin(sin)
		if math.Abs(next-phi) < 1e-6 {
			break
		}
		phi = next
	}
	return phi, true
}

// along returns the u at which rho is met on the bark's side of the pith on
// the line v, and whether that ring crosses the line squarely enough.
func (s *stem) along(rho, v float64) (u float64, ok bool) { return s.meet(rho, v, 1) }

// beyond is along on the other side of the pith.
func (s *stem) beyond(rho, v float64) (u float64, ok bool) { return s.meet(rho, v, -1) }

func (s *stem) meet(rho, v, side float64) (u float64, ok bool) {
	r := rho
	var sin float64
	for range 60 {
		sin = (v - s.pithV) / r
		if math.Abs(sin) > 0.98 {
			return 0, false
		}
		phi := math.Asin(sin)
		if side < 0 {
			phi = math.Copysign(math.Pi, sin) - phi
		}
		next := rho - s.bendAt(r, phi)
		if next <= 0 {
			return 0, false
		}
		if math.Abs(next-r) < 1e-7 {
			break
		}
		r = next
	}
	return s.pithU - side*r*math.Sqrt(1-sin*sin), true
}

// placePith puts the pith so far along the core that rho at the outer end of
// its axis is as it should be.
func (s *stem) placePith() {
	lo, hi := 0.0, s.outer*3+50
	for range 80 {
		s.pithU = (lo + hi) / 2
		if s.rho(0, 0) < s.outer {
			lo = s.pithU
		} else {
			hi = s.pithU
		}
	}
}

// ringAt returns the ring (1: outermost) that holds rho; 0 outside the wood,
// len(radii) inside the pith.
func (s *stem) ringAt(rho float64) int {
	lo, hi := 0, len(s.radii) // the first boundary at or inside rho
	for lo < hi {
		m := (lo + hi) / 2
		if s.radii[m] <= rho {
			hi = m
		} else {
			lo = m + 1
		}
	}
	return lo
}
