package dating

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/floats"
)

// PlaceOptions are the choices in placing a floating series.
type PlaceOptions struct {
	// Sure is the posterior probability from which a placement is a date.
	Sure float64
	// MinOverlap is the fewest years that a placement must have in common with
	// the master to be tried, and to be believed.
	MinOverlap int
	// Keep is the number of placements listed, at least.
	Keep int
}

// DefaultPlaceOptions: 0.99 as the contract has it; 30 years, below which
// laboratories do not date (common practice; many ask for 50).
func DefaultPlaceOptions() PlaceOptions { return PlaceOptions{Sure: 0.99, MinOverlap: 30, Keep: 5} }

// priorNone is the probability, before looking, that none of the placements
// tried is right: that the wood is older, younger or from elsewhere. It is
// chosen: as likely as not.
const priorNone = 0.5

// Placement is one position of a series on the master.
type Placement struct {
	LastYear          int // of the series, whether its last ring has a width or not
	Overlap           int // years with a pattern in both
	R                 float64
	TBailliePilcher   *float64 // nil where it does not exist
	THollstein        *float64
	Gleichlaeufigkeit *float64
	// GleichlaeufigkeitChance is the probability of as much agreement, or more,
	// at one position of independent signs.
	GleichlaeufigkeitChance *float64
	Posterior               float64
}

// Placing is what came of placing a series.
type Placing struct {
	N          int // rings of the series
	Tried      int // placements
	Placements []Placement
	Posterior  float64 // of the best; 0 without placements
	NoneOf     float64 // probability that no placement tried is right
	Dated      bool
	Reason     string // why it is not dated and what would be needed; "" if it is
}

// candidate is a placement tried.
type candidate struct {
	moved int // years by which the series is moved
	n     int
	r     float64
	logLR float64 // log of the likelihood of r if this is right, against if not
}

// Place tries every position of a series on a master that has enough years in
// common, and gives each the posterior probability that it is right.
//
// If a position is right, Fisher's z = atanh(r) sqrt(n-3) of its correlation is
// normal about zeta sqrt(n-3) with deviation 1, and zeta is distributed as
// master.Zeta; if it is not, z is normal about 0 with the deviation that the
// positions themselves show, at least 1 (Fisher 1921, Metron 1:3-32). Every
// position has the same probability beforehand, all together 1/2; the other
// half is that of none. Thus each position tried makes every other less
// probable, and a series that fits nowhere is left undated.
//
// Where the master has Trees, the years next to the best placement are weighed
// once more, tree by tree, since a tree may be wrongly dated itself (see
// votes): a date that some trees put a year away is not sure.
func Place(w Values, master Master, o PlaceOptions) Placing {
	p := Placing{N: w.Defined(), NoneOf: 1}
	pattern := Pattern(w)
	tried := try(pattern, master, o.MinOverlap)
	p.Tried = len(tried)
	if len(tried) == 0 {
		p.Reason = tooShort(p.N, pattern, master, o)
		return p
	}
	posteriors, _ := weigh(tried)
	before := floats.Max(posteriors)
	stands := master.revote(pattern, tried, posteriors, w.LastYear())
	p.NoneOf = math.Max(0, 1-floats.Sum(posteriors))
	order := make([]int, len(tried))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return posteriors[order[a]] > posteriors[order[b]] })
	for k, i := range order {
		if k >= o.Keep && posteriors[i] < 0.01 {
			break
		}
		p.Placements = append(p.Placements, describe(w, master, tried[i], posteriors[i]))
	}
	p.Posterior = p.Placements[0].Posterior
	if p.Dated = p.Posterior >= o.Sure; !p.Dated {
		p.Reason = p.wanting(tried, tried[order[0]], master.Zeta, o)
		if stands != "" && before > p.Posterior+0.005 { // the trees' votes took the sureness
			p.Reason = fmt.Sprintf("the best placement has probability %.3f where %g is asked for; the trees of the reference put its last ring at different years (%s): check their own dating with --hold before dating against them",
				p.Posterior, o.Sure, stands)
		}
	}
	return p
}

