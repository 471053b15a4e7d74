package phantom

import (
	"math/rand/v2"

	"pithward/measure"
)

// wildGrowth widens how trees grow: fast and slow ones, years more and less
// alike, wide rings round the pith that narrow within a few years. It returns
// how much longer the core has to be to hold as many rings.
func wildGrowth(r *rand.Rand, g *Growth, wood measure.Wood) float64 {
	g.Sensitivity, g.AR1 = between(r, 0.1, 0.5), between(r, 0, 0.75)
	if wood == measure.RingPorous {
		g.Sensitivity = min(g.Sensitivity, 0.35)
	}
	g.Juvenile, g.HalfYears = logBetween(r, 1, 4), logBetween(r, 3, 40)
	fast := 0.12
	if wood == measure.Conifer {
		fast = 0.35
	}
	if !chance(r, fast) {
		return 1
	}
	g.MeanMM = logBetween(r, 2, 6)
	return 1.6
}

// wildLook widens what wood looks like beyond RandomLook: other colours, fainter
// and stronger structure, coarser and finer tissue, density that comes and
// goes within a ring.
func wildLook(r *rand.Rand, l *Look, wood measure.Wood) {
	tone := between(r, 0.75, 1.08)
	for i := range 3 {
		k := tone * (1 + 0.06*r.NormFloat64())
		l.Early[i], l.Late[i] = clampTo(l.Early[i]*k, 0, 250), clampTo(l.Late[i]*k*(1+0.05*r.NormFloat64()), 0, 250)
	}
	l.Grain *= logBetween(r, 0.6, 2)
	l.Streak *= logBetween(r, 0.6, 2)
	l.Patchy *= logBetween(r, 0.7, 3)
	switch wood {
	case measure.Conifer:
		l.Contrast *= logBetween(r, 0.6, 1)
		l.Soft = logBetween(r, 0.7, 3)
		if chance(r, 0.5) {
			l.Bands = between(r, 0.05, 0.4)
		}
		l.FalseRings *= between(r, 0.5, 2)
		if chance(r, 0.3) {
			l.EdgeMM = between(r, 0.08, 0.25)
		}
		l.LateShare = clampTo(l.LateShare*logBetween(r, 0.6, 1.5), 0.08, 0.6)
	case measure.RingPorous:
		l.VesselMM *= logBetween(r, 0.75, 1.25)
		l.PoreMM *= logBetween(r, 0.8, 1.3)
		l.PoresPerMM2 *= logBetween(r, 0.5, 1.6)
		l.Rays *= logBetween(r, 0.5, 1.6)
	case measure.DiffusePorous:
		l.PoreMM *= logBetween(r, 0.8, 1.25)
		l.PoresPerMM2 *= logBetween(r, 0.5, 1.5)
		l.Rays *= logBetween(r, 0.5, 1.5)
	}
}
