package stand

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/dating"
)

// Report is what came of dating a project; --json prints it.
type Report struct {
	Schema   string            `json:"schema"`
	Trees    []dating.TreeView `json:"trees"`   // by name: the radii of each against each other, and their mean against the site
	Series   []Dated           `json:"series"`  // by tree
	Settled  []Settled         `json:"settled"` // what was changed, and what was not
	Files    []string          `json:"files"`
	Warnings []string          `json:"warnings"`
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
	r := Report{Schema: dating.ReportSchema, Trees: []dating.TreeView{}, Series: []Dated{}, Settled: []Settled{}, Files: []string{}, Warnings: append([]string{}, st.Warnings...)}
	all := make([]dating.Standing, len(cores))
	for i := range cores {
		if err := ctx.Err(); err != nil {
			return r, err
		}
		all[i] = st.Standing(i, sure)
	}
	for i, c := range cores {
		if err := ctx.Err(); err != nil {
			return r, err
		}
		r.Series = append(r.Series, dateOne(st, i, c, sure, all))
	}
	r.Trees = append(r.Trees, st.Trees()...)
	slices.SortStableFunc(r.Trees, func(a, b dating.TreeView) int { return cmp.Compare(a.Tree, b.Tree) })
	slices.SortStableFunc(r.Series, func(a, b Dated) int { return cmp.Compare(a.Tree, b.Tree) })
	return r, nil
}

// byTree takes into account where the other radii of its tree put a series: they may
// date what floats, and contradict what the other trees or the field say. against is
// what dates it.
func byTree(st *dating.Stand, i int, sure float64, all []dating.Standing) (s dating.Standing, against, warning string) {
	x, against := all[i], "other trees"
	if x.Trees == 0 {
		against = "nothing"
	}
	y, ok := st.StandingInTree(i, sure)
	if !ok || y.LastYear == nil || y.Posterior < sure {
		return x, against, ""
	}
	switch {
	case x.Standing == dating.Stands && *x.LastYear == *y.LastYear:
	case x.Standing == dating.Stands && st.Series(i).Floating:
		x.Standing = dating.StaysAfloat
		x.Reason = fmt.Sprintf("the other radii of its tree put its last ring at %d, the other trees at %d: look where they part", *y.LastYear, *x.LastYear)
	case st.Series(i).Floating && !sisterStands(st, i, all):
		x.Reason += fmt.Sprintf("; the other radii of its tree would put its last ring at %d, but are not dated themselves", *y.LastYear)
	case st.Series(i).Floating:
		y.R = x.R
		return y, "own tree", "the other trees do not date it by themselves: " + x.Reason
	case *y.LastYear != st.Series(i).Trim().LastYear():
		warning = fmt.Sprintf("the other radii of its tree put its last ring at %d", *y.LastYear)
	}
	return x, against, warning
}

// sisterStands tells whether another radius of a series' tree is dated.
func sisterStands(st *dating.Stand, i int, all []dating.Standing) bool {
	for k, x := range all {
		if k != i && st.Tree(k) == st.Tree(i) && x.Standing == dating.Stands && !st.Series(k).Floating {
			return true
		}
	}
	return false
}

func dateOne(st *dating.Stand, i int, c Core, sure float64, all []dating.Standing) Dated {
	s := c.Trim()
	x, against, warning := byTree(st, i, sure, all)
	d := Dated{Standing: x.Standing, Core: c.Core(), Scan: c.Scan, R: x.R}
	d.RTree, d.Radii = st.WithinTree(i)
	d.SeriesReport = dating.SeriesReport{ID: s.ID, Tree: st.Tree(i), N: len(s.Widths), Decision: dating.DecisionUndated, Posterior: x.Posterior, NoneOf: x.NoneOf,
		Against: against, References: x.Trees, Reason: x.Reason, Placements: []dating.PlacementReport{}, OwnTree: []dating.PlacementReport{},
		Hold: []dating.WindowReport{}, Suspects: []dating.SuspectReport{}, Warnings: []string{}}
	if warning != "" {
		d.Warnings = append(d.Warnings, warning)
	}
	if x.Standing == dating.Stands {
		first, last := *x.LastYear-len(s.Widths)+1, *x.LastYear
		d.Decision, d.FirstYear, d.LastYear = dating.DecisionDated, &first, &last
	}
	if x.Standing != dating.Undatable {
		d.Suspects = append(d.Suspects, st.View(i).Suspects...)
	}
	if moved := st.Series(i); d.LastYear != nil && moved.Floating { // say years as they were found
		by := *d.LastYear - moved.Trim().LastYear()
		for k := range d.Suspects {
			x := &d.Suspects[k]
			x.Year, x.FromYear, x.ToYear = x.Year+by, x.FromYear+by, x.ToYear+by
		}
	}
	return d
}

