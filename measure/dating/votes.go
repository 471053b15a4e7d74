package dating

import (
	"fmt"
	"math"
	"strings"
)

// A reference tree may itself be wrongly dated where the series lies: a ring
// missed or invented shifts all its older years by one. These say how often, and
// how often a tree agrees with nothing (chosen; automatic readings before they
// are checked have such faults in one core of five or so).
const (
	faultyBeforehand = 0.2
	deafBeforehand   = 0.05
)

// Around the best placement, years up to nearYears away are weighed against it
// tree by tree; a tree must have fewestVoting years in common to count.
const (
	nearYears    = 2
	fewestVoting = 20
)

// votes weighs the years next to the best placement tree by tree: a mean of
// several trees hides that some of them stand a year apart. With L(y) the
// likelihood ratio of a tree's own agreement at year y (as in Place), the weight
// of y is the product over the trees of
//
//	(1 - f - d) L(y) + f/2 (L(y-1) + L(y+1)) + d
//
// f and d being faultyBeforehand and deafBeforehand. It returns the share of
// every year from best - nearYears to best + nearYears, which sum to 1, and for
// each tree the year in that range, 0 for the best placement's own, at which it
// agrees best; trees with too little in common have none. nil: no tree votes.
func votes(pattern Values, trees []Values, zeta Zeta, best int) (share []float64, own map[int]int) {
	const years = 2*nearYears + 1
	logs := make([]float64, years)
	own = map[int]int{}
	for t, tree := range trees {
		ll, ok := treeLikelihoods(pattern, tree, zeta, best)
		if !ok {
			continue
		}
		top := 1
		for y := range years {
			if ll[y+1] > ll[top] {
				top = y + 1
			}
			logs[y] += math.Log((1-faultyBeforehand-deafBeforehand)*math.Exp(ll[y+1]) +
				faultyBeforehand/2*(math.Exp(ll[y])+math.Exp(ll[y+2])) + deafBeforehand)
		}
		own[t] = top - 1 - nearYears
	}
	if len(own) == 0 {
		return nil, nil
	}
	most := logs[0]
	for _, l := range logs {
		most = math.Max(most, l)
	}
	share = make([]float64, years)
	var sum float64
	for y, l := range logs {
		share[y] = math.Exp(l - most)
		sum += share[y]
	}
	for y := range share {
		share[y] /= sum
	}
	return share, own
}

// treeLikelihoods are the log likelihood ratios of one tree's agreement from one
// year before the range of years to one after it.
func treeLikelihoods(pattern, tree Values, zeta Zeta, best int) ([]float64, bool) {
	ll := make([]float64, 2*nearYears+3)
	for i := range ll {
		n, r, ok := fastCorrelation(pattern, tree, best+i-nearYears-1)
		if !ok || n < fewestVoting {
			return nil, false
		}
		ll[i] = math.Min(60, zeta.logLikelihoodRatio(candidate{n: n, r: r}.z(), n))
	}
	return ll, true
}

// singleTree is the agreement to expect of one tree where zeta is that of the
// mean of several: less, by 0.70, the median over 18 sites (TestSingleTree).
func (p Zeta) singleTree() Zeta { return Zeta{Mean: 0.7 * p.Mean, SD: p.SD} }

// standing counts the trees that stand at a year.
func standing(own map[int]int, year int) (n int) {
	for _, y := range own {
		if y == year {
			n++
		}
	}
	return n
}

// disagreeing says at which year each tree stands, "" where all stand at one.
func disagreeing(own map[int]int, names []string, year int) string {
	var list []string
	at := map[int]bool{}
	for t, name := range names {
		if y, ok := own[t]; ok {
			at[y] = true
			list = append(list, fmt.Sprintf("%s %d", name, year+y))
		}
	}
	if len(at) < 2 {
		return ""
	}
	return strings.Join(list, ", ")
}
