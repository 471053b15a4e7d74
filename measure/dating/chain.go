package dating

import "math"

// chain sums over all readings of a sequence and all datings of each: a hidden
// Markov chain along the wood whose state is a boundary at a place and the year
// just inward of it. Going on to the next boundary chosen costs what the picture
// says of the places on the way, and gains what the year's signal says of the
// ring between: its likelihood under the signal over that without. Posteriors
// are by the forward-backward algorithm (Rabiner 1989, Proc. IEEE 77:257-286).
type chain struct {
	q       *sequence
	clue    *clue // nil: the picture alone
	slope   float64
	trust   float64 // exponent of the evidence from time, at most 1
	guesses guessing
	faults  rates // of this core
	// Years by which the outermost ring may be moved, and how probable the
	// present year is beforehand.
	lo, hi int
	right  float64
	from   int // the oldest year that matters
	asRead int // older places are taken as they were read

	years  []float64 // of each possible year: mean of the anomaly, 1/variance, and what that gives to a likelihood
	scale  []float64
	height []float64
	gone   []float64 // probability of an absent ring in the year
	floor  float64   // the likelihood of what agrees with nothing
	first  int
	index  []int // places that take part
	f, b   [][]float64
	logs   []float64 // of the scale of each row of f
	window [][2]int  // states of f that count
}

// guessing is how boundaries are tried where the picture shows nothing: not at all,
// in the middle of a ring, or at several places in it, which takes long.
type guessing int

const (
	noGuess guessing = iota
	oneGuess
	allGuesses
)

// alignment is what the chain tells of a sequence.
type alignment struct {
	on     []float64 // posterior of a boundary at each place
	absent []float64 // posterior of an absent ring just inward of each place
	many   []float64 // expected number of boundaries at each place, more than one only behind a veil
	offset []int     // the most probable shift from present years just inward of each place
	sight  sight
	start  map[int]float64 // posterior of the shift of the outermost ring
	log    float64         // of the evidence
}

// stray is the share of years that agree with nothing, outerRight the
// probability that an outermost ring's year is right, mostSkipped the accepted
// boundaries that one true ring may cover (chosen).
const (
	stray       = 0.1
	outerRight  = 0.9
	mostSkipped = 3
	negligible  = 1e-7
	margin      = 10 // years read beyond those that matter
)

// reachOf is how far faults may add up to, in years: as the picture expects, and
// at least 12.
func reachOf(q *sequence) int {
	drift, variance := 0.0, 0.0
	for _, p := range q.places {
		if p.fixed || p.guess() {
			continue
		}
		y := p.odds / (1 + p.odds)
		variance += y * (1 - y)
		if drift += y; p.on {
			drift--
		}
	}
	hidden := q.behindVeils()
	return min(60, 12+int(math.Abs(drift)+3*math.Sqrt(variance)+2*hidden))
}

// newChain prepares the summing for a sequence whose years stand at present.
func newChain(q *sequence, c *clue, b float64, guesses guessing) *chain {
	reach := reachOf(q)
	return &chain{q: q, clue: c, slope: b, trust: 1, guesses: guesses, faults: asUsual(), lo: -reach, hi: reach, right: outerRight, from: math.MinInt, asRead: math.MinInt}
}

// anywhere lets the series lie anywhere on the signal.
func (c *chain) anywhere() *chain {
	oldest, youngest := c.q.years[len(c.q.years)-1], c.q.years[0]
	c.lo, c.hi = c.clue.first-youngest+minWindow, c.clue.first+len(c.clue.mean)-1-oldest-minWindow
	c.lo, c.hi = min(c.lo, 0), max(c.hi, 0)
	c.right = 0
	return c
}

// prepare works out the signal of every year that may be met.
func (c *chain) prepare() {
	q := c.q
	c.first = q.years[len(q.years)-1] + c.lo - 2*len(q.years) - 2
	n := q.years[0] + c.hi - c.first + 1
	c.years, c.scale, c.height = make([]float64, n), make([]float64, n), make([]float64, n)
	c.floor = math.Pow(stray, c.trust)
	c.gone = make([]float64, n)
	for k := range c.years {
		if m, v, ok := c.clue.at(c.first + k); ok {
			c.years[k], c.scale[k] = c.slope*m, 1/(1-c.slope*c.slope*(1-v))
			c.gone[k] = math.Min(mostAbsent, c.faults.absent*absentAnywhere+c.usualAbsence()*math.Exp(-absentSlope*m-absentUsual))
			c.height[k] = math.Pow((1-stray)*math.Sqrt(c.scale[k]), c.trust)
		}
	}
	for i, p := range q.places {
		if !p.guess() || c.guesses == allGuesses || c.guesses == oneGuess && (p.whole > 0 || p.veiled != nil) {
			c.index = append(c.index, i)
		}
		if p.on && q.yearInward(i)+margin < c.from {
			break // an end as good as any
		}
	}
}

