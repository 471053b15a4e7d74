package evidence

import (
	"math"

	"pithward/measure"
)

// Placing says, for one kind of wood, how far the places found lie from the
// true boundary: weights of PlaceSigns.
type Placing struct {
	Offset    []float64 `json:"offset_mm"` // mean, towards the pith: the weighted sum itself
	Deviation []float64 `json:"deviation"` // natural logarithm of the boundary's own standard deviation in mm
	SharedMM  float64   `json:"shared_mm"` // standard deviation of what all boundaries of a core are off by
}

// Located is the place of a boundary, to a fraction of a column.
type Located struct {
	U        float64
	SDMM     float64   // standard uncertainty
	SharedMM float64   // the part of it that the core's other boundaries share
	Signs    []float64 // what that was told from: PlaceSigns
}

// Locate finds the place of an accepted candidate. at is the course's slope
// there.
//
// In conifers the boundary is the steepest place of the mean brightness within
// 0.05 mm of the candidate, where the light falls from earlywood to latewood.
// In other woods it is the candidate itself. Both are moved by the mean
// deviation that training found for boundaries that look like this one.
func (m *Model) Locate(f *Features, r Reading, k int, wood measure.Wood, span Span, slope float64) Located {
	c := r.Candidates[k]
	l := Located{U: c.U}
	if wood == measure.Conifer {
		l.U = steepest(f.Mean[light], c.U, math.Max(2, 0.05*span.PxPerMM), span.Dir)
	}
	l.Signs = placeSigns(f, r, k, l.U, span, slope)
	place := m.Place[wood]
	if len(place.Offset) != len(l.Signs) || len(place.Deviation) != len(l.Signs) {
		l.SDMM = math.Hypot(0.02, 0.3/span.PxPerMM) // not yet learned
		return l
	}
	var offset, log float64
	for i, x := range l.Signs {
		offset += x * place.Offset[i]
		log += x * place.Deviation[i]
	}
	l.U += float64(span.Dir) * math.Max(-0.08, math.Min(0.08, offset)) * span.PxPerMM
	own := math.Max(0.2/span.PxPerMM, math.Min(0.3, math.Exp(log)))
	l.SDMM, l.SharedMM = math.Hypot(own, place.SharedMM), place.SharedMM
	return l
}

// placeSigns is what tells how well a boundary's place is known, each of the
// order of one:
//   - a constant;
//   - the breadth of the evidence's peak and that of the edge in the light, and
//     the size of a pixel, as logarithms: soft pictures have broad edges;
//   - the boundary's log odds;
//   - the ring's breadth, as a logarithm;
//   - the slope of the layers, whose course is known to a part of it only.
func placeSigns(f *Features, r Reading, k int, u float64, span Span, slope float64) []float64 {
	c := r.Candidates[k]
	ring := r.LocalMM[k]
	log := func(x, usual float64) float64 { return math.Max(-3, math.Min(3, math.Log(math.Max(x, 1e-6)/usual))) }
	return []float64{
		1,
		log(c.BreadthPx/span.PxPerMM, 0.03),
		log(edgeBreadth(f.Mean[light], u, span, math.Min(0.3, 0.4*ring))/span.PxPerMM, 0.1),
		log(1/span.PxPerMM, 0.021),
		logit(r.Probability[k]) / 4,
		log(ring, 0.7),
		math.Min(1, math.Abs(slope)),
	}
}

// edgeBreadth is the breadth in px over which the light falls from its highest
// on the bark's side to its lowest on the pith's side, each within reach (mm),
// if it fell all the way as steeply as at its steepest.
func edgeBreadth(mean []float32, u float64, span Span, reachMM float64) float64 {
	n := int(math.Max(3, reachMM*span.PxPerMM))
	at := func(d int) float64 {
		return float64(mean[max(0, min(len(mean)-1, int(u+0.5)+d*span.Dir))])
	}
	high, low, steep := at(0), at(0), 0.0
	for d := 1; d <= n; d++ {
		high, low = math.Max(high, at(-d)), math.Min(low, at(d))
	}
	for d := -2; d <= 2; d++ {
		steep = math.Max(steep, (at(d-1)-at(d+1))/2)
	}
	if high-low < 1 || steep <= 0 {
		return float64(2 * n)
	}
	return math.Min(float64(2*n), (high-low)/steep)
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
