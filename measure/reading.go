package measure

import (
	"math"
	"slices"
)

// Proposal is a place that may be a boundary, as evidence offers it.
type Proposal struct {
	At      float64 // mm of wood along the path from bark to pith, openings of gaps taken off
	LogOdds float64 // of a boundary here, from the picture alone, all else being equal
}

// Prior says how rings follow each other: how much the logarithm of a ring's
// width scatters round the local mean, and how much that counts against the
// picture.
type Prior struct {
	Spread float64 `json:"spread"` // standard deviation of ln(width / local mean) at the centre of the distribution
	Weight float64 `json:"weight"` // 0: the picture alone decides; 1: full weight
	Bias   float64 `json:"bias"`   // added to every proposal's log odds
}

// DefaultPrior was chosen on rendered cores (see cmd/train). The spread is
// near the year-to-year variation of real series with mean sensitivity
// 0.2 to 0.4 (Fritts 1976).
var DefaultPrior = Prior{Spread: 0.42, Weight: 0.8, Bias: 0}

// tails is the number of degrees of freedom of the Student t that the log of
// a width follows: heavy tails, so that a missed boundary or a sudden change
// of growth bends no sure boundary.
const tails = 4

// Inference is the posterior over all ways of reading a sequence of
// proposals.
type Inference struct {
	Accepted    []int     // proposals on the most probable reading, from bark to pith
	Probability []float64 // posterior probability of each proposal
	Count, SD   float64   // posterior mean and deviation of the number of boundaries
	LocalMM     []float64 // local mean ring width at each proposal, mm
	Score       float64   // log evidence of the best reading, for comparing hypotheses
	Unseen      []Unseen  // for each veil, where its wood belongs on the most probable reading
}

// Veil is a stretch of wood, in mm as in Proposal, in which no boundary can be
// seen: those that are there are known from the widths alone.
type Veil struct{ From, To float64 }

// Unseen is how many boundaries probably lie hidden in a veil.
type Unseen struct{ Mean, SD float64 }

// Infer reads a sequence of proposals (At rising) as a semi-Markov chain: the
// state is "a boundary here", the time to the next state a ring width that is
// log-t distributed round a local mean. The local mean is not known
// beforehand: it is found with the reading, in a few rounds. barriers are
// places (mm) across which widths mean nothing: lost wood. Between two
// boundaries with a veil in between any number of unseen ones may lie; the
// chain sums over that number.
//
// The chain is summed by the forward-backward algorithm and its best path
// found by the Viterbi algorithm (Rabiner 1989, Proc. IEEE 77:257-286, with
// explicit duration density, section IV.D).
func Infer(proposals []Proposal, barriers []float64, veils []Veil, prior Prior) Inference {
	n := len(proposals)
	if n == 0 {
		return Inference{}
	}
	local := make([]float64, n)
	first := prior
	first.Weight = 0
	inf := newChain(proposals, barriers, veils, local, first).independent()
	known := make(pairs, n) // through all rounds
	var c *chain
	for round := 1; ; round++ {
		localWidths(proposals, inf, local)
		c = newChain(proposals, barriers, veils, local, prior)
		c.known, c.round = known, round
		before := inf.Accepted
		if inf.Accepted = c.best(); len(inf.Accepted) < 3 {
			inf.Count = c.sums().Count // for the next round
		} else if slices.Equal(inf.Accepted, before) {
			break // and so it would go on
		}
		if round == rounds {
			break
		}
	}
	accepted := inf.Accepted
	inf = c.sums()
	inf.Accepted, inf.LocalMM = accepted, local
	inf.Unseen = c.unseenIn(accepted)
	return inf
}

// rounds bounds how often the local mean is found anew.
const rounds = 3

// localWidths fills local with the mean ring width near each proposal, as the
// accepted widths within nine rings have it, smoothed.
func localWidths(p []Proposal, inf Inference, local []float64) {
	if len(inf.Accepted) < 3 {
		span := p[len(p)-1].At - p[0].At
		for i := range local {
			local[i] = math.Max(span/math.Max(1, inf.Count), 0.05)
		}
		return
	}
	widths := make([]float64, len(inf.Accepted)-1)
	middle := make([]float64, len(widths))
	for k := range widths {
		widths[k] = math.Log(math.Max(p[inf.Accepted[k+1]].At-p[inf.Accepted[k]].At, 0.01))
		middle[k] = (p[inf.Accepted[k+1]].At + p[inf.Accepted[k]].At) / 2
	}
	smoothed := make([]float64, len(widths))
	for k := range widths {
		smoothed[k] = middleAt(widths, k)
	}
	k := 0
	for i := range local {
		for k+1 < len(middle) && math.Abs(middle[k+1]-p[i].At) <= math.Abs(middle[k]-p[i].At) {
			k++
		}
		a, b := max(0, k-2), min(len(smoothed), k+3)
		var sum float64
		for _, s := range smoothed[a:b] {
			sum += s
		}
		local[i] = math.Exp(sum / float64(b-a))
	}
}

