package main

import (
	"fmt"
	"io"
	"math"
	"runtime"

	"golang.org/x/sync/errgroup"

	"pithward/measure/archive"
	"pithward/measure/dating"
)

// tally adds up what became of the faults of many readings.
type tally struct {
	cores, boundaries, faults int
	own, ownRestored          int // faults of the reader itself, beside those put into its reading
	near                      int // faults that a suspect of their kind, posterior settled or more, covers within two years
	restored, wrong           int // changes at a posterior of at least settled: those that mend a fault, and those that make one
	sure, sureWrong           int // of these changes, at a posterior of at least verySure
	absent, absentFound       int
	n, right                  [11]int
	sum                       [11]float64
}

// settled is the posterior from which a suspect is taken for what it says.
const settled = 0.5

// verySure is a posterior that nobody need look at the place for (as date --settle 0.8).
const verySure = 0.8

// judge sets the suspects of a core against the truth.
func (t *tally) judge(c core, suspects []dating.Suspect) {
	t.cores++
	t.boundaries += c.count
	t.faults += c.faults
	t.own += len(c.own)
	t.absent += len(c.absent)
	for _, f := range c.places {
		for _, s := range suspects {
			if !f.own && s.Kind == f.kind && s.Posterior >= settled && s.FromYear-2 <= f.year && f.year <= s.ToYear+2 {
				t.near++
				break
			}
		}
	}
	for _, s := range suspects {
		right := c.right(s)
		t.note(s.Here, right)
		if s.Here < settled {
			continue
		}
		switch {
		case s.Kind == dating.Absent && right:
			t.absentFound++
		case s.Kind == dating.Absent: // never settled by itself
		case right && c.owns(s):
			t.ownRestored++
		case right:
			t.restored++
			if s.Here >= verySure {
				t.sure++
			}
		default:
			t.wrong++
			if s.Here >= verySure {
				t.sureWrong++
			}
		}
	}
}

// right tells whether a suspect is at the very place of a fault of its kind.
func (c core) right(s dating.Suspect) bool {
	switch {
	case s.Kind == dating.Absent:
		return c.absent[s.Year]
	case s.Kind == dating.Invented:
		return !c.real[s.Place]
	case s.Place != "":
		return c.real[s.Place]
	}
	return c.rings[s.Year] != ""
}

// owns tells whether a right suspect mends a fault of the reader itself.
func (c core) owns(s dating.Suspect) bool {
	if s.Place != "" {
		return c.own[s.Place]
	}
	return c.own[c.rings[s.Year]]
}

func (t *tally) note(p float64, right bool) {
	b := min(10, int(p*10))
	if p >= 0.99 {
		b = 10
	}
	t.n[b]++
	t.sum[b] += p
	if right {
		t.right[b]++
	}
}

// ece is the expected calibration error: the mean distance of the mean
// probability of a bin from the share that is right.
func (t *tally) ece() float64 {
	sum, n := 0.0, 0
	for b := range t.n {
		if t.n[b] > 0 {
			sum += math.Abs(t.sum[b] - float64(t.right[b]))
			n += t.n[b]
		}
	}
	return sum / math.Max(1, float64(n))
}

// company is whom a core is set against.
type company string

const (
	byMaster  company = "a master"
	bySisters company = "ten sisters"
	byBoth    company = "ten sisters, a master"
	byNobody  company = "none: picture alone"
)

// judgeSite reads every core of a site in the given company.
func judgeSite(cores []core, s site, with company, t *tally) {
	var all, apart []archive.Series
	for _, c := range cores {
		all = append(all, c.series)
	}
	if with == byBoth {
		apart = append(apart, *s.apart)
	}
	together := dating.NewStand(all, apart, 0)
	found := make([][]dating.Suspect, len(cores))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, c := range cores {
		g.Go(func() error {
			switch with {
			case byMaster:
				found[i] = dating.NewStand(all[i:i+1], []archive.Series{*s.masters[c.series.ID]}, 0).Suspects(0)
			case byNobody:
				found[i] = c.byPicture()
			default:
				found[i] = together.Suspects(i)
			}
			return nil
		})
	}
	_ = g.Wait() // none fails
	for i, c := range cores {
		t.judge(c, found[i])
	}
}

// byPicture is what the picture alone would have changed: nothing that it
// accepts or rejects at more than a half.
func (c core) byPicture() (out []dating.Suspect) {
	for k, p := range c.series.Pictures {
		year := c.series.FirstYear + k
		if not := 1 - p.Boundary.Probability; not >= 0.05 && k > 0 {
			out = append(out, dating.Suspect{Kind: dating.Invented, Year: year, FromYear: year, ToYear: year, Place: p.Boundary.ID, Here: not, Posterior: not})
		}
		for _, x := range p.Candidates {
			if x.Probability >= 0.05 {
				out = append(out, dating.Suspect{Kind: dating.Missed, Year: year, FromYear: year, ToYear: year, Place: x.ID, Here: x.Probability, Posterior: x.Probability})
			}
		}
	}
	return out
}

func (t *tally) add(o tally) {
	t.cores += o.cores
	t.boundaries += o.boundaries
	t.faults += o.faults
	t.own += o.own
	t.ownRestored += o.ownRestored
	t.near += o.near
	t.restored += o.restored
	t.wrong += o.wrong
	t.sure += o.sure
	t.sureWrong += o.sureWrong
	t.absent += o.absent
	t.absentFound += o.absentFound
	for b := range t.n {
		t.n[b] += o.n[b]
		t.right[b] += o.right[b]
		t.sum[b] += o.sum[b]
	}
}

// cell is what became of the faults, under a head of the table.
func (t *tally) cell() string {
	share := func(n, of int) float64 { return 100 * float64(n) / math.Max(1, float64(of)) }
	return fmt.Sprintf("   %7.1f  %6.1f  %5.2f", share(t.restored, t.faults), share(t.near, t.faults), share(t.wrong, t.boundaries))
}

// sureCell is the same of what would be taken at a posterior of at least verySure.
func (t *tally) sureCell() string {
	return fmt.Sprintf("   %7.1f           %5.2f", 100*float64(t.sure)/math.Max(1, float64(t.faults)), 100*float64(t.sureWrong)/math.Max(1, float64(t.boundaries)))
}

// reliability prints how often suspects given each posterior are right, at the
// very place.
func reliability(out io.Writer, all map[company]*tally) {
	fmt.Fprint(out, "\nposterior")
	for _, w := range companies() {
		fmt.Fprintf(out, "   %-21s", w)
	}
	fmt.Fprint(out, "\nat the place")
	for range companies() {
		fmt.Fprint(out, "suspects  mean  right   ")
	}
	fmt.Fprintln(out)
	for b := range 11 {
		fmt.Fprintf(out, "%9.1f", float64(b)/10)
		for _, w := range companies() {
			t := all[w]
			if t == nil || t.n[b] == 0 {
				fmt.Fprintf(out, "   %8s  %4s  %5s", "-", "-", "-")
				continue
			}
			fmt.Fprintf(out, "   %8d  %4.2f  %5.2f", t.n[b], t.sum[b]/float64(t.n[b]), float64(t.right[b])/float64(t.n[b]))
		}
		fmt.Fprintln(out)
	}
}