// Core is the uid of the core that the series is of.
func (c Core) Core() string { return c.Series.Core }

// Archive returns the dated series of a report with their years and all that is
// known of them, for files, and in which of them a fault is suspected.
func Archive(cores []Core, r Report) (*archive.Collection, []string) {
	c := &archive.Collection{}
	dated := map[string]Dated{}
	for _, d := range r.Series {
		if d.LastYear != nil {
			dated[key(d.Core, d.ID)] = d
		}
	}
	var suspected, said []string
	for _, x := range cores {
		s := x.Trim()
		d, ok := dated[key(s.Core, s.ID)]
		if !ok {
			continue
		}
		s.FirstYear, s.Floating, s.Meta.Posterior = *d.LastYear-len(s.Widths)+1, false, &d.Posterior
		c.Series = append(c.Series, s)
		if n := len(d.Suspects); n > 0 && d.Suspects[0].Posterior >= 0.5 {
			suspected = append(suspected, fmt.Sprintf("%s (%s, %d)", s.ID, d.Suspects[0].Kind, d.Suspects[0].Year))
		}
	}
	if len(suspected) > 0 {
		said = append(said, "written as they were read, though a ring is probably missed, invented or absent in them, so that older years may be off by one: "+strings.Join(suspected, ", "))
	}
	c.Site, _ = archive.CommonSite(c.Series)
	return c, said
}

// Describe puts what a core sheet says of the trees and their place in the place of
// what the project was measured with; years and ids stay. A row is of the core that it
// names or, where it names none, of the core at its position. It returns how many
// cores have a row, and what cannot be understood.
func Describe(cores []Core, sheet *measure.Sheet) (rows int, faults []string) {
	at := map[string][]int{} // the series of each scan
	for i, c := range cores {
		at[c.Scan] = append(at[c.Scan], i)
	}
	for _, scan := range slices.Sorted(maps.Keys(at)) {
		fields, _ := sheet.ForScan(scan)
		for _, f := range fields {
			named, there := false, false
			for _, i := range at[scan] {
				c := &cores[i]
				here := c.Position == f.Position
				named = named || here
				// A core parted by lost wood has series X, X.2, ...
				if f.Core != c.ID && !(here && (f.Core == "" || strings.HasPrefix(c.ID, f.Core+"."))) {
					continue
				}
				there = true
				for _, w := range describe(&c.Meta, f) {
					faults = append(faults, fmt.Sprintf("%s line %d: %s", sheet.Name, f.Line, w))
				}
				rows++
			}
			if named && !there {
				faults = append(faults, fmt.Sprintf("%s line %d: core %s is none of the project's on %s, whose core at position %d has another id: the row is left out", sheet.Name, f.Line, f.Core, scan, f.Position))
			}
		}
	}
	return rows, faults
}

// describe takes over what a row says. A code that the row leaves open goes with the
// name that it stood for.
func describe(m *archive.Meta, f measure.Field) (faults []string) {
	site, faults := archive.SiteOf(f)
	if f.Species != "" && f.Species != m.Species {
		m.Site.SpeciesCode = ""
	}
	if site.Name != "" && site.Name != m.Site.Name {
		m.Site.Code = ""
	}
	m.Site = m.Site.With(site)
	m.Species, m.Sampled, m.Note = cmp.Or(f.Species, m.Species), cmp.Or(f.Sampled, m.Sampled), cmp.Or(f.Note, m.Note)
	return faults
}

func key(core, id string) string { return fmt.Sprintf("%s/%s", core, id) }