// revote shares the posterior of the years round the best placement among them
// as the master's trees vote, in place. Where the trees stand at different
// years, it says at which; lastYear is that of the series before it is moved.
func (m Master) revote(pattern Values, tried []candidate, posteriors []float64, lastYear int) (stands string) {
	if len(m.Trees) < 2 {
		return ""
	}
	best, at := 0, map[int]int{}
	for i, c := range tried {
		at[c.moved] = i
		if posteriors[i] > posteriors[best] {
			best = i
		}
	}
	middle := tried[best].moved
	share, own := votes(pattern, m.Trees, m.Zeta.singleTree(), middle)
	if share == nil {
		return ""
	}
	var mass, there float64
	for y, s := range share {
		if i, ok := at[middle+y-nearYears]; ok {
			mass += posteriors[i]
			there += s
		}
	}
	for y, s := range share {
		i, ok := at[middle+y-nearYears]
		if !ok {
			continue
		}
		posteriors[i] = mass * s / there
		if 2*standing(own, y-nearYears) < len(own) {
			posteriors[i] /= 2 // most trees stand elsewhere: for a person to see
		}
	}
	return disagreeing(own, m.Names, lastYear+middle)
}

// try correlates the pattern with the master at every position.
func try(pattern Values, master Master, minOverlap int) []candidate {
	var tried []candidate
	m := master.Pattern
	if pattern.Defined() < minOverlap || len(m.V) == 0 {
		return nil
	}
	from, to := m.FirstYear-pattern.LastYear()+minOverlap-1, m.LastYear()-pattern.FirstYear-minOverlap+1
	for moved := from; moved <= to; moved++ {
		if n, r, ok := fastCorrelation(pattern, m, moved); ok && n >= minOverlap {
			tried = append(tried, candidate{moved: moved, n: n, r: r})
		}
	}
	scale := spread(tried)
	for i, c := range tried {
		tried[i].logLR = master.Zeta.logLikelihoodRatio(c.z()/scale, c.n)
	}
	return tried
}

// z is Fisher's z, of deviation 1 for independent years.
func (c candidate) z() float64 {
	return math.Atanh(math.Max(-0.999999, math.Min(0.999999, c.r))) * math.Sqrt(float64(c.n-3))
}

// spread is the deviation of z over all positions, at least 1, by the median of
// |z|, which the one right position does not move. Few positions tell nothing.
func spread(tried []candidate) float64 {
	if len(tried) < 30 {
		return 1
	}
	z := make([]float64, len(tried))
	for i, c := range tried {
		z[i] = math.Abs(c.z())
	}
	m, _ := Median(z)
	return math.Max(1, m/0.674490) // quartile of the normal distribution
}

// logLikelihoodRatio compares z, n years, for a right placement with a wrong
// one: the mean over zeta of exp(z zeta s - zeta^2 s^2 / 2), s = sqrt(n-3).
func (p Zeta) logLikelihoodRatio(z float64, n int) float64 {
	const steps, top = 60, 3.0
	s := math.Sqrt(float64(n - 3))
	most, weight := math.Inf(-1), 0.0
	var logs [steps]float64
	for i := range logs {
		zeta := (float64(i) + 0.5) * top / steps
		u := (zeta - p.Mean) / p.SD
		weight += math.Exp(-u * u / 2)
		logs[i] = z*zeta*s - zeta*zeta*s*s/2 - u*u/2
		most = math.Max(most, logs[i])
	}
	sum := 0.0
	for _, l := range logs {
		sum += math.Exp(l - most)
	}
	return most + math.Log(sum/weight)
}

