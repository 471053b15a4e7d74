package dating

import (
	"fmt"
	"math"

	"pithward/measure/archive"
)

// SiteOptions are the choices in building a site's chronologies.
type SiteOptions struct {
	// Cutoff is the period in years of which a spline passes half; 0 means two
	// thirds of each series' length (common practice; Cook & Kairiukstis 1990).
	Cutoff float64
	// NegativeExponential takes that curve, or what serves in its place, instead
	// of a spline.
	NegativeExponential bool
	// Window and Step, in years, of the running signal; MinTrees in a window.
	Window, Step, MinTrees int
	TreeChars              int // as in Options
}

// DefaultSiteOptions: windows of 50 years every 25, at least three trees, as the
// golden values have them.
func DefaultSiteOptions() SiteOptions { return SiteOptions{Window: 50, Step: 25, MinTrees: 3} }

// EPSLimit is the convention above which a chronology is said to stand for its
// site (Wigley, Briffa & Jones 1984); a convention, not a test.
const EPSLimit = 0.85

// Part is a series that takes part in a chronology.
type Part struct {
	ID, Tree string
	Index    Values
	Curve    string // the growth curve taken off
	Widths   Summary
}

// SiteChronology is what a site's series make together.
type SiteChronology struct {
	Parts    []Part
	Standard Chronology
	Residual Chronology // over the same years as Standard
	Trees    []int      // behind each year of Standard
	All      Signal     // each pair over its own overlap of at least 30 years
	Common   *Signal    // over the years that all have; nil if there are fewer than 10
	Running  []Signal
	Warnings []string
}

// BuildSite detrends the series that have years, and builds the standard and the
// residual chronology with sample depth, confidence band and signal. Series that
// cannot take part are named. ok is false if none can.
func BuildSite(series []archive.Series, o SiteOptions) (site SiteChronology, ok bool) {
	var indices []Values
	var members []Member
	for _, s := range series {
		p, why := partOf(s, o)
		if why != "" {
			site.Warnings = append(site.Warnings, fmt.Sprintf("%s: %s: left out", s.ID, why))
			continue
		}
		site.Parts = append(site.Parts, p)
		indices, members = append(indices, p.Index), append(members, Member{p.Tree, p.Index})
	}
	if len(indices) == 0 {
		return site, false
	}
	site.Standard = Standard(indices)
	site.Residual = sameYears(Residual(indices), site.Standard.Values)
	site.Trees = treesBehind(members, site.Standard.Values)
	site.All = SignalAll(members, 30)
	if first, last, common := CommonInterval(members); common && last-first+1 >= 10 {
		s := SignalWindow(members, first, last)
		site.Common = &s
	}
	site.Running = RunningSignal(members, o.Window, o.Step, o.MinTrees)
	return site, true
}

func partOf(s archive.Series, o SiteOptions) (Part, string) {
	d := newDatedIn(s.Trim(), o.TreeChars)
	switch {
	case s.Quantity != archive.RingWidth:
		return Part{}, fmt.Sprintf("it holds %s, not ring widths", s.Quantity)
	case s.Floating:
		return Part{}, "it has no years"
	}
	n := d.Widths.Defined()
	detrending := Detrending{SplinePeriod: o.Cutoff}
	switch {
	case o.NegativeExponential:
		detrending.SplinePeriod = 0
	case o.Cutoff == 0:
		detrending.SplinePeriod = math.Max(2, math.Round(float64(len(d.Widths.V))*2/3))
	}
	index, _, kind, err := Detrend(d.Widths, detrending)
	if err != nil {
		return Part{}, fmt.Sprintf("its %d rings are too few, or do not vary", n)
	}
	return Part{ID: d.ID, Tree: d.Tree, Index: index, Curve: kind, Widths: Summarise(d.Widths)}, ""
}

// sameYears lays a chronology out over the years of another.
func sameYears(c Chronology, years Values) Chronology {
	out := Chronology{Values: Values{FirstYear: years.FirstYear}}
	for year := years.FirstYear; year <= years.LastYear(); year++ {
		k := year - c.FirstYear
		v, depth, half := math.NaN(), 0, math.NaN()
		if k >= 0 && k < len(c.V) {
			v, depth, half = c.V[k], c.Depth[k], c.Half[k]
		}
		out.V, out.Depth, out.Half = append(out.V, v), append(out.Depth, depth), append(out.Half, half)
	}
	return out
}

// treesBehind counts trees year by year.
func treesBehind(members []Member, years Values) []int {
	out := make([]int, len(years.V))
	seen := map[string]bool{}
	for k := range out {
		clear(seen)
		for _, m := range members {
			if !math.IsNaN(m.At(years.FirstYear + k)) {
				seen[m.Tree] = true
			}
		}
		out[k] = len(seen)
	}
	return out
}

// Archive turns a chronology into a series for a decadal chronology file. An
// index below 0, which the format cannot say, becomes 0, and its year is
// returned.
func (c Chronology) Archive(id string) (s archive.Series, below []int) {
	s = archive.Series{ID: id, FirstYear: c.FirstYear, Quantity: archive.Index, Depth: c.Depth}
	for k, v := range c.V {
		switch {
		case math.IsNaN(v):
			s.Widths = append(s.Widths, archive.Missing)
		case v < 0:
			below = append(below, c.FirstYear+k)
			s.Widths = append(s.Widths, 0)
		default:
			s.Widths = append(s.Widths, archive.Width(v))
		}
	}
	return s, below
}
