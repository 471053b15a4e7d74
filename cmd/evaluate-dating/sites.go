package main

import (
	"fmt"
	"math"
	"path/filepath"
	"sort"
	"strings"

	"pithward/measure/archive"
	"pithward/measure/dating"
)

// tree is a true series: the widths of a radius from the youngest ring to the
// oldest, with the years in which it grew none.
type tree struct {
	name   string
	year   int       // of the youngest ring
	widths []float64 // 0: no ring that year
}

// site is cores that share a common signal, and chronologies to set them against.
type site struct {
	name    string
	last    int // youngest year of the window
	trees   []tree
	masters map[string]*archive.Series // for each tree, of all the file's other trees
	apart   *archive.Series            // of trees that are none of these; nil where there are too few
}

// How a site is drawn: cores, the years of the window, the fewest that a core must
// have of them, and the trees behind a chronology of others (chosen).
const (
	siteCores  = 11
	asideCores = 6 // fewest of a site aside
	siteYears  = 100
	coreYears  = 60
	apartTrees = 4
)

// readSites cuts sites out of the archive files of a folder: windows of siteYears
// in which siteCores trees or more have coreYears, the youngest first.
//
// Those aside share no year with these: what is chosen in measure/dating is chosen
// on them. They may have fewer cores.
func readSites(dir string, aside bool) ([]site, error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.rwl"))
	if err != nil {
		return nil, err
	}
	sort.Strings(files)
	var sites []site
	for _, f := range files {
		c, err := archive.ReadFile(f)
		if err != nil {
			return nil, err
		}
		judged := cutSites(strings.TrimSuffix(filepath.Base(f), ".rwl"), c.Series, math.MaxInt, siteCores)
		if !aside {
			sites = append(sites, judged...)
			continue
		}
		before := math.MaxInt
		for _, s := range judged {
			before = min(before, s.last-siteYears)
		}
		sites = append(sites, cutSites(strings.TrimSuffix(filepath.Base(f), ".rwl"), c.Series, before, asideCores)...)
	}
	return sites, nil
}

// cutSites takes windows that end in a year or before, with so many cores or more.
func cutSites(name string, all []archive.Series, before, cores int) (sites []site) {
	oldest, youngest := math.MaxInt, math.MinInt
	for _, s := range all {
		oldest, youngest = min(oldest, s.FirstYear), max(youngest, s.LastYear())
	}
	for last := min(before, youngest); last-siteYears+1 >= oldest; {
		s, ok := cutSite(name, all, last, cores)
		if !ok {
			last -= 5
			continue
		}
		sites = append(sites, s)
		last -= siteYears
	}
	return sites
}

// cutSite takes a tree's first radius that has years enough in the window.
func cutSite(name string, all []archive.Series, last, cores int) (site, bool) {
	s := site{last: last, name: fmt.Sprintf("%s %d", name, last), masters: map[string]*archive.Series{}}
	taken := map[string]bool{}
	for _, x := range all {
		t := treeOf(x.ID)
		if c, ok := cut(x, last); ok && !taken[t] && len(s.trees) < siteCores {
			taken[t] = true
			c.name = t
			s.trees = append(s.trees, c)
		}
	}
	if len(s.trees) < cores {
		return s, false
	}
	for _, t := range s.trees {
		s.masters[t.name] = chronology(all, func(tree string) bool { return tree != t.name })
	}
	s.apart = chronology(all, func(tree string) bool { return !taken[tree] })
	return s, true
}

// chronology is that of the trees chosen; nil for fewer than apartTrees.
func chronology(all []archive.Series, chosen func(tree string) bool) *archive.Series {
	var of []archive.Series
	trees := map[string]bool{}
	for _, x := range all {
		if t := treeOf(x.ID); chosen(t) {
			x.Meta.Tree = t
			of, trees[t] = append(of, x), true
		}
	}
	if len(trees) < apartTrees {
		return nil
	}
	built, ok := dating.BuildSite(of, dating.DefaultSiteOptions())
	if !ok {
		return nil
	}
	m, _ := built.Standard.Archive("master")
	return &m
}

// cut returns the longest run of measured years of the window that ends in a
// year, from the youngest on; ok is false where it is shorter than coreYears.
func cut(x archive.Series, last int) (longest tree, ok bool) {
	var run tree
	keep := func() {
		for n := len(run.widths); n > 0 && run.widths[n-1] == 0; n-- { // ends with a ring
			run.widths = run.widths[:n-1]
		}
		if len(run.widths) > len(longest.widths) {
			longest = run
		}
		run = tree{}
	}
	for year := last; year > last-siteYears; year-- {
		v := x.At(year)
		switch {
		case !v.Measured():
			keep()
		case v > 0 && len(run.widths) == 0:
			run = tree{year: year, widths: []float64{float64(v)}}
		case len(run.widths) > 0:
			run.widths = append(run.widths, float64(v))
		}
	}
	keep()
	return longest, len(longest.widths) >= coreYears
}

// treeOf takes the last character off ids that end in a core's letter or number.
func treeOf(id string) string {
	if n := len(id); n > 1 && strings.ContainsRune("abcdABCD123", rune(id[n-1])) {
		return id[:n-1]
	}
	return id
}
