package grade

import (
	"math"
	"slices"

	"pithward/measure/match"
)

// Comparing by widths. The student's widths are thought of as the key's, read
// from bark to pith with faults: a stretch of a rings of the key becomes a
// stretch of b rings of the student's that is as wide, give or take measuring
// noise. One to one is the rule; a > 1 means boundaries missed, b > 1 boundaries
// invented, both a boundary set elsewhere. At either end rings may be left out
// or be too many. The likeliest reading is found by dynamic programming, its
// probability by the forward-backward sums (Rabiner 1989, sections III A and B)
// over all readings near it.

// What is thought of students before anything is known: chosen.
const (
	logMissed   = -3.5  // a boundary is missed: 3 in 100
	logInvented = -3.5  // a ring is split: 3 in 100
	logEnd      = -4.6  // rings are left out, or too many, at an end: 1 in 100
	logEndRing  = -0.02 // and for each of these
	strangeSD   = 0.7   // of the log width of a ring the key does not know
	freedom     = 6     // of Student's t for measuring noise: now and then a width is far off
	longest     = 4     // of a stretch that is not one to one
)

// noise is the standard deviation of a width: relative, and mm, root sum of
// squares.
type noise struct{ relative, floor float64 }

// firstNoise serves to find the first alignment, from which the student's own
// noise is taken, within limits: chosen.
var firstNoise = noise{0.05, 0.02}

const leastNoise, mostNoise = 0.012, 0.15

// stretch is an edge of the alignment: a rings of the key, b of the student's.
type stretch struct{ a, b int }

// stretches lists what may become what, one to one first.
var stretches = [...]stretch{{1, 1}, {2, 1}, {1, 2}, {2, 2}, {3, 1}, {1, 3}, {2, 3}, {3, 2}, {4, 1}, {1, 4}, {3, 3}}

// most is the greatest number of pairs of rings that are compared: chosen, a
// quarter of a gigabyte.
const most = 16_000_000

// aligner holds two lists of widths, in mm, Unmeasured where there is none.
type aligner struct {
	key, student []float64
	n, m         int
	noise        noise
	typical      float64     // log of the student's usual width
	keySum       []float64   // before each ring
	keyOpen      []int       // unmeasured rings before each
	stuSum       []float64   //
	stuOpen      []int       //
	logSD, perSD [][]float64 // by length of the stretch less 1, see prepare
	logSum       [][]float64
	back         []uint8 // of the best path: 1 + index of the stretch; 0: none
	best         []float64
}

func newAligner(key, student []float64) *aligner {
	a := &aligner{key: key, student: student, n: len(key), m: len(student), noise: firstNoise}
	a.keySum, a.keyOpen = sums(key)
	a.stuSum, a.stuOpen = sums(student)
	a.typical = math.Log(usual(student))
	return a
}

func sums(w []float64) (sum []float64, open []int) {
	sum, open = make([]float64, len(w)+1), make([]int, len(w)+1)
	for i, x := range w {
		sum[i+1], open[i+1] = sum[i], open[i]
		if x < 0 {
			open[i+1]++
		} else {
			sum[i+1] += x
		}
	}
	return sum, open
}

// usual is the median of the widths that are known, 1 if there is none.
func usual(w []float64) float64 {
	known := slices.DeleteFunc(slices.Clone(w), func(x float64) bool { return x <= 0 })
	if len(known) == 0 {
		return 1
	}
	slices.Sort(known)
	return known[len(known)/2]
}

// lnT is what Student's density has before its power.
var lnT = func() float64 {
	a, _ := math.Lgamma((freedom + 1) / 2.0)
	b, _ := math.Lgamma(freedom / 2.0)
	return a - b - 0.5*math.Log(freedom*math.Pi)
}()

