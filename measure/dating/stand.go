package dating

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"pithward/measure/archive"
)

// Stand is the trees of a site: series whose readings are in doubt, and dated
// ones that they are set against. It may be used from several goroutines, and
// what it returns depends on nothing but what it was made of.
type Stand struct {
	trees    []stem
	of       []int // the tree of each doubtful series
	at       []int // its number among the tree's radii; -1: it cannot be used
	doubtful []archive.Series
	Warnings []string
	keep     func(tree string) bool // nil: all trees are asked

	mu    sync.Mutex
	clues map[int]*clue // of the trees but one, by that one
}

// stem is one tree of a stand.
type stem struct {
	name  string
	radii []*sequence // in doubt
	dated []witness   // not in doubt
}

// witness is a dated series that others are set against.
type witness struct {
	sight
	rings, absent int // of these, years known to be without a ring
}

func (q *sequence) witness() witness {
	w := witness{sight: sightOf(q.present()), rings: len(q.years)}
	for _, p := range q.places {
		w.absent += p.skip
	}
	return w
}

// NewStand puts series together. Each doubtful series stands at its present
// years; those that float take no part in what is said of others. treeChars is as
// in Options.
func NewStand(doubtful, dated []archive.Series, treeChars int) *Stand {
	st := &Stand{doubtful: doubtful, clues: map[int]*clue{}}
	at := map[string]int{}
	tree := func(s archive.Series) int {
		name := newDatedIn(s, treeChars).Tree
		if _, ok := at[name]; !ok {
			at[name] = len(st.trees)
			st.trees = append(st.trees, stem{name: name})
		}
		return at[name]
	}
	for _, s := range doubtful {
		t := tree(s)
		st.of, st.at = append(st.of, t), append(st.at, -1)
		if q, ok := newSequence(s); ok && s.Quantity == archive.RingWidth {
			st.at[len(st.at)-1] = len(st.trees[t].radii)
			st.trees[t].radii = append(st.trees[t].radii, q)
		}
	}
	for _, s := range dated {
		switch {
		case s.Floating:
			st.Warnings = append(st.Warnings, fmt.Sprintf("reference %s has no years: left out", s.ID))
			continue
		case st.same(s):
			st.Warnings = append(st.Warnings, fmt.Sprintf("reference %s is one of the series themselves: left out", s.ID))
			continue
		}
		q, ok := newSequence(s)
		if !ok {
			st.Warnings = append(st.Warnings, fmt.Sprintf("reference %s is too short, or does not vary: left out", s.ID))
			continue
		}
		t := tree(s)
		st.trees[t].dated = append(st.trees[t].dated, q.witness())
	}
	for i, x := range st.trees {
		if core, alone := strings.CutPrefix(x.name, noTree); alone {
			if _, both := at[core]; both {
				st.trees[i].name = core + " (core of no tree)"
			}
		}
	}
	return st
}

// newStandOf sets one series against dated trees.
func newStandOf(s archive.Series, others []stem) *Stand {
	st := &Stand{doubtful: []archive.Series{s}, clues: map[int]*clue{}, trees: []stem{{}}, of: []int{0}, at: []int{-1}}
	if q, ok := newSequence(s); ok {
		st.trees[0].radii, st.at[0] = []*sequence{q}, 0
	}
	st.trees = append(st.trees, others...)
	return st
}

// same tells whether a reference is one of the doubtful series, by its very
// widths.
func (st *Stand) same(s archive.Series) bool {
	v := Widths(s.Trim()).V
	for _, d := range st.doubtful {
		if sameNumbers(Widths(d.Trim()).V, v) {
			return true
		}
	}
	return false
}

// sequence returns a doubtful series' places; nil if it cannot be used.
func (st *Stand) sequence(i int) *sequence {
	if st.at[i] < 0 {
		return nil
	}
	return st.trees[st.of[i]].radii[st.at[i]]
}

// The trees are read from the youngest year inward: in each round what is told
// of a year by readings in doubt goes a few years further, so that trees never
// agree among themselves on wrong years before they have come there from those
// that are sure. Then come rounds over all years, until no slope changes by more
// than enough (chosen: faults every 14 rings or so make a ring's year unsure by
// one in as many years).
const (
	firstYears = 24
	moreYears  = 12
	lastRounds = 4
	enough     = 0.003
)

