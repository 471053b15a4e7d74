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

// site is cores that share a common signal, and a chronology of other trees of
// the same place, where there are enough.
type site struct {
	name   string
	trees  []tree
	master *archive.Series
}

// How a site is drawn: cores, years, and the trees behind a master (chosen).
const (
	siteCores   = 11
	siteYears   = 120
	masterTrees = 6
)

// readSites cuts sites out of the archive files of a folder: windows of
// siteYears in which siteCores trees or more have every year, at most perFile a
// file, the youngest first.
func readSites(dir string, perFile int) ([]site, error) {
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
		sites = append(sites, cutSites(strings.TrimSuffix(filepath.Base(f), ".rwl"), c.Series, perFile)...)
	}
	return sites, nil
}

func cutSites(name string, all []archive.Series, perFile int) (sites []site) {
	oldest, youngest := math.MaxInt, math.MinInt
	for _, s := range all {
		oldest, youngest = min(oldest, s.FirstYear), max(youngest, s.LastYear())
	}
	for last := youngest; last-siteYears+1 >= oldest && len(sites) < perFile; {
		s, ok := cutSite(name, all, last)
		if !ok {
			last -= 5
			continue
		}
		sites = append(sites, s)
		last -= siteYears
	}
	return sites
}

// cutSite takes a tree's first whole radius in the window; the trees beyond
// siteCores make the master.
func cutSite(name string, all []archive.Series, last int) (site, bool) {
	s := site{name: fmt.Sprintf("%s %d", name, last)}
	seen := map[string]bool{}
	var rest []archive.Series
	for _, x := range all {
		t := treeOf(x.ID)
		w, whole := cut(x, last)
		switch {
		case !whole || seen[t] && len(s.trees) < siteCores:
		case seen[t]:
		case len(s.trees) < siteCores:
			seen[t] = true
			s.trees = append(s.trees, tree{t, last, w})
		default:
			x.Meta.Tree = t
			rest = append(rest, x)
			seen[t] = len(rest) < 0
		}
	}
	if len(s.trees) < siteCores {
		return s, false
	}
	if len(rest) >= masterTrees {
		if built, ok := dating.BuildSite(rest, dating.DefaultSiteOptions()); ok {
			m, _ := built.Standard.Archive("master")
			s.master = &m
		}
	}
	return s, true
}

// cut returns the widths of the window that ends in a year.
func cut(x archive.Series, last int) (w []float64, whole bool) {
	for year := last; year > last-siteYears; year-- {
		v := x.At(year)
		if !v.Measured() {
			return nil, false
		}
		w = append(w, float64(v))
	}
	return w, w[0] > 0 && w[len(w)-1] > 0
}

// treeOf takes the last character off ids that end in a core's letter or number.
func treeOf(id string) string {
	if n := len(id); n > 1 && strings.ContainsRune("abcdABCD123", rune(id[n-1])) {
		return id[:n-1]
	}
	return id
}
