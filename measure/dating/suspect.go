package dating

import (
	"math"
	"sort"

	"pithward/measure/archive"
)

// FaultKind is what can be wrong with a ring of a dated series.
type FaultKind string

// The kinds. A missed boundary makes two rings one; an invented one makes one
// ring two; an absent ring is a year in which the radius grew no wood.
const (
	Missed   FaultKind = "missed"
	Invented FaultKind = "invented"
	Absent   FaultKind = "absent"
)

// Suspect is a place where a ring is probably missed, invented or absent.
type Suspect struct {
	Kind FaultKind
	// Year is the ring, in the series' present years, within which a boundary
	// was missed, or which is invented, or between which and the next older one
	// a ring is absent.
	Year               int
	AtMM               *float64
	PictureProbability *float64 // that the boundary is there (missed) or is not real (invented)
	FromYear, ToYear   int      // where it may be instead
	// Agreement of the older stretch at the offset that holds on the younger
	// side of the place, and moved by the fault. The offset is 0 unless there
	// are faults further out.
	RBefore, RAfter float64
	Posterior       float64 // that there is such a fault between FromYear and ToYear
}

// The parts of the model of a dated series; chosen, and checked on reference
// sites into which faults were put.
const (
	offsetReach = 12    // years that faults may add up to
	faultPrior  = 0.001 // of each kind, a ring, where the picture says nothing
	jumpPrior   = 1e-7  // of any other change of the dating, a ring
	stray       = 0.1   // share of years that agree with nothing
	outerRight  = 0.9   // that the outermost ring's year is right
	shown       = 0.05  // suspects below are not listed
)

// Suspects looks for rings missed, invented or absent in a dated series: a
// hidden Markov chain from the youngest ring to the oldest whose state is the
// offset between present and true years. A missed or absent ring takes the
// offset of all older rings down by one year, an invented ring up. Each year's
// likelihood is that of its pattern given the master's at the offset: normal
// about rho m with variance 1-rho^2, against normal about 0 with variance 1,
// and a share of years that agree with nothing. Posteriors are by the
// forward-backward algorithm (Rabiner 1989, Proc. IEEE 77:257-286). picture, by
// year, may be nil. The most probable come first.
func Suspects(w Values, master Master, picture map[int]archive.RingPicture) []Suspect {
	c := newOffsetChain(w, master, picture)
	if c == nil {
		return nil
	}
	faults, likely := c.posteriors()
	var out []Suspect
	for _, kind := range []FaultKind{Missed, Invented, Absent} {
		out = append(out, c.clusters(kind, faults[kind], likely)...)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Posterior > out[j].Posterior })
	return out
}

// offsetChain runs over the rings from the youngest (0) to the oldest.
type offsetChain struct {
	pattern Values
	master  Values
	n       int
	rho     float64
	picture map[int]archive.RingPicture
	length  int // of the windows for RBefore and RAfter
}

const offsets = 2*offsetReach + 1

func newOffsetChain(w Values, master Master, picture map[int]archive.RingPicture) *offsetChain {
	p := Pattern(w).trimmed()
	if overlapOf(p, master.Pattern) < minWindow {
		return nil
	}
	zeta := master.Zeta.Mean
	if c := windows(p, master, windowLength(zeta, DefaultHoldOptions()), DefaultHoldOptions()); len(c) > 0 {
		zeta = (zeta + seriesZeta(c)) / 2
	}
	return &offsetChain{pattern: p, master: standardised(master.Pattern), n: len(p.V), rho: math.Tanh(math.Max(0.2, zeta)),
		picture: picture, length: windowLength(zeta, DefaultHoldOptions())}
}

// year is the present year of ring i.
func (c *offsetChain) year(i int) int { return c.pattern.LastYear() - i }

// emission is the likelihood of ring i at an offset, against agreeing with
// nothing.
func (c *offsetChain) emission(i, offset int) float64 {
	x, m := c.pattern.At(c.year(i)), c.master.At(c.year(i)+offset)
	if math.IsNaN(x) || math.IsNaN(m) {
		return 1
	}
	v := 1 - c.rho*c.rho
	d := x - c.rho*m
	return stray + (1-stray)*math.Exp(x*x/2-d*d/(2*v))/math.Sqrt(v)
}

// odd is the likelihood of a ring that is two in one, or half of one, rather
// than ordinary: its pattern is normal about mean with deviation sd.
func odd(x, mean, sd float64) float64 {
	if math.IsNaN(x) {
		return 1
	}
	d := (x - mean) / sd
	return math.Exp(x*x/2-d*d/2) / sd
}

// The patterns of rings joined and split at random in reference sites, a little
// widened
// (measured, see testdata/accuracy.txt).
const (
	joinedMean, joinedSD = 2.0, 0.9
	splitMean, splitSD   = -1.1, 1.0
)

// step gives the probabilities of the faults between ring i and the next older
// one, the chain being at an offset at ring i. The likelihood of ring i itself
// is taken in with those that concern it.
func (c *offsetChain) step(i, offset int) (missed, invented, absent float64) {
	p := c.picture[c.year(i)]
	missed, invented, absent = faultPrior, faultPrior, faultPrior
	if p.Missed != nil {
		missed = math.Max(1e-5, math.Min(0.5, *p.Missed))
	}
	if p.Boundary != nil {
		invented = math.Max(1e-5, math.Min(0.5, 1-*p.Boundary))
	}
	ordinary := c.emission(i, offset)
	x := c.pattern.At(c.year(i))
	missed *= odd(x, joinedMean, joinedSD) / ordinary
	invented *= odd(x, splitMean, splitSD) / ordinary
	// A ring is absent rather in a year that is narrow elsewhere.
	if m := c.master.At(c.year(i) - 1 + offset); !math.IsNaN(m) {
		absent *= math.Exp(-1.3*m - 0.845) // mean 1 over normal m
	}
	return missed, invented, absent
}