// company is the trees that tell the common signal to another, as far as they
// are known.
type company struct {
	trees  []stem
	sights []sight
	slopes []float64
	absent []float64 // expected number of absent rings of each
	rings  []int
	faults []counts // found in each
}

// others is the common signal as all trees but one tell it. That one has no part
// in it at all: the others are read in the light of each other alone, each in
// that of all but itself, from the picture's own reading on until nothing
// changes.
func (st *Stand) others(tree int) *clue {
	st.mu.Lock()
	known, ok := st.clues[tree]
	st.mu.Unlock()
	if ok {
		return known
	}
	c := company{}
	for t, s := range st.trees {
		if t != tree && s.tells() && st.heeds(s) {
			c.trees = append(c.trees, s)
		}
	}
	c.meet()
	var clue *clue
	if len(c.trees) > 0 {
		clue = newSum(c.sights, c.slopes).clue()
		clue.absent, clue.faults, clue.trust, clue.certain = c.absentRate(), c.usual(), c.trust(), c.certain()
	}
	st.mu.Lock()
	st.clues[tree] = clue
	st.mu.Unlock()
	return clue
}

// tells whether a tree has years to tell of.
func (s stem) tells() bool {
	for _, q := range s.radii {
		if !q.floating {
			return true
		}
	}
	return len(s.dated) > 0
}

// meet reads the trees in the light of each other.
func (c *company) meet() {
	youngest, oldest := math.MinInt, math.MaxInt
	for _, s := range c.trees {
		sight, n := s.look(nil, usualSlope, math.MinInt, asUsual())
		c.sights, c.slopes = append(c.sights, sight), append(c.slopes, usualSlope)
		c.absent, c.rings, c.faults = append(c.absent, n.found.absent), append(c.rings, s.rings()), append(c.faults, counts{})
		for _, q := range s.radii {
			youngest, oldest = max(youngest, q.years[0]), min(oldest, q.years[len(q.years)-1])
		}
	}
	if len(c.trees) < 2 {
		return
	}
	from, left := youngest-firstYears, lastRounds
	for {
		if from < oldest {
			from, left = math.MinInt, left-1
		}
		change := c.round(from)
		if left == 0 || from == math.MinInt && change < enough {
			return
		}
		if from != math.MinInt {
			from -= moreYears
		}
	}
}

// round reads every tree once, by what the others tell of the years from one on.
func (c *company) round(from int) (change float64) {
	heard := make([]sight, len(c.trees))
	for t, s := range c.trees {
		heard[t] = s.heard(c.sights[t], from)
	}
	all := newSum(heard, c.slopes)
	for t, s := range c.trees {
		clue := all.but(heard[t], c.slopes[t])
		clue.absent = c.absentRate()
		before, slope := heard[t], c.slopes[t]
		if len(s.radii) > 0 {
			var n counts
			c.sights[t], n = s.look(clue, slope, from, c.faults[t].rates(c.usual()))
			c.absent[t] = n.found.absent
			n.found.absent, n.expected.absent = 0, 0 // the rate is the site's
			c.faults[t] = n
			heard[t] = s.heard(c.sights[t], from)
		}
		c.slopes[t] = slopeOf(c.sights[t], clue)
		change = math.Max(change, math.Abs(slope-c.slopes[t]))
		all.replace(before, slope, heard[t], c.slopes[t])
	}
	return change
}

// usual is how faulty the trees' readings are together.
func (c *company) usual() rates {
	var all counts
	for _, n := range c.faults {
		all.add(n)
	}
	return all.rates(asUsual())
}

// absentRate is the share of years without a ring: what is usual, for so many
// rings, what the trees in doubt show, and what is known of the dated ones.
func (c *company) absentRate() float64 {
	absent, rings := absentPrior*absentRings, absentRings
	for t, s := range c.trees {
		absent += c.absent[t]
		rings += float64(c.rings[t])
		for _, w := range s.dated {
			absent += float64(w.absent)
			rings += float64(w.rings)
		}
	}
	return absent / rings
}

