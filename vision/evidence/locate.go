package evidence

import (
	"math"

	"pithward/measure"
)

// Locate returns the column of an accepted candidate to a fraction of a pixel,
// and the standard uncertainty of its place in mm.
//
// In conifers the boundary is the steepest place of the mean brightness within
// 0.05 mm of the candidate, where the light falls from earlywood to latewood.
// In other woods it is the candidate itself, moved by the mean deviation that
// training found.
func (m *Model) Locate(f *Features, r Reading, k int, wood measure.Wood, span Span) (u, sdMM float64) {
	u = r.Candidates[k].U
	place := m.Place[wood]
	u += float64(span.Dir) * place.OffsetMM * span.PxPerMM
	if wood == measure.Conifer {
		u = steepest(f.Mean[light], u, math.Max(2, 0.05*span.PxPerMM), span.Dir)
	}
	px := 1 / span.PxPerMM
	return u, math.Hypot(place.DeviationMM, 0.3*px)
}

// Placing says how far candidates of one kind of wood lie from the true
// boundary: the mean (towards the pith) and the deviation, in mm.
type Placing struct {
	OffsetMM    float64 `json:"offset_mm"`
	DeviationMM float64 `json:"deviation_mm"`
}

// steepest returns the place near u where the rows' mean brightness falls most
// steeply towards the pith: the top of the derivative, smoothed over about two
// px, by a parabola.
func steepest(mean []float32, u, reach float64, dir int) float64 {
	lo, hi := int(math.Floor(u-reach)), int(math.Ceil(u+reach))
	if lo < 3 || hi > len(mean)-4 {
		return u
	}
	fall := make([]float64, hi-lo+1)
	for i := range fall {
		c := lo + i
		// Derivative of a smoothed profile: weights 1 2 0 -2 -1.
		fall[i] = float64(dir) * float64(mean[c-2]+2*mean[c-1]-2*mean[c+1]-mean[c+2])
	}
	best := 0
	for i := range fall {
		if fall[i] > fall[best] {
			best = i
		}
	}
	if best == 0 || best == len(fall)-1 || fall[best] <= 0 {
		return u
	}
	d := fall[best-1] - 2*fall[best] + fall[best+1]
	if d >= 0 {
		return float64(lo + best)
	}
	return float64(lo+best) + 0.5*(fall[best-1]-fall[best+1])/d
}