// gain is the likelihood of an anomaly in a year, over that without a signal, to
// the power of trust (of each part of the mixture, which is nearly that of the whole
// and takes one exponential).
func (c *chain) gain(x float64, year int) float64 {
	k := year - c.first
	if x != x || k < 0 || k >= len(c.years) || c.scale[k] == 0 {
		return 1
	}
	d := x - c.years[k]
	return c.floor + c.height[k]*math.Exp(c.trust*(x*x-d*d*c.scale[k])/2)
}

// usualAbsence is the probability of an absent ring in a year of which nothing is
// known.
func (c *chain) usualAbsence() float64 {
	rate := absentPrior
	if c.clue != nil && c.clue.absent > 0 {
		rate = c.clue.absent
	}
	return rate * c.faults.absent
}

// missing is the probability of an absent ring in a year: rather in one that is
// narrow elsewhere, and none in a year that nobody tells of.
func (c *chain) missing(year int) float64 {
	if k := year - c.first; k >= 0 && k < len(c.gone) {
		return c.gone[k]
	}
	return 0
}

// step is one way from a boundary to the next.
type step struct {
	from   int // number in index
	weight float64
	x      float64
	move   int       // change of the shift
	many   int       // boundaries that the place stands for, behind a veil
	gains  []float64 // by shift, once they are known
}

// steps are the ways to place number j of the index.
func (c *chain) steps(j int, to []step) []step {
	q := c.q
	here := q.places[c.index[j]]
	weight, skipped := 1.0, 0
	if !here.on {
		weight = c.odds(c.index[j])
	}
	for i := j - 1; i >= 0; i-- {
		from := q.places[c.index[i]]
		move := q.yearInward(c.index[i]) - 1 - here.skip - q.yearInward(c.index[j])
		switch {
		case from.excludes(here) || !(here.at > from.at):
		case from.veiled != nil:
			to = append(to, step{i, weight, math.NaN(), move, 1, nil})
		case here.veiled != nil:
			for n, odds := range here.veiled {
				to = append(to, step{i, weight * odds, math.NaN(), move - n, n + 1, nil})
			}
		default:
			to = append(to, step{i, weight / parted(from, here), q.anomaly(c.index[i], c.index[j]), move, 1, nil})
		}
		if from.on {
			if skipped++; from.fixed || skipped > mostSkipped {
				break
			}
			weight /= c.odds(c.index[i])
		}
		if weight < 1e-9 {
			break
		}
	}
	return to
}

// excludes tells whether two places of one ring cannot both be boundaries: guesses, and
// what a veil hides beside any other.
func (p place) excludes(o place) bool {
	if p.ring != o.ring || p.on || o.on {
		return false
	}
	return p.guess() && o.guess() || p.veiled != nil || o.veiled != nil
}

// parted takes off a guess what its odds owe to the width of its whole ring, where
// another boundary within the ring explains that width already.
func parted(outer, inner place) float64 {
	if outer.ring != inner.ring || outer.on || inner.on {
		return 1
	}
	return math.Max(1, math.Max(outer.ratio, inner.ratio))
}

// run sums.
func (c *chain) run() alignment {
	c.prepare()
	n, width := len(c.index), c.hi-c.lo+1
	c.f, c.b = make([][]float64, n), make([][]float64, n)
	c.logs, c.window = make([]float64, n), make([][2]int, n)
	ways := make([][]step, n)
	c.f[0], c.window[0] = c.beginning(), [2]int{0, width - 1}
	for j := 1; j < n; j++ {
		ways[j] = c.steps(j, nil)
		c.forward(j, ways[j], width)
	}
	return c.backward(ways, width)
}

// beginning is how probable each shift of the outermost ring is beforehand.
func (c *chain) beginning() []float64 {
	p := make([]float64, c.hi-c.lo+1)
	for s := range p {
		if p[s] = 1 / float64(len(p)); c.right > 0 && len(p) > 1 {
			p[s] = (1 - c.right) / float64(len(p)-1)
		}
	}
	if c.right > 0 {
		p[-c.lo] = math.Max(c.right, p[-c.lo])
	}
	return p
}

