package stand

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"pithward/measure/archive"
	"pithward/measure/dating"
)

// Report is what came of dating a project; --json prints it.
type Report struct {
	Schema   string    `json:"schema"`
	Series   []Dated   `json:"series"`  // by tree
	Settled  []Settled `json:"settled"` // what was changed, and what was not
	Files    []string  `json:"files"`
	Warnings []string  `json:"warnings"`
}

// Dated is a series of a project, as a series of dating.Report with what the
// project adds.
type Dated struct {
	dating.SeriesReport
	Standing string   `json:"standing"`
	Core     string   `json:"core"`
	Scan     string   `json:"scan"`
	R        *float64 `json:"r"`             // with all other trees, at its present years
	RTree    *float64 `json:"r_within_tree"` // with the other radii of its tree
	Radii    int      `json:"other_radii"`
}

// Date dates the series of a project: each radius is compared with the others of
// its tree, each tree with all others of the site, and all with the series from
// elsewhere. sure is the posterior from which a place is a date.
func Date(ctx context.Context, cores []Core, against []archive.Series, treeChars int, sure float64) (Report, error) {
	st := New(cores, against, treeChars)
	r := Report{Schema: dating.ReportSchema, Series: []Dated{}, Settled: []Settled{}, Files: []string{}, Warnings: append([]string{}, st.Warnings...)}
	for i, c := range cores {
		if err := ctx.Err(); err != nil {
			return r, err
		}
		r.Series = append(r.Series, dateOne(st, i, c, sure))
	}
	slices.SortStableFunc(r.Series, func(a, b Dated) int { return cmp.Compare(a.Tree, b.Tree) })
	return r, nil
}

func dateOne(st *dating.Stand, i int, c Core, sure float64) Dated {
	s := c.Series.Trim()
	x := st.Standing(i, sure)
	d := Dated{Standing: x.Standing, Core: c.Core(), Scan: c.Scan, R: x.R}
	d.RTree, d.Radii = st.WithinTree(i)
	d.SeriesReport = dating.SeriesReport{ID: s.ID, Tree: st.Tree(i), N: len(s.Widths), Decision: dating.DecisionUndated, Posterior: x.Posterior, NoneOf: x.NoneOf,
		Against: "other trees", References: x.Trees, Reason: x.Reason, Placements: []dating.PlacementReport{}, OwnTree: []dating.PlacementReport{},
		Hold: []dating.WindowReport{}, Suspects: []dating.SuspectReport{}, Warnings: []string{}}
	if x.Trees == 0 {
		d.Against = "nothing"
	}
	if x.Standing == dating.Stands {
		first, last := *x.LastYear-len(s.Widths)+1, *x.LastYear
		d.Decision, d.FirstYear, d.LastYear = dating.DecisionDated, &first, &last
	}
	if x.Standing != dating.Undatable {
		d.Suspects = append(d.Suspects, st.View(i).Suspects...)
	}
	return d
}

// Core is the uid of the core that the series is of.
func (c Core) Core() string { return c.Series.Core }

// Archive returns the dated series of a report with their years and all that is
// known of them, for files. site is what is known of the place.
func Archive(cores []Core, r Report, site archive.Site) *archive.Collection {
	c := &archive.Collection{Site: site}
	last := map[string]int{}
	for _, d := range r.Series {
		if d.LastYear != nil {
			last[key(d.Core, d.ID)] = *d.LastYear
		}
	}
	for _, x := range cores {
		s := x.Series.Trim()
		if year, ok := last[key(s.Core, s.ID)]; ok {
			s.FirstYear, s.Floating = year-len(s.Widths)+1, false
			c.Series = append(c.Series, s)
		}
	}
	return c
}

func key(core, id string) string { return fmt.Sprintf("%s/%s", core, id) }