// trust is the exponent that the evidence from time is given in the end. Each
// tree is read as if the others' readings were right, so that trees in doubt agree
// better among themselves than with the truth, and what disturbs one year disturbs
// the next (chosen so that posteriors are about calibrated, see testdata/accuracy.txt
// and cmd/evaluate-dating). A series that comes without a picture is a finished
// one, nearly as sure as a dated one.
func (c *company) trust() float64 {
	if c.certain() {
		return 0.6
	}
	for _, s := range c.trees {
		if len(s.dated) > 0 {
			return 0.7
		}
		for _, q := range s.radii {
			if q.series.Pictures == nil {
				return 0.7
			}
		}
	}
	return 0.6
}

// certain tells whether no tree is in doubt. Then the evidence from time counts in
// full for a series with a picture; without one, its widths have told already how
// probable a fault is.
func (c *company) certain() bool {
	for _, s := range c.trees {
		if len(s.radii) > 0 {
			return false
		}
	}
	return true
}

func (s stem) rings() (n int) {
	for _, q := range s.radii {
		n += len(q.years)
	}
	return n
}

// heard is what others may hear of a tree: readings in doubt from a year on only.
func (s stem) heard(all sight, from int) sight {
	if len(s.dated) > 0 || from <= all.first {
		return all
	}
	cut := newSight(all.first, all.last())
	if k := from - all.first; k < len(all.sum) {
		copy(cut.sum[k:], all.sum[k:])
		copy(cut.weight[k:], all.weight[k:])
	}
	return cut
}

// look reads a tree in the light of a signal that is told from a year on, and
// counts its faults.
func (s stem) look(c *clue, b float64, from int, faults rates) (seen sight, n counts) {
	var all []sight
	for _, w := range s.dated {
		all = append(all, w.sight)
	}
	for _, q := range s.radii {
		if q.floating {
			continue
		}
		ch := newChain(q, c, b, noGuess)
		ch.faults, ch.asRead = faults, math.MaxInt
		if c != nil {
			ch.from, ch.asRead = from, from
			if from == math.MinInt {
				ch.guesses = oneGuess
			}
		}
		a := ch.run()
		all = append(all, a.sight)
		n.add(ch.count(&a))
	}
	return together(all), n
}

// reading is a series in the light of all other trees.
type reading struct {
	alignment
	clue   *clue
	faults rates
}

// A series is read a few times to learn how it goes with the signal, a few more to
// learn how faulty it is, and once for good. A series without a picture is a
// finished one, as faulty as is usual.
const bySlope, byFaults = 3, 6

// read returns what all other trees and the picture say of a series together; ok
// is false where it cannot be used, or where nobody tells.
func (st *Stand) read(i int) (r reading, ok bool) {
	q := st.sequence(i)
	if q == nil {
		return r, false
	}
	c := st.others(st.of[i])
	if c == nil {
		return r, false
	}
	b, faults := usualSlope, asUsual()
	look := func(guesses guessing, trust float64) counts {
		ch := newChain(q, c, b, guesses)
		ch.faults, ch.trust = faults, trust
		if q.floating {
			ch.anywhere()
		}
		r = reading{ch.run(), c, faults}
		b = slopeOf(r.sight, c)
		return ch.count(&r.alignment)
	}
	trust := c.trust
	if c.certain && q.series.Pictures != nil {
		trust = 1
	}
	if q.series.Pictures != nil {
		faults, trust = c.faults, trust/(1+q.open()/mostOpen)
	}
	for range bySlope {
		look(noGuess, 1)
	}
	for left := byFaults; left > 0 && q.series.Pictures != nil; left-- {
		was := faults
		if faults = look(oneGuess, trust).rates(c.faults); faults.near(was) {
			break
		}
	}
	look(allGuesses, trust)
	return r, true
}

// mostOpen is the number of places that the picture leaves open, a ring, at which the
// evidence from time counts by half: what disturbs growth here and there finds the more
// places to be taken for a fault, the more there are (chosen on the sites aside of
// cmd/evaluate-dating).
const mostOpen = 0.1

// open is how many places a ring the picture leaves open: the variance of the number of
// its boundaries.
func (q *sequence) open() (sum float64) {
	for _, p := range q.places {
		if !p.fixed && !p.guess() {
			y := p.odds / (1 + p.odds)
			sum += y * (1 - y)
		}
	}
	return sum / float64(len(q.years))
}

// treeName is what to call a tree; no two of a stand are called alike.
func (s stem) treeName() string { return strings.TrimPrefix(s.name, noTree) }