// weigh turns likelihoods into posteriors.
func weigh(tried []candidate) (posteriors []float64, none float64) {
	each := math.Log((1 - priorNone) / float64(len(tried)))
	most := math.Log(priorNone)
	for _, c := range tried {
		most = math.Max(most, each+c.logLR)
	}
	none = math.Exp(math.Log(priorNone) - most)
	sum := none
	posteriors = make([]float64, len(tried))
	for i, c := range tried {
		posteriors[i] = math.Exp(each + c.logLR - most)
		sum += posteriors[i]
	}
	for i := range posteriors {
		posteriors[i] /= sum
	}
	return posteriors, none / sum
}

// describe adds the statistics that people know to a placement.
func describe(w Values, master Master, c candidate, posterior float64) Placement {
	moved := w.Moved(c.moved)
	g := Gleichlaufig(moved, master.Curve)
	return Placement{
		LastYear: moved.LastYear(), Overlap: c.n, R: c.r, Posterior: posterior,
		TBailliePilcher:         optional(Correlate(BailliePilcher(moved), BailliePilcher(master.Curve)).T()),
		THollstein:              optional(Correlate(Hollstein(moved), Hollstein(master.Curve)).T()),
		Gleichlaeufigkeit:       optional(g.Classic()),
		GleichlaeufigkeitChance: optional(g.Chance(), g.Intervals > 0),
	}
}

func tooShort(n int, pattern Values, master Master, o PlaceOptions) string {
	switch {
	case pattern.Defined() == 0:
		return fmt.Sprintf("its %d rings do not vary, or are too few, so that there is nothing to compare", n)
	case len(master.Pattern.V) == 0:
		return "there is no dated series to set it against"
	case pattern.Defined() < o.MinOverlap:
		return fmt.Sprintf("it has %d rings to compare; at least %d are needed", pattern.Defined(), o.MinOverlap)
	}
	return fmt.Sprintf("the reference is shorter than the %d years that must be in common", o.MinOverlap)
}

// wanting says why the best placement is not believed, and what would be needed.
func (p Placing) wanting(tried []candidate, best candidate, zeta Zeta, o PlaceOptions) string {
	why := fmt.Sprintf("the best placement has probability %.3f where %g is asked for; that none is right has %.3f", p.Posterior, o.Sure, p.NoneOf)
	if len(p.Placements) > 1 && p.Placements[1].Posterior > p.Posterior/10 {
		why += fmt.Sprintf("; the year %d is nearly as good as %d", p.Placements[1].LastYear, p.Placements[0].LastYear)
	}
	scale := spread(tried)
	odds := math.Log(o.Sure/(1-o.Sure)) + math.Log(priorNone/(1-priorNone)*float64(len(tried))+float64(len(tried)))
	for n := best.n + 1; n <= 1000 && best.r > 0; n++ {
		z := candidate{n: n, r: best.r}.z() / scale
		if zeta.logLikelihoodRatio(z, n) >= odds {
			return why + fmt.Sprintf("; agreement as here (r %.2f) would be enough over some %d years in place of %d", best.r, n, best.n)
		}
	}
	return why + "; no length would be enough at this agreement: other radii, or a reference nearer to it, are needed"
}

// fastCorrelation is Correlate with the first series moved, without copies.
func fastCorrelation(a, b Values, moved int) (n int, r float64, ok bool) {
	from, to := max(a.FirstYear+moved, b.FirstYear), min(a.LastYear()+moved, b.LastYear())
	if to < from {
		return 0, 0, false
	}
	x := a.V[from-moved-a.FirstYear : to-moved-a.FirstYear+1]
	y := b.V[from-b.FirstYear : to-b.FirstYear+1]
	var sx, sy, sxx, syy, sxy float64
	for i, p := range x {
		q := y[i]
		if p != p || q != q { // NaN
			continue
		}
		n++
		sx += p
		sy += q
		sxx += p * p
		syy += q * q
		sxy += p * q
	}
	m := float64(n)
	vx, vy := sxx-sx*sx/m, syy-sy*sy/m
	if n < 4 || vx <= 1e-9*sxx || vy <= 1e-9*syy {
		return n, 0, false
	}
	return n, math.Max(-1, math.Min(1, (sxy-sx*sy/m)/math.Sqrt(vx*vy))), true
}