// prepare tabulates what depends on one list alone: the logs of the standard
// deviations of the key's stretches, and of the student's sums.
func (a *aligner) prepare() {
	a.logSD, a.perSD, a.logSum = table(longest, a.n), table(longest, a.n), table(longest, a.m)
	for l := range longest {
		for i := 0; i+l < a.n; i++ {
			sd := math.Hypot(a.noise.relative*(a.keySum[i+l+1]-a.keySum[i]), a.noise.floor)
			a.logSD[l][i], a.perSD[l][i] = math.Log(sd), 1/sd
		}
		for j := 0; j+l < a.m; j++ {
			a.logSum[l][j] = math.Log(max(1e-6, a.stuSum[j+l+1]-a.stuSum[j]))
		}
	}
}

func table(rows, columns int) [][]float64 {
	t := make([][]float64, rows)
	for i := range t {
		t[i] = make([]float64, columns)
	}
	return t
}

// edge is the log probability (density) that the stretch of the key from ring i
// became that of the student's from ring j. What is below floor may be given as
// minus infinity.
func (a *aligner) edge(i, j int, s stretch, floor float64) float64 {
	lp := float64(s.a-1)*logMissed + float64(s.b-1)*logInvented
	if a.stuOpen[j+s.b] > a.stuOpen[j] {
		return lp // the student gives no width
	}
	if s.b > 1 {
		lp -= float64(s.b-1) * a.logSum[s.b-1][j] // an invented boundary may be anywhere
	}
	sum := a.stuSum[j+s.b] - a.stuSum[j]
	if a.keyOpen[i+s.a] > a.keyOpen[i] {
		return lp + a.strange(sum)
	}
	if lp += lnT - a.logSD[s.a-1][i]; lp < floor {
		return math.Inf(-1) // spare the logarithm
	}
	z := (sum - (a.keySum[i+s.a] - a.keySum[i])) * a.perSD[s.a-1][i]
	return lp - (freedom+1)/2.0*math.Log1p(z*z/freedom)
}

// strange is the log density of a width of which the key says nothing.
func (a *aligner) strange(w float64) float64 {
	if w <= 0 {
		return 0
	}
	z := (math.Log(w) - a.typical) / strangeSD
	return -0.5*z*z - math.Log(w*strangeSD*math.Sqrt(2*math.Pi))
}

// left is the log probability that n rings of the key at an end have no
// counterpart.
func left(n int) float64 {
	if n == 0 {
		return 0
	}
	return logEnd + float64(n)*logEndRing
}

// extra is the log density of the student's rings from j to k at an end having
// no counterpart.
func (a *aligner) extra(j, k int) float64 {
	lp := left(k - j)
	for ; j < k; j++ {
		lp += a.strange(a.student[j])
	}
	return lp
}

// path is a way through: the corners (i, j) from start to end.
type path struct {
	corners [][2]int
	log     float64
}

// viterbi finds the best path among those that keep to the student's rings
// lo to hi at each of the key's.
func (a *aligner) viterbi(lo, hi []int) path {
	a.prepare()
	w := a.m + 1
	a.best, a.back = minusInf((a.n+1)*w), make([]uint8, (a.n+1)*w)
	for i := 0; i <= a.n; i++ {
		for j := lo[i]; j <= hi[i]; j++ {
			best, back := a.begin(i, j), uint8(0)
			for k, s := range stretches {
				if i < s.a || j < s.b {
					continue
				}
				from := a.best[(i-s.a)*w+j-s.b]
				if v := from + a.edge(i-s.a, j-s.b, s, best-from); v > best {
					best, back = v, uint8(k+1)
				}
			}
			a.best[i*w+j], a.back[i*w+j] = best, back
		}
	}
	return a.trace()
}

// diagonal is the band for a first look: both lists begin and end together, give
// or take some rings.
func (a *aligner) diagonal() (lo, hi []int) {
	lo, hi = make([]int, a.n+1), make([]int, a.n+1)
	reach := firstReach + max(a.n-a.m, a.m-a.n)
	for i := range lo {
		lo[i], hi[i] = max(0, min(a.m, i-reach)), min(a.m, i+reach)
	}
	hi[0], lo[a.n], hi[a.n] = a.m, 0, a.m
	return lo, hi
}

