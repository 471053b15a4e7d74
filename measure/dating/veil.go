package dating

import "math"

// veil.go: wood of a ring in which nothing can be seen may hide boundaries. The
// picture does not speak against them there, so that they are as probable as the
// widths round about make them.

// mostVeiled bounds how many boundaries are thought of in one ring, leastVeil the
// part of the usual width from which a stretch can hide one (chosen).
const (
	mostVeiled = 20
	leastVeil  = 0.1
)

// veiled returns the odds of one, two and more boundaries against none in so many
// mm of hidden wood of ring r. As in reading the picture (measure/unseen.go), n
// boundaries make n+1 rings, whose sum scatters less than one ring does.
func (q *sequence) veiled(r int, hidden float64) (odds []float64) {
	mean := math.Exp(q.level[r])
	if hidden < leastVeil*mean {
		return nil
	}
	density := func(rings, spread float64) float64 {
		d := math.Log(q.width[r]/(rings*mean)) / spread
		return math.Exp(-d*d/2) / spread
	}
	none := math.Max(1e-6, density(1, q.sd))
	held := math.Min(1, hidden/(2.5*q.sd*mean)) // a short stretch holds a boundary by that part only
	for n := 1.0; n <= mostVeiled && n <= hidden/(0.3*mean)+1; n++ {
		odds = append(odds, held*density(n+1, math.Max(0.12, q.sd/math.Sqrt(n+1)))/none)
	}
	return odds
}

// behindVeils is how many boundaries hidden wood holds, by the widths alone.
func (q *sequence) behindVeils() (sum float64) {
	for _, p := range q.places {
		total, mean := 1.0, 0.0
		for n, o := range p.veiled {
			total, mean = total+o, mean+float64(n+1)*o
		}
		sum += mean / total
	}
	return sum
}
