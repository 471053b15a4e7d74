package main

import (
	"fmt"
	"math/rand/v2"
	"sort"

	"pithward/measure/archive"
	"pithward/measure/dating"
)

// core is a reading of a tree with faults, and the truth about them.
type core struct {
	series archive.Series
	real   map[string]bool // of each place by its id: whether a boundary is there
	faults int             // boundaries dropped and false ones added
	own    map[string]bool // places of which the reader itself was wrong, beside those
	absent map[int]bool    // present years between which and the next older one a ring is absent in truth
	rings  map[int]string  // present year of a ring that hides a boundary no place stands for: its id
	count  int             // boundaries of the reading
	places []fault
}

// fault is what was done to a reading, and in which present ring.
type fault struct {
	kind dating.FaultKind
	year int
	own  bool // the reader's, not put
}

// The faults that the readings are given (the task's figures).
const (
	dropShare = 0.05
	falseRate = 0.02
)

// pictures says what probabilities a reader gives to boundaries that it misses,
// and to false ones that it accepts. What it gives to the right ones follows:
// probabilities are calibrated, so that beside each false boundary of
// probability p there are p/(1-p) real ones, and beside each missed one (1-p)/p
// rejected places where none is.
type pictures struct {
	Missed   []float64 `json:"missed"`   // of candidates at missed boundaries
	Unseen   float64   `json:"unseen"`   // share of missed boundaries without a candidate
	Accepted []float64 `json:"accepted"` // of false boundaries accepted
	Source   string    `json:"source"`
}

// mark is a place of a reading while it is made.
type mark struct {
	at       float64 // mm from the outer end
	p        float64
	on, real bool
	after    int // rings absent just inward, in truth
	unseen   bool
	put      bool // the fault was put into the reading, and is not the reader's
}

// read makes a reading of a tree with faults.
func (p pictures) read(t tree, r *rand.Rand) core {
	var marks []mark
	at := 0.0
	last := len(t.widths) - 1
	for k, w := range t.widths {
		if w == 0 {
			marks[len(marks)-1].after++
			continue
		}
		marks = append(marks, p.within(at, w, r)...)
		at += w
		m := mark{at: at, p: p.sure(r), on: true, real: true, put: true}
		if k < last && r.Float64() < dropShare {
			m.on, m.p = false, pick(p.Missed, r)
			m.unseen = r.Float64() < p.Unseen
		}
		marks = append(marks, m)
	}
	return assemble(t, marks)
}

func pick(list []float64, r *rand.Rand) float64 { return list[r.IntN(len(list))] }

// sure draws the probability of a right boundary that is accepted.
func (p pictures) sure(r *rand.Rand) float64 {
	u := r.Float64()
	for _, x := range p.Accepted {
		if u -= falseRate / float64(len(p.Accepted)) * x / (1 - x); u < 0 {
			return x
		}
	}
	return 0.9999
}

// within draws the false boundaries and the rejected places of a ring.
func (p pictures) within(at, width float64, r *rand.Rand) (marks []mark) {
	put := func(on bool, q float64) {
		marks = append(marks, mark{at: at + (0.1+0.8*r.Float64())*width, p: q, on: on, put: true})
	}
	if r.Float64() < falseRate {
		put(true, pick(p.Accepted, r))
	}
	for _, x := range p.Missed {
		mean := dropShare * (1 - p.Unseen) / float64(len(p.Missed)) * (1 - x) / x
		for ; mean > 0; mean-- {
			if r.Float64() < mean {
				put(false, x)
			}
		}
	}
	sort.Slice(marks, func(i, k int) bool { return marks[i].at < marks[k].at })
	return marks
}

// assemble turns marks into a series as a measured scan gives it.
func assemble(t tree, marks []mark) core {
	c := core{real: map[string]bool{}, own: map[string]bool{}, absent: map[int]bool{}, rings: map[int]string{}}
	type ring struct {
		width   archive.Width
		picture archive.RingPicture
		unseen  string
		absent  bool
	}
	var rings []ring
	now := ring{}
	from := 0.0
	for k, m := range marks {
		id := fmt.Sprintf("p%d", k)
		c.real[id] = m.real
		if m.on != m.real {
			if m.put {
				c.faults++
			} else {
				c.own[id] = true
			}
			kind := dating.Missed
			if m.on {
				kind = dating.Invented
			}
			c.places = append(c.places, fault{kind, t.year - len(rings), !m.put})
		}
		place := archive.PicturePlace{ID: id, AtMM: m.at, Probability: m.p, Share: 1}
		switch {
		case m.on:
			now.width, now.picture.Boundary, now.absent = archive.Width(m.at-from), &place, m.after > 0
			for i := range now.picture.Candidates {
				x := &now.picture.Candidates[i]
				x.Share = (x.AtMM - from) / (m.at - from)
			}
			rings, now, from = append(rings, now), ring{}, m.at
			c.count++
		case m.unseen:
			now.unseen = id
		default:
			now.picture.Candidates = append(now.picture.Candidates, place)
		}
	}
	c.series = archive.Series{ID: t.name, Core: t.name, FirstYear: t.year - len(rings) + 1, Unit: archive.Thousandths, Meta: archive.Meta{Tree: t.name}}
	for k := len(rings) - 1; k >= 0; k-- {
		c.series.Widths = append(c.series.Widths, rings[k].width)
		c.series.Pictures = append(c.series.Pictures, rings[k].picture)
	}
	for k, r := range rings {
		if r.absent {
			c.absent[t.year-k] = true
		}
		if r.unseen != "" {
			c.rings[t.year-k] = r.unseen
		}
	}
	return c
}