// firstReach is how many rings the count may be off in a first look: chosen.
const firstReach = 30

func (a *aligner) everywhere() (lo, hi []int) {
	lo, hi = make([]int, a.n+1), make([]int, a.n+1)
	for i := range hi {
		hi[i] = a.m
	}
	return lo, hi
}

// begin is the log probability of setting out from (i, j).
func (a *aligner) begin(i, j int) float64 {
	switch {
	case j == 0:
		return left(i)
	case i == 0:
		return a.extra(0, j)
	}
	return math.Inf(-1)
}

// end is that of stopping at (i, j).
func (a *aligner) end(i, j int) float64 {
	switch {
	case j == a.m:
		return left(a.n - i)
	case i == a.n:
		return a.extra(j, a.m)
	}
	return math.Inf(-1)
}

func (a *aligner) trace() path {
	w := a.m + 1
	p := path{log: math.Inf(-1)}
	var i, j int
	try := func(x, y int) {
		if v := a.best[x*w+y] + a.end(x, y); v > p.log {
			p.log, i, j = v, x, y
		}
	}
	for x := 0; x <= a.n; x++ {
		try(x, a.m)
	}
	for y := 0; y <= a.m; y++ {
		try(a.n, y)
	}
	p.corners = append(p.corners, [2]int{i, j})
	for a.back[i*w+j] > 0 {
		s := stretches[a.back[i*w+j]-1]
		i, j = i-s.a, j-s.b
		p.corners = append(p.corners, [2]int{i, j})
	}
	slices.Reverse(p.corners)
	return p
}

// residuals returns the logs of the ratios student to key of rings that are one
// to one.
func (a *aligner) residuals(p path) (out []float64) {
	for k := 1; k < len(p.corners); k++ {
		f, t := p.corners[k-1], p.corners[k]
		if t[0]-f[0] == 1 && t[1]-f[1] == 1 && a.key[f[0]] > 0 && a.student[f[1]] > 0 {
			out = append(out, math.Log(a.student[f[1]]/a.key[f[0]]))
		}
	}
	return out
}

