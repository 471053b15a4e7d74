package measure

import (
	"fmt"
	"slices"
)

// Series is a run of ring widths without lost wood in it, as archive files
// take it.
type Series struct {
	ID       string     // of the core; with a letter for wood inward of lost wood
	Dated    bool       // years are calendar years
	First    int        // year of the first value; in a series that is not dated, 1
	WidthsMM []*float64 // oldest first; nil: the ring is there, its width not known; 0: absent ring
}

// MakeSeries returns the series of a measurement, core after core. The
// innermost ring of one that is not dated bears year 1. Partial rings and
// rings touching a lost gap have no width; a lost gap ends a series, and the
// wood inward of it becomes a series of its own, which the warnings say.
// Without scale there are no series.
func MakeSeries(m Measurement) (all []Series, warnings []string) {
	if m.Scale.MMPerPx == nil {
		return nil, nil
	}
	for _, c := range m.Cores {
		for n, run := range ringRuns(c) {
			s := Series{ID: c.ID, First: 1, WidthsMM: widths(c, run)}
			if n > 0 {
				s.ID = fmt.Sprintf("%s%c", c.ID, 'a'+n)
				warnings = append(warnings, fmt.Sprintf("%s: the wood inward of lost wood is written as a series of its own, %s", c.ID, s.ID))
			}
			if oldest := c.Rings[run[len(run)-1]]; oldest.Year != nil {
				s.Dated, s.First = true, *oldest.Year
			}
			all = append(all, s)
		}
	}
	return all, warnings
}

// ringRuns returns the places in c.Rings of each run of rings that may be
// written as one series, from the bark inward.
func ringRuns(c Core) (runs [][]int) {
	var run []int
	end := func() {
		if len(run) > 0 {
			runs = append(runs, run)
		}
		run = nil
	}
	for i, r := range c.Rings {
		if touchesLost(c, i) {
			end()
			continue
		}
		if slices.Contains(r.Flags, FlagPartial) {
			continue
		}
		if len(run) > 0 && (c.Rings[run[0]].Year == nil) != (r.Year == nil) {
			end()
		}
		run = append(run, i)
	}
	end()
	return runs
}

func touchesLost(c Core, ring int) bool {
	return slices.ContainsFunc(c.Gaps, func(g Stretch) bool {
		return g.Kind == Lost && overlaps(g, c.Boundaries[ring], c.Boundaries[ring+1])
	})
}

// widths returns the widths of a run of rings, oldest first, absent rings
// between them as 0.
func widths(c Core, run []int) []*float64 {
	var out []*float64
	for k, i := range run {
		out = append(out, c.Rings[i].WidthMM)
		if k == len(run)-1 {
			break
		}
		for _, a := range c.Absent {
			if a.AfterIndex == c.Rings[i].Index {
				out = append(out, new(float64))
			}
		}
	}
	slices.Reverse(out)
	return out
}
