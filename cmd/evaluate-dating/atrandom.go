package main

import (
	_ "embed"
	"encoding/json"
	"math"
	"math/rand/v2"
	"sort"

	"pithward/measure/match"
)

//go:embed rendered.json
var renderedText []byte

// looks is what pithward read of rendered cores (see -render); cores that it cannot
// read, more than a tenth of the boundaries missed, are left out.
type looks struct {
	cores []glance
	rings []seenRing // of all of them
}

func readLooks() (l looks, err error) {
	var all []glance
	if err := json.Unmarshal(renderedText, &all); err != nil {
		return l, err
	}
	for _, g := range all {
		if g.LeftOut != nil {
			continue
		}
		l.cores = append(l.cores, g)
		l.rings = append(l.rings, g.Rings...)
	}
	return l, nil
}

// rendered tells which trees of a site were rendered and measured.
func (l looks) rendered(site string) map[string]glance {
	of := map[string]glance{}
	for _, g := range l.cores {
		if g.Site == site {
			of[g.Tree] = g
		}
	}
	return of
}

// faults says what the picture shows of the faults that are put into a reading:
// probabilities to draw from. Where a list is empty, it shows what it shows; a
// dropped boundary of probability 0 is no candidate.
type faults struct {
	dropped, added []float64
}

// own gives the faults put in the look of the reader's own.
func (l looks) own() (f faults) {
	for _, r := range l.rings {
		if !r.On && !r.Unseen {
			f.dropped = append(f.dropped, r.P)
		}
		for _, x := range r.False {
			if x.On {
				f.added = append(f.added, x.P)
			}
		}
	}
	return f
}

// readSite returns readings of a site's trees into which faults were put at
// random, the picture still showing what it shows. Sites that were rendered are
// read as they were measured; of others each ring looks like one drawn from
// those.
func (l looks) readSite(s site, f faults, r *rand.Rand) (cores []core, rendered bool) {
	of := l.rendered(s.name)
	for _, t := range s.trees {
		g, ok := of[t.name]
		switch {
		case ok:
			cores = append(cores, l.read(t, f, func(k int, _ float64) (seenRing, bool) {
				if k >= len(g.Rings) {
					return seenRing{}, false
				}
				return g.Rings[k], true
			}, r))
		case len(of) == 0:
			cores = append(cores, l.read(t, f, func(_ int, at float64) (seenRing, bool) {
				x := l.rings[r.IntN(len(l.rings))]
				x.At = at
				return x, true
			}, r))
		}
	}
	return cores, len(of) > 0
}

// nothingThere is the probability of a boundary at a place of which a reader
// says nothing: it lists those from 0.02.
const nothingThere = 0.01

// read makes a reading of a tree, look giving the boundary at the inner end of
// each of its rings, and puts faults into it: accepted boundaries are rejected,
// and boundaries accepted where none is.
func (l looks) read(t tree, f faults, look func(k int, at float64) (seenRing, bool), r *rand.Rand) core {
	var marks []mark
	at, from, k := 0.0, 0.0, 0
	last := len(t.widths) - 1
	for year, w := range t.widths {
		if w == 0 {
			marks[len(marks)-1].after++
			continue
		}
		at += w
		seen, ok := look(k, at)
		if !ok {
			break
		}
		k++
		if seen.At <= from { // read in another order than drawn
			continue
		}
		within := falseWithin(seen, from)
		if r.Float64() < falseRate {
			within = falselyAdded(within, from, seen.At, f.added, r)
		}
		marks = append(marks, within...)
		m := mark{at: seen.At, p: seen.P, on: seen.On, real: true, unseen: seen.Unseen}
		if m.on && year < last && r.Float64() < dropShare {
			m.on, m.put = false, true
			if len(f.dropped) > 0 {
				m.p = pick(f.dropped, r)
			}
			m.unseen = m.p == 0
		}
		marks = append(marks, m)
		from = seen.At
	}
	for len(marks) > 0 && !marks[len(marks)-1].on { // a series ends at a boundary
		marks = marks[:len(marks)-1]
	}
	return assemble(t, marks)
}

func falseWithin(seen seenRing, from float64) (marks []mark) {
	for _, x := range seen.False {
		marks = append(marks, mark{at: from + x.Share*(seen.At-from), p: x.P, on: x.On})
	}
	return marks
}

// falselyAdded accepts a boundary at a random place of a ring: the candidate
// there, if there is one, and no look is asked for.
func falselyAdded(within []mark, from, to float64, look []float64, r *rand.Rand) []mark {
	at := from + (0.1+0.8*r.Float64())*(to-from)
	for i, m := range within {
		if math.Abs(m.at-at) <= match.Tolerance(25.4/1200, to-from) {
			if !m.on {
				within[i].on, within[i].put = true, true
				if len(look) > 0 {
					within[i].p = pick(look, r)
				}
			}
			return within
		}
	}
	p := nothingThere
	if len(look) > 0 {
		p = pick(look, r)
	}
	within = append(within, mark{at: at, p: p, on: true, put: true})
	sort.Slice(within, func(i, k int) bool { return within[i].at < within[k].at })
	return within
}