// learn takes the noise from the residuals: 1.4826 times the median absolute
// deviation (Rousseeuw and Croux 1993), which faults hardly move.
func (a *aligner) learn(p path) {
	r := a.residuals(p)
	if len(r) < 10 {
		return
	}
	middle := median(r)
	for i := range r {
		r[i] = abs(r[i] - middle)
	}
	sd := min(mostNoise, max(leastNoise, 1.4826*median(r)))
	a.noise = noise{sd, min(firstNoise.floor, sd*0.4)}
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// band is how many of the student's rings to either side of the best path the
// sums go: chosen, what lies beyond has no weight.
const band = 24

// posterior holds, for each corner, the probability that the reading goes
// through it: that boundary i of the key and j of the student's are one.
type posterior struct {
	p    []float64
	w    int
	path float64 // of the best path itself
}

func (a *aligner) sums(best path) posterior {
	w := a.m + 1
	lo, hi := a.near(best)
	ahead, behind := minusInf((a.n+1)*w), minusInf((a.n+1)*w)
	// The edges that lead to each corner, which both passes need.
	edges := make([][len(stretches)]float64, (a.n+1)*w)
	ends := nothing()
	for i := 0; i <= a.n; i++ {
		for j := lo[i]; j <= hi[i]; j++ {
			ways := nothing()
			ways.add(a.begin(i, j))
			for k, s := range stretches {
				edges[i*w+j][k] = math.Inf(-1)
				if i < s.a || j < s.b {
					continue
				}
				if from := ahead[(i-s.a)*w+j-s.b]; !math.IsInf(from, -1) {
					edges[i*w+j][k] = a.edge(i-s.a, j-s.b, s, ways.most-from-negligible)
					ways.add(from + edges[i*w+j][k])
				}
			}
			ahead[i*w+j] = ways.log()
			ends.add(ahead[i*w+j] + a.end(i, j))
		}
	}
	total := ends.log()
	for i := a.n; i >= 0; i-- {
		for j := hi[i]; j >= lo[i]; j-- {
			ways := nothing()
			ways.add(a.end(i, j))
			for k, s := range stretches {
				if i+s.a <= a.n && j+s.b <= hi[i+s.a] && j+s.b >= lo[i+s.a] {
					ways.add(behind[(i+s.a)*w+j+s.b] + edges[(i+s.a)*w+j+s.b][k])
				}
			}
			behind[i*w+j] = ways.log()
		}
	}
	for k := range ahead {
		ahead[k] = math.Exp(ahead[k] + behind[k] - total)
	}
	return posterior{ahead, w, min(1, math.Exp(best.log-total))}
}

// negligible is how much less likely than another way, in logs, one has to be to
// count for nothing beside it: chosen, below the last digit of the sum.
const negligible = 36

// logSum adds up probabilities given as logs. Its most is that of the likeliest so
// far, minus infinity without any.
type logSum struct {
	terms [len(stretches) + 1]float64
	n     int
	most  float64
}

// nothing is the sum of no probabilities.
func nothing() logSum { return logSum{most: math.Inf(-1)} }

func (s *logSum) add(log float64) {
	switch {
	case math.IsInf(log, -1):
	case log > s.most-negligible:
		if s.n == len(s.terms) {
			s.terms[0], s.n = s.log(), 1
		}
		s.terms[s.n] = log
		s.n, s.most = s.n+1, max(s.most, log)
	}
}

func (s *logSum) log() float64 {
	if s.n < 2 {
		return s.most
	}
	var sum float64
	for _, t := range s.terms[:s.n] {
		if t > s.most-negligible {
			sum += math.Exp(t - s.most)
		}
	}
	return s.most + math.Log(sum)
}

// near returns for each of the key's rings which of the student's the sums take in.
func (a *aligner) near(best path) (lo, hi []int) {
	lo, hi = make([]int, a.n+1), make([]int, a.n+1)
	first, last := best.corners[0], best.corners[len(best.corners)-1]
	k := 0
	for i := range lo {
		for k+1 < len(best.corners) && best.corners[k+1][0] <= i {
			k++
		}
		j := best.corners[k][1]
		from, to := j, j
		switch {
		case i == 0:
			from = 0
		case i < first[0]:
			from, to = 0, 0
		case i > last[0]:
			from, to = a.m, a.m
		}
		if i == a.n {
			to = a.m
		}
		lo[i], hi[i] = max(0, from-band), min(a.m, to+band)
	}
	return lo, hi
}

func minusInf(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = math.Inf(-1)
	}
	return v
}

// strangerLog is the log density of the student's widths if they are of another
// wood: log-normal, each remembering the one before, with the student's own
// mean, spread and memory, so that it is no straw man.
func (a *aligner) strangerLog() float64 {
	var l []float64
	for _, w := range a.student {
		if w > 0 {
			l = append(l, math.Log(w))
		}
	}
	n := float64(len(l))
	if n == 0 {
		return 0
	}
	var mean float64
	for _, x := range l {
		mean += x / n
	}
	var c0, c1 float64
	for i, x := range l {
		c0 += (x - mean) * (x - mean)
		if i > 0 {
			c1 += (x - mean) * (l[i-1] - mean)
		}
	}
	phi := 0.0
	if c0 > 0 {
		phi = max(-0.9, min(0.9, c1/c0))
	}
	sd := max(0.05, math.Sqrt(c0/n*(1-phi*phi)))
	var lp float64
	for i, x := range l {
		at := mean
		if i > 0 {
			at += phi * (l[i-1] - mean)
		}
		z := (x - at) / sd
		lp += -0.5*z*z - math.Log(sd*math.Sqrt(2*math.Pi)) - x
	}
	return lp
}