// middleAt is the middle of the log widths within four rings of ring k, brought
// to it along their slope: near the pith and where a tree is set free widths
// change from ring to ring, and at the ends the neighbours lie on one side. The
// slope is the median of all pairs' (Theil 1950, Sen 1968), drawn to none as
// far as years that scatter by yearly leave it uncertain.
func middleAt(x []float64, k int) float64 {
	const yearly, usual = 0.35, 0.1 // deviations of log width, and of true slopes a ring (chosen: half in seven rings)
	a, b := max(0, k-4), min(len(x), k+5)
	var slopes []float64
	for i := a; i < b; i++ {
		for j := i + 1; j < b; j++ {
			slopes = append(slopes, (x[j]-x[i])/float64(j-i))
		}
	}
	if len(slopes) == 0 {
		return x[k]
	}
	n := float64(b - a)
	square := yearly * yearly * 12 / (n * (n*n - 1)) // of the slope's standard error by least squares
	slope := medianOf(slopes) * usual * usual / (usual*usual + square)
	level := make([]float64, 0, b-a)
	for i := a; i < b; i++ {
		level = append(level, x[i]-slope*float64(i-k))
	}
	return medianOf(level)
}

func medianOf(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	if len(s)%2 == 1 {
		return s[len(s)/2]
	}
	return (s[len(s)/2-1] + s[len(s)/2]) / 2
}

// chain is the semi-Markov chain over proposals, with a start before the first
// and an end behind the last.
type chain struct {
	p     []Proposal
	local []float64
	log   []float64 // of local
	lost  []int     // number of barriers before each proposal
	veils []Veil
	dark  []float64 // mm of veils before each proposal; nil without any
	prior Prior
	known pairs
	round int
}

// pair is what is known of two proposals that may follow each other: sums run
// over it forwards and backwards, in several rounds, and logarithms are dear.
type pair struct {
	logWidth float64
	weight   float64 // in this round
	round    int     // 0: nothing is known yet
}

// pairs are kept by the later proposal, then by how far the earlier one stands
// before it.
type pairs [][]pair

func (p pairs) at(i, j int) *pair {
	if missing := j - i - len(p[j]); missing > 0 {
		p[j] = append(p[j], make([]pair, missing)...)
	}
	return &p[j][j-i-1]
}

// farthest is how many local mean widths a ring may span.
const farthest = 7

func newChain(p []Proposal, barriers []float64, veils []Veil, local []float64, prior Prior) *chain {
	c := &chain{p: p, local: local, prior: prior, lost: make([]int, len(p)), log: make([]float64, len(p)), veils: veils,
		known: make(pairs, len(p)), round: 1}
	for i := range p {
		c.log[i] = math.Log(local[i])
		for _, b := range barriers {
			if b < p[i].At {
				c.lost[i]++
			}
		}
	}
	c.darken()
	return c
}

// link is the log weight of proposal j following i as the next boundary, where
// no veil lies between them.
func (c *chain) link(i, j int) float64 {
	if c.prior.Weight == 0 || c.lost[i] != c.lost[j] {
		return 0
	}
	k := c.known.at(i, j)
	if k.round == c.round {
		return k.weight
	}
	if k.round == 0 {
		k.logWidth = math.Log(math.Max(c.p[j].At-c.p[i].At, 1e-3))
	}
	k.round = c.round
	k.weight = c.ringWeight(k.logWidth-0.5*(c.log[i]+c.log[j]), c.prior.Spread) // against their geometric mean
	return k.weight
}

// ringWeight is the log weight of a width that lies by this logarithm off the
// mean.
func (c *chain) ringWeight(off, spread float64) float64 {
	z := off / spread
	return -c.prior.Weight * 0.5 * (tails + 1) * math.Log(1+z*z/tails)
}

// edge is the log weight of leaving the stretch between a boundary and the end
// of the wood without a boundary; long stretches without one are unlikely.
func (c *chain) edge(i int, length float64) float64 {
	if c.prior.Weight == 0 {
		return 0
	}
	return -c.prior.Weight * 0.7 * math.Max(0, length/c.local[i]-1.5)
}

func (c *chain) odds(i int) float64 { return c.p[i].LogOdds + c.prior.Bias }

// within tells whether j may follow i directly.
func (c *chain) within(i, j int) bool {
	if c.prior.Weight == 0 || c.lost[i] != c.lost[j] {
		return j-i < 200
	}
	return c.p[j].At-c.p[i].At-c.darkBetween(i, j) <= farthest*math.Max(c.local[i], c.local[j]) || j-i < 12
}

