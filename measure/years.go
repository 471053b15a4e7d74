package measure

import (
	"errors"
	"fmt"
	"slices"
)

// The conventions by which a ring bears a year, as named in the output. In the
// north a ring grows within one calendar year. In the south growth runs over
// the turn of the year, and the ring bears the year it began in (Schulman
// 1956, Dendroclimatic Changes in Semiarid America).
const (
	ConventionNorth = "the calendar year of growth"
	ConventionSouth = "the calendar year in which growth began (Schulman 1956)"
	ConventionGiven = "as in the given outer year"
)

// The kinds of Doubt that concern a core's ring years.
const (
	DoubtYears     = "years"      // no years could be given
	DoubtOuterRing = "outer-ring" // years rest on the outermost ring being taken as unfinished
)

// DefaultSeason returns the growing season assumed where the settings give
// none: April to September in the north, October to March in the south (common
// practice for temperate trees).
func DefaultSeason() Season {
	return Season{NorthFrom: 4, NorthTo: 9, SouthFrom: 10, SouthTo: 3}
}

// Validate tells whether the limits can be used: months 1 to 12, the northern
// season within one calendar year, the southern one over the turn of the year.
func (s Season) Validate() error {
	if s.NorthFrom < 1 || s.NorthTo > 12 || s.NorthFrom > s.NorthTo {
		return errors.New("the northern growing season must begin and end in months 1 to 12 of one year, like 4-9")
	}
	if s.SouthFrom < 7 || s.SouthFrom > 12 || s.SouthTo < 1 || s.SouthTo > 6 {
		return errors.New("the southern growing season must begin in months 7 to 12 and end in months 1 to 6, like 10-3")
	}
	return nil
}

// ApplyFields gives the cores of one scan their ids, their rows of the core
// sheet and the years of their rings, in place. The cores are in reading order
// with Position set, and Rings, Gaps, BarkPresent and PithPresent as the
// picture showed them; fields are the sheet's rows for the scan, one a
// position (see Sheet.ForScan), or none. What sheet and picture disagree on
// becomes a warning of the core; the warnings returned concern the scan.
// Calling it again with the same input changes nothing more.
func ApplyFields(cores []Core, fields []Field, stem string, season Season) (warnings []string) {
	matched := AssignIDs(cores, fields, stem)
	if len(fields) > 0 && !matched {
		warnings = append(warnings, fmt.Sprintf("%s found, but the sheet has %s for this scan, numbered %s: no ids, field data or years were given by position; correct the sheet or the cores",
			plural(len(cores), "core"), plural(len(fields), "row"), positions(fields)))
	}
	for i := range cores {
		applyField(&cores[i], season)
	}
	return warnings
}

// AssignIDs gives every core its id and its row of the sheet by position. If
// the positions of the rows are not just those of the cores, no row is used
// (one core missed would rename all below it), the ids are made of stem and
// position, and it returns false.
func AssignIDs(cores []Core, fields []Field, stem string) (matched bool) {
	matched = len(cores) == len(fields)
	at := map[int]*Field{}
	for i := range fields {
		at[fields[i].Position] = &fields[i]
	}
	for i := range cores {
		matched = matched && at[cores[i].Position] != nil
	}
	for i := range cores {
		c := &cores[i]
		c.ID, c.Field = fmt.Sprintf("%s-%d", stem, c.Position), nil
		if !matched {
			continue
		}
		f := *at[c.Position]
		c.Field = &f
		if f.Core != "" {
			c.ID = f.Core
		}
	}
	return matched && len(fields) > 0
}