// aligned is the best alignment of two lists of widths.
type aligned struct {
	a    *aligner
	path path
	own  float64 // log odds that the student's is of the same wood as the key
}

// logStranger is the log of the chance that a student hands in another core:
// chosen, 2 in 100.
const logStranger = -3.9

// align finds the best alignment; ok is false if there is nothing to align.
func align(key, student []float64) (aligned, bool) {
	if len(key) == 0 || len(student) == 0 || len(key)*len(student) > most {
		return aligned{}, false
	}
	a := newAligner(key, student)
	stranger := a.strangerLog() + logStranger
	p := a.viterbi(a.diagonal())
	if p.log < stranger {
		p = a.viterbi(a.everywhere())
	}
	a.learn(p)
	if a.noise != firstNoise {
		p = a.viterbi(a.near(p))
	}
	return aligned{a, p, p.log - stranger}, true
}

// compare turns the alignment into a comparison.
func (al aligned) compare(rule Tolerance) comparison {
	a := al.a
	post := a.sums(al.path)
	c := comparison{key: axis(a.key), by: "widths", sure: post.path}
	c.student = make([]float64, a.m+1)
	c.partner = make([]int, a.m+1)
	for j := range c.partner {
		c.partner[j] = -1
	}
	own := axis(a.student)
	for k, corner := range al.path.corners {
		c.partner[corner[1]] = corner[0]
		c.student[corner[1]] = c.key[corner[0]]
		if k > 0 {
			c.inside(own, al.path.corners[k-1], corner)
		}
	}
	c.beyond(own, al.path.corners[0], al.path.corners[len(al.path.corners)-1])
	tolerance := make([]float64, a.n+1)
	for j := range tolerance {
		tolerance[j] = rule.of(0, c.narrower(j), true)
	}
	c.meant(tolerance, pairUp)
	c.doubts(post)
	return c
}

// pairUp matches the loose of two lists.
func pairUp(a, b []int, near func(i, j int) float64) []int {
	return match.InOrder(len(a), len(b), func(i, j int) float64 { return near(a[i], b[j]) })
}

// inside lays the student's boundaries within a stretch on the key's axis.
func (c *comparison) inside(own []float64, from, to [2]int) {
	scale := (c.key[to[0]] - c.key[from[0]]) / max(own[to[1]]-own[from[1]], 1e-9)
	for j := from[1] + 1; j < to[1]; j++ {
		c.student[j] = c.key[from[0]] + (own[j]-own[from[1]])*scale
	}
}

// beyond lays out the student's boundaries outside the stretch both have.
func (c *comparison) beyond(own []float64, first, last [2]int) {
	for j := range first[1] {
		c.student[j] = c.key[first[0]] + own[j] - own[first[1]]
	}
	for j := last[1] + 1; j < len(own); j++ {
		c.student[j] = c.key[last[0]] + own[j] - own[last[1]]
	}
}

// doubts fills in how sure each statement is: for a pair that it is one, for the
// rest that it has no partner.
func (c *comparison) doubts(post posterior) {
	c.keySure, c.studentSure = make([]float64, len(c.key)), make([]float64, len(c.student))
	for i := range c.key {
		for j := range c.student {
			p := post.p[i*post.w+j]
			c.keySure[i] += p
			c.studentSure[j] += p
		}
	}
	for i := range c.keySure {
		c.keySure[i] = max(0, 1-c.keySure[i])
	}
	for j, i := range c.partner {
		if i >= 0 {
			p := post.p[i*post.w+j]
			c.studentSure[j], c.keySure[i] = p, p
		} else {
			c.studentSure[j] = max(0, 1-c.studentSure[j])
		}
	}
}

// axis returns the boundaries of rings of these widths; one without width gets
// the usual one.
func axis(w []float64) []float64 {
	at := make([]float64, len(w)+1)
	instead := usual(w)
	for i, x := range w {
		if x < 0 {
			x = instead
		}
		at[i+1] = at[i] + x
	}
	return at
}