// most is what a link may add to a path's log weight: links lower it, but for
// the ways in which boundaries may lie hidden.
func (c *chain) most() float64 {
	if c.dark == nil {
		return 0
	}
	return math.Log(1 + mostUnseen)
}

// best finds the most probable path and returns its proposals.
func (c *chain) best() []int {
	if c.prior.Weight == 0 {
		return c.independent().Accepted
	}
	n, most := len(c.p), c.most()
	best, from := make([]float64, n), make([]int, n)
	for j := range best {
		best[j], _ = c.start(j)
		from[j] = -1
		for i := j - 1; i >= 0 && c.within(i, j); i-- {
			if best[i]+most <= best[j] {
				continue
			}
			l, _ := c.through(i, j)
			if v := best[i] + l; v > best[j] {
				best[j], from[j] = v, i
			}
		}
		best[j] += c.odds(j)
	}
	at, top := -1, c.edge(0, c.p[n-1].At) // no boundary at all
	for i := range best {
		if e, _ := c.end(i); best[i]+e > top {
			at, top = i, best[i]+e
		}
	}
	var path []int
	for ; at >= 0; at = from[at] {
		path = append(path, at)
	}
	slices.Reverse(path)
	return path
}

// sums sums the chain both ways: what all paths together say.
func (c *chain) sums() Inference {
	if c.prior.Weight == 0 {
		return c.independent()
	}
	n, most := len(c.p), c.most()
	fwd, bwd := make([]float64, n), make([]float64, n)
	m1, m2 := make([]float64, n), make([]float64, n) // moments of the number of boundaries up to i
	for j := 0; j < n; j++ {
		start, before := c.start(j)
		acc := newLogSum(start, before.Mean, before.square())
		for i := j - 1; i >= 0 && c.within(i, j); i-- {
			if fwd[i]+most < acc.top-negligible {
				continue
			}
			l, u := c.through(i, j)
			acc.add(fwd[i]+l, m1[i]+u.Mean, m2[i]+2*m1[i]*u.Mean+u.square())
		}
		fwd[j] = acc.log() + c.odds(j)
		m1[j], m2[j] = acc.first()+1, acc.second()+2*acc.first()+1
	}
	for i := n - 1; i >= 0; i-- {
		l, _ := c.end(i)
		acc := newLogSum(l, 0, 0)
		for j := i + 1; j < n && c.within(i, j); j++ {
			if bwd[j]+c.odds(j)+most < acc.top-negligible {
				continue
			}
			l, _ := c.through(i, j)
			acc.add(l+bwd[j]+c.odds(j), 0, 0)
		}
		bwd[i] = acc.log()
	}
	total := newLogSum(c.edge(0, c.p[n-1].At), 0, 0) // no boundary at all
	for i := 0; i < n; i++ {
		e, u := c.end(i)
		total.add(fwd[i]+e, m1[i]+u.Mean, m2[i]+2*m1[i]*u.Mean+u.square())
	}
	out := Inference{Probability: make([]float64, n), Score: total.log()}
	for i := range out.Probability {
		out.Probability[i] = math.Min(1, math.Exp(fwd[i]+bwd[i]-total.log()))
	}
	out.Count = total.first()
	out.SD = math.Sqrt(math.Max(0, total.second()-out.Count*out.Count))
	return out
}

// independent is the reading without any prior on widths: each proposal by
// its own odds.
func (c *chain) independent() Inference {
	out := Inference{Probability: make([]float64, len(c.p))}
	var variance float64
	for i := range c.p {
		q := 1 / (1 + math.Exp(-c.odds(i)))
		out.Probability[i] = q
		out.Count += q
		variance += q * (1 - q)
		if q > 0.5 {
			out.Accepted = append(out.Accepted, i)
			out.Score += math.Log(q)
		} else {
			out.Score += math.Log(1 - q)
		}
	}
	out.SD = math.Sqrt(variance)
	return out
}

// negligible is the difference of log weights below which the smaller is left out:
// exp(-24) is 4e-11, which comes to some 1e-7 of a probability along a core.
const negligible = 24

// logSum adds weights given by their logarithms and keeps the weighted mean of
// two numbers.
type logSum struct{ top, sum, a, b float64 }

func newLogSum(l, a, b float64) *logSum { return &logSum{l, 1, a, b} }

func (s *logSum) add(l, a, b float64) {
	if l < s.top-negligible {
		return
	}
	w := 1.0
	if l > s.top {
		k := math.Exp(s.top - l)
		s.sum, s.a, s.b, s.top = s.sum*k, s.a*k, s.b*k, l
	} else {
		w = math.Exp(l - s.top)
	}
	s.sum += w
	s.a += w * a
	s.b += w * b
}

func (s *logSum) log() float64    { return s.top + math.Log(s.sum) }
func (s *logSum) first() float64  { return s.a / s.sum }
func (s *logSum) second() float64 { return s.b / s.sum }