func positions(fields []Field) string {
	if len(fields) == 1 {
		return fmt.Sprint(fields[0].Position)
	}
	return fmt.Sprintf("%d to %d", fields[0].Position, fields[len(fields)-1].Position)
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// applyField sets the years of one core from its row of the sheet and notes
// where row and picture disagree.
func applyField(c *Core, season Season) {
	if c.Field == nil || len(c.Rings) == 0 {
		setYears(c, nil)
		return
	}
	compare(c, "bark", c.Field.Bark, c.BarkPresent)
	compare(c, "pith", c.Field.Pith, c.PithPresent)

	underBark := c.BarkPresent && c.Boundaries[0].Kind == Outer
	d := dateOutermost(*c.Field, underBark, season)
	if d.partial != nil {
		setPartial(c, *d.partial)
	}
	setYears(c, d.year)
	switch {
	case d.year != nil:
		c.YearConvention = &d.convention
		for _, w := range d.warnings {
			c.warn(w)
		}
		if d.assumed != "" {
			c.doubt(DoubtOuterRing, d.assumed)
		}
	case d.undecided != "":
		c.doubt(DoubtYears, d.undecided)
	}
}

// compare warns where the sheet states something of a core that the picture
// does not show, or the other way round.
func compare(c *Core, what string, stated *bool, seen bool) {
	switch {
	case stated == nil || *stated == seen:
	case seen:
		c.warn(fmt.Sprintf("the sheet says no %s, but the picture shows it", what))
	default:
		c.warn(fmt.Sprintf("the sheet says %s, but the picture does not show it", what))
	}
}

func (c *Core) warn(text string) { c.Warnings = appendOnce(c.Warnings, text) }

func (c *Core) doubt(kind, detail string) {
	d := Doubt{Kind: kind, Detail: detail}
	if !slices.Contains(c.Doubts, d) {
		c.Doubts = append(c.Doubts, d)
	}
}

// setPartial makes the outermost ring unfinished, or complete, and shifts the
// numbers of rings and absent rings so that index 1 stays the outermost
// complete one.
func setPartial(c *Core, partial bool) {
	outermost := &c.Rings[0]
	if partial == slices.Contains(outermost.Flags, FlagPartial) {
		return
	}
	shift := -1
	if partial {
		outermost.Flags = append([]string{FlagPartial}, outermost.Flags...)
	} else {
		shift = 1
		outermost.Flags = slices.DeleteFunc(slices.Clone(outermost.Flags), func(f string) bool { return f == FlagPartial })
		c.warn("the picture shows an unfinished ring under the bark, but by the sheet it is complete")
	}
	for i := range c.Rings {
		c.Rings[i].Index += shift
	}
	for i := range c.Absent {
		c.Absent[i].AfterIndex += shift
	}
}

// setYears numbers rings and absent rings inward from the year of the
// outermost complete ring. What lies inward of a lost gap gets no year, nor
// does anything if outermost is nil.
func setYears(c *Core, outermost *int) {
	c.YearConvention = nil
	known := 0
	if outermost != nil {
		known = outwardOfLost(*c)
	}
	for i := range c.Rings {
		c.Rings[i].Year = nil
		if i < known {
			y := *outermost - (c.Rings[i].Index - 1) - absentOutward(c.Absent, c.Rings[i].Index)
			c.Rings[i].Year = &y
		}
	}
	earlier := map[int]int{}
	for i := range c.Absent {
		a := &c.Absent[i]
		a.Year = nil
		if r := slices.IndexFunc(c.Rings, func(r Ring) bool { return r.Index == a.AfterIndex }); r >= 0 && c.Rings[r].Year != nil {
			y := *c.Rings[r].Year - 1 - earlier[a.AfterIndex]
			a.Year = &y
		}
		earlier[a.AfterIndex]++
	}
}

// absentOutward counts the absent rings outward of a ring.
func absentOutward(absent []Absent, index int) int {
	n := 0
	for _, a := range absent {
		if a.AfterIndex < index {
			n++
		}
	}
	return n
}

// outwardOfLost returns how many rings, from the outermost, begin outward of
// every lost gap, so that they can be counted from the bark.
func outwardOfLost(c Core) int {
	at := c.places()
	known := len(c.Rings)
	for _, g := range c.Gaps {
		if g.Kind != Lost {
			continue
		}
		inward := func(b Boundary) bool { return at(b.AtMM, b.PointPx) >= at(g.FromMM, g.FromPx) }
		if i := slices.IndexFunc(c.Boundaries, inward); i >= 0 {
			known = min(known, i)
		}
	}
	return known
}

// places returns a function that says where something is along the path: its
// mm if it has any, else its length in px. All places of a core are of the
// same sort.
func (c Core) places() func(mm *float64, p Point) float64 {
	radius := NewRadius(c.PathPx, nil)
	return func(mm *float64, p Point) float64 {
		if mm != nil {
			return *mm
		}
		return radius.At(p)
	}
}

// dating is what the field facts say of the outermost ring of a core.
type dating struct {
	year       *int   // of the outermost complete ring; nil: none can be given
	partial    *bool  // whether the outermost ring is unfinished; nil: as the picture shows
	convention string // with year
	assumed    string // what the year rests on, where a person should look
	undecided  string // why there is no year; "" if nobody claimed to know
	warnings   []string
}

// dateOutermost applies the contract's rules for years: outer_year first, else
// the date of sampling of a living tree with bark.
func dateOutermost(f Field, barkSeen bool, season Season) dating {
	if f.Bark != nil && *f.Bark && !barkSeen {
		return dating{undecided: "the sheet says bark, but the picture does not show it: the outermost ring may be lost, so no years until a person decides"}
	}
	sampled := dateBySampling(f, barkSeen, season)
	if f.OuterYear == nil {
		return sampled
	}
	d := dating{year: f.OuterYear, partial: sampled.partial, convention: ConventionGiven}
	if d.partial == nil && barkSeen && f.OuterRing != "" && f.OuterRing != "unknown" {
		incomplete := f.OuterRing == "incomplete"
		d.partial = &incomplete
	}
	if sampled.year != nil && *sampled.year != *f.OuterYear {
		d.warnings = []string{fmt.Sprintf("the sheet gives %d as the outermost complete ring, but its date of sampling makes it %d: %d is used", *f.OuterYear, *sampled.year, *f.OuterYear)}
	}
	return d
}

// dateBySampling dates the outermost ring of a living tree with bark from the
// date it was sampled on.
func dateBySampling(f Field, barkSeen bool, season Season) dating {
	if f.Sampled == "" || f.Status == "dead" || f.Status == "timber" {
		return dating{}
	}
	if !barkSeen {
		return dating{undecided: "no bark in the picture, so the date of sampling dates no ring: add outer_year if it is known"}
	}
	if f.Bark != nil && !*f.Bark {
		return dating{undecided: "the sheet says no bark, but the picture shows it: no years from the date of sampling"}
	}
	if f.Status == "" {
		return dating{undecided: "the sheet does not say whether the tree was living when sampled: add status or outer_year"}
	}
	if f.Hemisphere == "" {
		return dating{undecided: "the sheet gives no hemisphere: add it (N or S), or outer_year"}
	}
	year, month, ok := isoDate(f.Sampled)
	if !ok {
		return dating{undecided: fmt.Sprintf("the date of sampling %q cannot be read: write it like 2021-09-30", f.Sampled)}
	}
	all := outcomes(f, year, month, season)
	if len(all) != 1 {
		return dating{undecided: "the date of sampling does not decide whether the outermost ring was complete: add the month, outer_ring (complete or incomplete) or outer_year"}
	}
	d := dating{year: &all[0].year, partial: &all[0].partial, convention: ConventionNorth}
	if f.Hemisphere == "S" {
		d.convention = ConventionSouth
	}
	if all[0].partial && f.OuterRing == "" {
		d.assumed = "sampled during growth: the ring under the bark is taken as unfinished; add outer_ring to the sheet if it is complete"
	}
	return d
}

// outcome is one thing the field facts allow: the year of the outermost
// complete ring, and whether an unfinished one lies outside it.
type outcome struct {
	year    int
	partial bool
}

// outcomes returns all different outcomes that agree with the date of sampling
// (month 0: unknown) and with what the sheet says of the outermost ring.
func outcomes(f Field, year, month int, season Season) []outcome {
	months := []int{month}
	if month == 0 {
		months = []int{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}
	}
	var all []outcome
	for _, m := range months {
		when := season.phase(f.Hemisphere, m)
		phases := []phase{when}
		switch {
		case f.OuterRing == "incomplete":
			phases = []phase{growing}
		case f.OuterRing == "complete" && when == growing:
			phases = []phase{season.nearest(f.Hemisphere, m)}
		case f.OuterRing == "unknown" && when == growing:
			phases = []phase{growing, season.nearest(f.Hemisphere, m)}
		}
		for _, p := range phases {
			o := outcome{outermostComplete(f.Hemisphere, year, m, p), p == growing}
			if !slices.Contains(all, o) {
				all = append(all, o)
			}
		}
	}
	return all
}

// outermostComplete returns the year that the outermost complete ring bears in
// a core taken in the given month and phase of growth. North: the year itself
// after growth has ended, else the year before. South (Schulman 1956): the
// year before in the dormant season and while growing in July to December, two
// years before while growing in January to June.
func outermostComplete(hemisphere string, year, month int, p phase) int {
	switch {
	case hemisphere == "S" && p == growing && month <= 6:
		return year - 2
	case hemisphere == "N" && p == after:
		return year
	default:
		return year - 1
	}
}

// phase is a part of the year as trees have it.
type phase int

const (
	before  phase = iota // growth has not begun
	growing              // the outermost ring is being formed
	after                // growth has ended
)

// phase returns the part of the year that a month lies in. In the south, the
// months before July follow the growth that began the year before.
func (s Season) phase(hemisphere string, month int) phase {
	if hemisphere == "S" {
		switch {
		case month >= s.SouthFrom || month <= s.SouthTo:
			return growing
		case month <= 6:
			return after
		default:
			return before
		}
	}
	switch {
	case month < s.NorthFrom:
		return before
	case month <= s.NorthTo:
		return growing
	default:
		return after
	}
}

// nearest returns the dormant phase nearest to a month of growth: a complete
// ring under the bark then means that growth has not begun, in the first half
// of the season, or has ended, in the second.
func (s Season) nearest(hemisphere string, month int) phase {
	from, to := s.NorthFrom, s.NorthTo
	if hemisphere == "S" {
		from, to = s.SouthFrom, s.SouthTo+12
		if month <= 6 {
			month += 12
		}
	}
	if 2*month <= from+to {
		return before
	}
	return after
}
