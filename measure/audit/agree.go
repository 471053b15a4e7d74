package audit

import (
	"math"
	"slices"

	"pithward/measure"
	"pithward/measure/match"
)

// Agreement compares two readings of the same cores: of two observers, of one
// observer with herself blind, or of the program and an observer.
type Agreement struct {
	First  string      `json:"first"`
	Second string      `json:"second"`
	Blind  bool        `json:"blind"` // second is first again, blind
	Cores  []CoreMatch `json:"cores"`
	Match
	Widths []WidthPair `json:"widths"`
	Shared int         `json:"shared"` // of the widths, those that both took from the program as it read them
	All    *Limits     `json:"all"`    // of all widths, mm
	Own    *Limits     `json:"own"`    // without the shared, which agree because nobody looked
}

// Match counts how two lists of boundaries agree.
type Match struct {
	FirstN  int `json:"first_n"` // boundaries
	SecondN int `json:"second_n"`
	Matched int `json:"matched"`
	Missed  int `json:"missed"` // in the first alone
	Extra   int `json:"extra"`  // in the second alone
}

// CoreMatch is how two readings of a core agree.
type CoreMatch struct {
	Scan string `json:"scan"`
	UID  string `json:"uid"`
	ID   string `json:"id"`
	Match
	Widths int     `json:"widths"`
	All    *Limits `json:"all"`
}

// WidthPair is a ring that two readings have, between the same two boundaries.
type WidthPair struct {
	Scan     string  `json:"scan"`
	ID       string  `json:"id"`
	Ring     int     `json:"ring"` // index by the first
	Year     *int    `json:"year"` // by the first
	FirstMM  float64 `json:"first_mm"`
	SecondMM float64 `json:"second_mm"`
	Shared   bool    `json:"shared"` // both took both its boundaries from the program as it read them
}

// agreements compares the program with everybody, and all observers with each
// other, on the cores that both have begun.
func agreements(scans []Scan) []Agreement {
	who := observers(scans)
	var out []Agreement
	add := func(first, second string) {
		if a := agree(scans, first, second); len(a.Cores) > 0 {
			out = append(out, a)
		}
	}
	for i, first := range who {
		for _, second := range who[i+1:] {
			add(first, second)
		}
	}
	for _, o := range who {
		add(Program, o)
	}
	return out
}

func agree(scans []Scan, first, second string) Agreement {
	a := Agreement{First: first, Second: second, Cores: []CoreMatch{}, Widths: []WidthPair{}}
	before, again := Again(second)
	a.Blind = again && before == first
	var all, own []float64
	for _, s := range scans {
		for _, c := range s.seenBy(first) {
			for _, d := range s.seenBy(second) {
				if c.UID != d.UID {
					continue
				}
				m, pairs := matchCore(s, c, d)
				m.ID = c.ID
				a.Cores, a.Widths = append(a.Cores, m), append(a.Widths, pairs...)
				a.FirstN, a.SecondN = a.FirstN+m.FirstN, a.SecondN+m.SecondN
				a.Matched, a.Missed, a.Extra = a.Matched+m.Matched, a.Missed+m.Missed, a.Extra+m.Extra
			}
		}
	}
	for _, w := range a.Widths {
		d := w.SecondMM - w.FirstMM
		all = append(all, d)
		if w.Shared {
			a.Shared++
		} else {
			own = append(own, d)
		}
	}
	a.All, a.Own = LimitsOf(all), LimitsOf(own)
	return a
}

// seenBy returns the cores that an observer has begun and not rejected, or, for
// the program, all as they were read.
func (s Scan) seenBy(who string) []measure.Core {
	if who == Program {
		return s.Reading.Cores
	}
	for _, o := range s.Observers {
		if o.Name == who {
			return only(o.Edited.Measurement.Cores, func(c measure.Core) bool {
				st := o.Edited.States[c.UID].Stage
				return st == measure.Begun || st == measure.SignedOff
			})
		}
	}
	return nil
}

// matchCore pairs the boundaries of two readings of a core, by their length
// along the first's radius, and the rings between pairs that follow each other.
// Without scale there are no widths, and px are compared.
func matchCore(s Scan, c, d measure.Core) (CoreMatch, []WidthPair) {
	radius := measure.NewRadius(c.PathPx, s.Reading.Scale.MMPerPx)
	a, b := along(radius, pointsOf(c)), along(radius, pointsOf(d))
	partner := match.Within(a, b, tolerance(radius, a, b))
	m := CoreMatch{Scan: s.Reading.Scan.File, UID: c.UID, Match: Match{FirstN: len(a), SecondN: len(b)}}
	for _, j := range partner {
		if j >= 0 {
			m.Matched++
		}
	}
	m.Missed, m.Extra = m.FirstN-m.Matched, m.SecondN-m.Matched
	pairs := widthPairs(c, d, partner)
	var differences []float64
	for i := range pairs {
		pairs[i].Scan = m.Scan
		differences = append(differences, pairs[i].SecondMM-pairs[i].FirstMM)
	}
	m.Widths, m.All = len(pairs), LimitsOf(differences)
	return m, pairs
}

func pointsOf(c measure.Core) []measure.Point {
	var out []measure.Point
	for _, b := range c.Boundaries {
		out = append(out, b.PointPx)
	}
	return out
}

// along returns where places, from bark to pith, lie along a radius, rising.
func along(radius *measure.Radius, places []measure.Point) []float64 {
	var at []float64
	for _, p := range places {
		here := radius.At(p)
		if n := len(at); n > 0 && here < at[n-1] { // of another radius, which turned back
			here = at[n-1]
		}
		at = append(at, here)
	}
	return at
}

// tolerance is how far apart two boundaries may lie and be the same one; without
// scale, lengths are px, and 4 px stand for the 0.1 mm of match.Tolerance (chosen).
func tolerance(radius *measure.Radius, a, b []float64) func(i, j int) float64 {
	px := math.Sqrt(radius.MMPerPx[0] * radius.MMPerPx[1])
	return func(i, j int) float64 {
		ring := math.Min(beside(a, i), beside(b, j))
		if !radius.Known {
			return math.Max(2, math.Min(4, ring/4))
		}
		return match.Tolerance(px, ring)
	}
}

// beside returns the width of the narrower ring beside a boundary.
func beside(at []float64, i int) float64 {
	w := math.Inf(1)
	if i > 0 {
		w = at[i] - at[i-1]
	}
	if i+1 < len(at) {
		w = math.Min(w, at[i+1]-at[i])
	}
	return w
}

func widthPairs(c, d measure.Core, partner []int) []WidthPair {
	var out []WidthPair
	for i := range c.Rings {
		j := partner[i]
		if j < 0 || partner[i+1] != j+1 || j >= len(d.Rings) {
			continue
		}
		r, q := c.Rings[i], d.Rings[j]
		if r.WidthMM == nil || q.WidthMM == nil || slices.Contains(r.Flags, measure.FlagPartial) || slices.Contains(q.Flags, measure.FlagPartial) {
			continue
		}
		shared := same(c.Boundaries[i], d.Boundaries[j]) && same(c.Boundaries[i+1], d.Boundaries[j+1])
		out = append(out, WidthPair{ID: c.ID, Ring: r.Index, Year: r.Year, FirstMM: *r.WidthMM, SecondMM: *q.WidthMM, Shared: shared})
	}
	return out
}

// same tells whether two readings have the very boundary that the program read:
// nobody has set it anew.
func same(a, b measure.Boundary) bool { return a.ID == b.ID && a.PointPx == b.PointPx }