// posteriors returns, for every ring but the oldest, the probability of each
// fault there, and for every ring the most probable offset.
func (c *offsetChain) posteriors() (faults map[FaultKind][]float64, likely []int) {
	forward := make([][offsets]float64, c.n) // includes ring i's own likelihood
	for s := range offsets {
		prior := (1 - outerRight) / (offsets - 1)
		if s == offsetReach {
			prior = outerRight
		}
		forward[0][s] = prior * c.emission(0, s-offsetReach)
	}
	normalise(&forward[0])
	for i := 1; i < c.n; i++ {
		for s := range offsets {
			m, v, a := c.step(i-1, s-offsetReach)
			f := forward[i-1][s]
			spreadTo(&forward[i], s, f, m+a, v)
		}
		for s := range offsets {
			forward[i][s] *= c.emission(i, s-offsetReach)
		}
		normalise(&forward[i])
	}
	out := map[FaultKind][]float64{Missed: make([]float64, c.n), Invented: make([]float64, c.n), Absent: make([]float64, c.n)}
	likely = make([]int, c.n)
	var back [offsets]float64
	for s := range back {
		back[s] = 1
	}
	likely[c.n-1] = best(forward[c.n-1], back)
	for i := c.n - 1; i > 0; i-- {
		var ahead, next [offsets]float64 // likelihood of ring i and all older
		for s := range ahead {
			ahead[s] = back[s] * c.emission(i, s-offsetReach)
		}
		total := 0.0
		jump := 0.0
		for _, x := range ahead {
			jump += jumpPrior * x
		}
		var down, up [offsets][3]float64
		for s := range next {
			m, v, a := c.step(i-1, s-offsetReach)
			below, above := at(ahead, s-1), at(ahead, s+1)
			next[s] = (1-3*faultPrior)*ahead[s] + (m+a)*below + v*above + jump
			f := forward[i-1][s]
			down[s] = [3]float64{f * m * below, f * a * below, 0}
			up[s] = [3]float64{f * v * above}
			total += f * next[s]
		}
		for s := range next {
			out[Missed][i-1] += down[s][0] / total
			out[Absent][i-1] += down[s][1] / total
			out[Invented][i-1] += up[s][0] / total
		}
		back = next
		normalise(&back)
		likely[i-1] = best(forward[i-1], back)
	}
	return out, likely
}

// best is the most probable offset, given the likelihoods to either side.
func best(forward, back [offsets]float64) int {
	s := 0
	for k := range forward {
		if forward[k]*back[k] > forward[s]*back[s] {
			s = k
		}
	}
	return s - offsetReach
}

func at(v [offsets]float64, s int) float64 {
	if s < 0 || s >= offsets {
		return 0
	}
	return v[s]
}

// spreadTo moves probability f from state s to where the next older ring may be.
func spreadTo(to *[offsets]float64, s int, f, down, up float64) {
	to[s] += f * (1 - 3*faultPrior)
	if s > 0 {
		to[s-1] += f * down
	}
	if s < offsets-1 {
		to[s+1] += f * up
	}
	for k := range to {
		to[k] += f * jumpPrior
	}
}

func normalise(v *[offsets]float64) {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	for s := range v {
		v[s] /= sum
	}
}

// clusters gathers a fault's probability over neighbouring rings, since time
// alone seldom tells the very year.
func (c *offsetChain) clusters(kind FaultKind, p []float64, likely []int) []Suspect {
	left := append([]float64(nil), p...)
	var out []Suspect
	for {
		peak := 0
		for i, x := range left {
			if x > left[peak] {
				peak = i
			}
		}
		if len(left) == 0 || left[peak] < shown/20 {
			return out
		}
		from, to, sum := peak, peak, left[peak]
		for from > 0 && left[from-1] >= left[peak]/20 {
			from--
			sum += left[from]
		}
		for to+1 < len(left) && left[to+1] >= left[peak]/20 {
			to++
			sum += left[to]
		}
		clear(left[from : to+1])
		if sum < shown {
			continue
		}
		out = append(out, c.suspect(kind, peak, from, to, likely[from], math.Min(1, sum)))
	}
}

func (c *offsetChain) suspect(kind FaultKind, peak, from, to, offset int, posterior float64) Suspect {
	s := Suspect{Kind: kind, Year: c.year(peak), FromYear: c.year(to), ToYear: c.year(from), Posterior: posterior}
	move := -1
	p := c.picture[s.Year]
	switch kind {
	case Missed:
		s.AtMM, s.PictureProbability = p.MissedMM, p.Missed
	case Invented:
		move = 1
		s.AtMM = p.BoundaryMM
		if p.Boundary != nil {
			not := 1 - *p.Boundary
			s.PictureProbability = &not
		}
	case Absent:
		s.AtMM = p.BoundaryMM
	}
	older := Values{FirstYear: max(c.pattern.FirstYear, s.FromYear-c.length)}
	for year := older.FirstYear; year < s.FromYear; year++ {
		older.V = append(older.V, c.pattern.At(year))
	}
	_, s.RBefore, _ = fastCorrelation(older, c.master, offset)
	_, s.RAfter, _ = fastCorrelation(older, c.master, offset+move)
	return s
}
