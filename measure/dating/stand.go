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

	mu    sync.Mutex
	clues map[int]*clue // of the trees but one, by that one
}

// stem is one tree of a stand.
type stem struct {
	name  string
	radii []*sequence // in doubt
	dated []sight     // not in doubt
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
		st.trees[t].dated = append(st.trees[t].dated, sightOf(q.present()))
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

// rounds is how often each tree is read anew in the light of the others, and
// enough is the change of any slope at which that ends (chosen).
const (
	rounds = 12
	enough = 0.002
)

// company is the trees that tell the common signal to another, as far as they
// are known.
type company struct {
	trees  []stem
	sights []sight
	bonds  []bond
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
		if t != tree && s.tells() {
			c.trees = append(c.trees, s)
		}
	}
	c.meet()
	var clue *clue
	if len(c.trees) > 0 {
		clue = newSum(c.sights, c.bonds).clue()
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
	for _, s := range c.trees {
		c.sights = append(c.sights, s.look(nil, usualBond()))
		c.bonds = append(c.bonds, usualBond())
	}
	if len(c.trees) < 2 {
		return
	}
	for range rounds {
		change := 0.0
		all := newSum(c.sights, c.bonds)
		for t, s := range c.trees {
			clue := all.but(c.sights[t], c.bonds[t])
			before := c.sights[t]
			if len(s.radii) > 0 {
				c.sights[t] = s.look(clue, c.bonds[t])
			}
			a := bondOf(c.sights[t], clue)
			change = math.Max(change, math.Abs(a.slope-c.bonds[t].slope))
			all.replace(before, c.bonds[t], c.sights[t], a)
			c.bonds[t] = a
		}
		if change < enough {
			return
		}
	}
}

// look reads a tree in the light of a signal.
func (s stem) look(c *clue, b bond) sight {
	all := append([]sight(nil), s.dated...)
	for _, q := range s.radii {
		if !q.floating {
			all = append(all, newChain(q, c, b, false).run().sight)
		}
	}
	return together(all)
}

// read returns what all other trees and the picture say of a series together,
// nil where it cannot be used, or where nobody tells.
func (st *Stand) read(i int) (*alignment, *clue, bond) {
	q := st.sequence(i)
	if q == nil {
		return nil, nil, bond{}
	}
	c := st.others(st.of[i])
	if c == nil {
		return nil, nil, bond{}
	}
	b := usualBond()
	var a alignment
	for k := range 4 {
		ch := newChain(q, c, b, k == 3)
		if q.floating {
			ch.anywhere()
		}
		a = ch.run()
		b = bondOf(a.sight, c)
	}
	return &a, c, b
}

// treeName is what to call a tree.
func (s stem) treeName() string { return strings.TrimPrefix(s.name, "\x00") }