func (c *chain) forward(j int, ways []step, width int) {
	row := make([]float64, width)
	for k, w := range ways {
		if c.f[w.from] == nil {
			continue
		}
		scaled := w.weight * math.Exp(c.logs[w.from]-c.logs[j-1])
		year := c.q.yearInward(c.index[w.from]) + c.lo
		first, last := c.window[w.from][0], c.window[w.from][1]
		gains := make([]float64, last-first+1)
		ways[k].gains = gains
		for s := first; s <= last; s++ {
			f := c.f[w.from][s]
			if f == 0 {
				continue
			}
			gains[s-first] = c.gain(w.x, year+s)
			t := scaled * f * gains[s-first]
			if to := s + w.move; to >= 0 && to < width {
				row[to] += t
			}
			if to := s + w.move - 1; to >= 0 && to < width {
				row[to] += t * c.missing(year+s-1)
			}
		}
	}
	most := 0.0
	for _, x := range row {
		most = math.Max(most, x)
	}
	c.logs[j] = c.logs[j-1]
	if most == 0 || math.IsInf(most, 1) {
		return
	}
	c.logs[j] += math.Log(most)
	from, to := width, -1
	for s := range row {
		if row[s] /= most; row[s] < negligible {
			row[s] = 0
			continue
		}
		from, to = min(from, s), max(to, s)
	}
	c.f[j], c.window[j] = row, [2]int{from, to}
}

// backward sums from the oldest ring and gathers the posteriors. b is kept so
// that f b sums to 1 over the states at a place that is surely a boundary.
func (c *chain) backward(ways [][]step, width int) alignment {
	q, n := c.q, len(c.index)
	a := alignment{on: make([]float64, len(q.places)), absent: make([]float64, len(q.places)), many: make([]float64, len(q.places)), offset: make([]int, len(q.places)),
		sight: newSight(q.years[len(q.years)-1]+c.lo-2, q.years[0]+c.hi), start: map[int]float64{}}
	if c.f[n-1] == nil {
		return a
	}
	total := 0.0
	for _, x := range c.f[n-1] {
		total += x
	}
	a.log = c.logs[n-1] + math.Log(total)
	for j := range c.b {
		c.b[j] = make([]float64, width)
	}
	for s, x := range c.f[n-1] {
		if x > 0 {
			c.b[n-1][s] = 1 / total
		}
	}
	square := make([]float64, len(a.sight.sum))
	for j := n - 1; j > 0; j-- {
		if c.f[j] != nil {
			c.backOver(j, ways[j], width, &a, square)
		}
	}
	for i := range c.index {
		c.settle(i, &a)
	}
	for s, x := range c.f[0] {
		if p := x * c.b[0][s]; p > 1e-12 {
			a.start[s+c.lo] = p
		}
	}
	copy(a.sight.weight, square)
	return a
}

// backOver takes the ways to place j back and counts each by its posterior.
func (c *chain) backOver(j int, ways []step, width int, a *alignment, square []float64) {
	for _, w := range ways {
		if c.f[w.from] == nil {
			continue
		}
		scaled := w.weight * math.Exp(c.logs[w.from]-c.logs[j])
		year := c.q.yearInward(c.index[w.from]) + c.lo
		for s := c.window[w.from][0]; s <= c.window[w.from][1]; s++ {
			f := c.f[w.from][s]
			if f == 0 {
				continue
			}
			plain, gone := 0.0, 0.0
			if to := s + w.move; to >= 0 && to < width {
				plain = c.b[j][to]
			}
			if to := s + w.move - 1; to >= 0 && to < width && c.b[j][to] > 0 {
				gone = c.b[j][to] * c.missing(year+s-1)
			}
			if plain+gone == 0 {
				continue
			}
			t := scaled * w.gains[s-c.window[w.from][0]]
			c.b[w.from][s] += t * (plain + gone)
			p := f * t * (plain + gone)
			a.absent[c.index[j]] += f * t * gone
			a.many[c.index[j]] += p * float64(w.many)
			if k := year + s - a.sight.first; w.x == w.x && k >= 0 && k < len(square) {
				a.sight.sum[k] += p * w.x
				square[k] += p * p
			}
		}
	}
}

// settle notes the posterior of a place.
func (c *chain) settle(i int, a *alignment) {
	if c.f[i] == nil {
		return
	}
	k, most := c.index[i], 0.0
	for s, f := range c.f[i] {
		p := f * c.b[i][s]
		a.on[k] += p
		if p > most {
			most, a.offset[k] = p, s+c.lo
		}
	}
}
