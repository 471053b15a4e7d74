package archive

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
)

// ErrNoSeries is returned, wrapped, by readers that found nothing to read.
var ErrNoSeries = errors.New("no series found")

// ReadTucson reads a decadal file with whatever oddities it has; each is a
// warning with its line. name is for messages. The error wraps ErrNoSeries
// when there is no data row at all.
//
// The layout is the published one (NOAA/WDS 2008, "Format for tree ring data
// files"): id in columns 1-8, year of the row's first value in 9-12, ten
// values of six columns. The value behind the last ring is the end marker, 999
// (widths in 0.01 mm) or -9999 (0.001 mm), and belongs to its series alone.
// 0 is an absent ring; negative numbers and empty fields are not measured.
func ReadTucson(name string, data []byte) (*Collection, error) {
	lines, warnings := textLines(data)
	c := &Collection{Name: name, Format: Tucson, Warnings: warnings}
	rows := c.tucsonRowsOf(lines)
	if len(rows) == 0 {
		return c, fmt.Errorf("%s: %w: no row has an id, a year and widths in the columns of a decadal file", name, ErrNoSeries)
	}
	c.tags(rows)
	groups := groupRows(rows)
	for _, g := range groups {
		c.addGroup(g, groups)
	}
	c.sharedIDs()
	c.otherQuantity()
	if len(c.Header) > 3 {
		c.warn(0, "", fmt.Sprintf("%d description lines where three are customary: check that no data row is among them", len(c.Header)))
	}
	c.Site = siteFromHeader(c.Header)
	sortWarnings(c.Warnings)
	if len(c.Series) == 0 {
		return c, fmt.Errorf("%s: %w: the data rows hold no rings", name, ErrNoSeries)
	}
	return c, nil
}

func (c *Collection) warn(line int, series, text string) {
	c.Warnings = append(c.Warnings, Warning{Line: line, Series: series, Text: text})
}

// tucsonRowsOf tells data rows from description and other lines.
func (c *Collection) tucsonRowsOf(lines []string) []row {
	var rows []row
	for k, l := range lines {
		if strings.TrimSpace(l) == "" {
			continue
		}
		r, ok := parseRow(l)
		switch {
		case ok:
			r.line = k + 1
			for _, n := range r.notes {
				c.warn(r.line, r.id, n)
			}
			rows = append(rows, r)
		case len(rows) == 0:
			c.Header = append(c.Header, strings.TrimRight(l, " "))
		default:
			c.warn(k+1, "", fmt.Sprintf("not a data row, left out: %q", clip(l)))
		}
	}
	return rows
}

func clip(s string) string {
	if r := []rune(strings.TrimSpace(s)); len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return strings.TrimSpace(s)
}

// tags warns once of what stands behind column 72.
func (c *Collection) tags(rows []row) {
	count, first := 0, row{}
	for _, r := range rows {
		if strings.TrimSpace(r.tail) == "" {
			continue
		}
		if count == 0 {
			first = r
		}
		count++
	}
	if count > 0 {
		c.warn(first.line, "", fmt.Sprintf("%q stands behind the values and is not read (%d rows have such a tag)", clip(first.tail), count))
	}
}

// group is the rows of one series.
type group []row

// groupRows parts the rows into series: a series ends at its end marker, at
// another id, or where years do not go on. 999 is a width where the same id
// goes on in the next row.
func groupRows(rows []row) []group {
	var groups []group
	for i := range rows {
		r := rows[i]
		if k := len(groups) - 1; k >= 0 && follows(groups[k], r) {
			groups[k] = append(groups[k], r)
			continue
		}
		groups = append(groups, group{r})
	}
	for _, g := range groups {
		g[len(g)-1].takeStop()
	}
	return groups
}

// follows tells whether r belongs to the series of g.
func follows(g group, r row) bool {
	last := g[len(g)-1]
	if r.id != last.id || r.year <= last.year {
		return false
	}
	end := last
	end.values = append([]int(nil), last.values...)
	end.takeStop()
	switch end.stop {
	case stopThousandths:
		return false
	case stopHundredths:
		return r.year == last.year+len(last.values)
	}
	return true
}

// takeStop takes the end marker off a series' last row, and the zeros that pad
// the row behind it. A -9999 with widths behind it is no marker.
func (r *row) takeStop() {
	k := len(r.values) - 1
	for k > 0 && (r.values[k] == 0 || r.values[k] == blank) {
		k--
	}
	if k < 0 || !isStop(r.values[k]) {
		return
	}
	r.stop, r.values = r.values[k], r.values[:k]
}

// addGroup turns the rows of one series into widths.
func (c *Collection) addGroup(g group, all []group) {
	first, last := g[0], g[len(g)-1]
	unit := unitOf(last.stop)
	if unit == UnitUnknown {
		unit = majorityUnit(all)
		c.warn(last.line, last.id, fmt.Sprintf("no end marker: widths are taken as 1/%d mm", unit))
	}
	cells := map[int]int{}
	start, end := first.year, first.year-1
	for i, r := range g {
		c.rowOrder(g, i)
		for k, v := range r.values {
			year := r.year + k
			if v == blank && end < start {
				start, end = year+1, year // empty fields before the first ring
				continue
			}
			if old, twice := cells[year]; twice && old != v {
				c.warn(r.line, r.id, fmt.Sprintf("year %d is given twice, %s and %s: the later row is kept", year, tucsonNumber(old), tucsonNumber(v)))
			}
			cells[year] = v
			end = max(end, year)
		}
	}
	if len(cells) == 0 {
		c.warn(first.line, first.id, "no rings before the end marker: left out")
		return
	}
	s := Series{ID: first.id, FirstYear: start, Unit: unit, Line: first.line, Widths: make([]Width, end-start+1)}
	for k := range s.Widths {
		v, ok := cells[start+k]
		if s.Widths[k] = Missing; ok && v >= 0 {
			var note string
			if s.Widths[k], note = checkWidth(unit.Width(v)); note != "" {
				c.warn(first.line, first.id, fmt.Sprintf("year %d: %s", start+k, note))
			}
		}
	}
	c.Series = append(c.Series, s)
}

// rowOrder warns of what is odd about where row i of a series stands.
func (c *Collection) rowOrder(g group, i int) {
	r := g[i]
	if room := perRow - floorMod(r.year, perRow); len(r.values) > room {
		c.warn(r.line, r.id, fmt.Sprintf("%d values from year %d run past the decade", len(r.values), r.year))
	}
	for k, v := range r.values {
		if v < 0 && v != blank && v != notMeasured {
			c.warn(r.line, r.id, fmt.Sprintf("year %d: %d is taken as not measured", r.year+k, v))
		}
	}
	if n := count(r.values, blank); n > 0 && len(r.notes) == 0 {
		c.warn(r.line, r.id, fmt.Sprintf("%d empty fields among the values are taken as not measured", n))
	}
	if i == 0 {
		return
	}
	before := g[i-1]
	due := before.year + len(before.values)
	switch {
	case r.year > due:
		c.warn(r.line, r.id, fmt.Sprintf("goes on at year %d where %d was due: the years between are taken as not measured", r.year, due))
	case r.year < due:
		c.warn(r.line, r.id, fmt.Sprintf("goes on at year %d where %d was due: the years overlap", r.year, due))
	}
}

func count(values []int, v int) int {
	n := 0
	for _, x := range values {
		if x == v {
			n++
		}
	}
	return n
}

func tucsonNumber(v int) string {
	if v == blank {
		return "nothing"
	}
	return fmt.Sprint(v)
}

func unitOf(stop int) Unit {
	switch stop {
	case stopHundredths:
		return Hundredths
	case stopThousandths:
		return Thousandths
	}
	return UnitUnknown
}

// majorityUnit is the unit of most series; 0.01 mm, as first published, where
// none has a marker or both are as frequent.
func majorityUnit(all []group) Unit {
	fine := 0
	for _, g := range all {
		switch g[len(g)-1].stop {
		case stopHundredths:
			fine--
		case stopThousandths:
			fine++
		}
	}
	if fine > 0 {
		return Thousandths
	}
	return Hundredths
}

// sharedIDs warns of ids used by more than one series and of both units in one
// file.
func (c *Collection) sharedIDs() {
	seen := map[string]int{}
	units := map[Unit]int{}
	for _, s := range c.Series {
		if first, ok := seen[s.ID]; ok {
			c.warn(s.Line, s.ID, fmt.Sprintf("the id is used before, in line %d: kept as a series of its own", first))
		} else {
			seen[s.ID] = s.Line
		}
		units[s.Unit]++
	}
	if len(units) > 1 {
		c.warn(0, "", fmt.Sprintf("%d series in 0.01 mm and %d in 0.001 mm: each by its own end marker", units[Hundredths], units[Thousandths]))
	}
}

// otherQuantity warns where a file's name, by the archive's custom, says that
// it holds something other than ring widths (survey of the archive's names).
func (c *Collection) otherQuantity() {
	m := regexp.MustCompile(`(?i)^[a-z]{2,6}\d{2,4}([elxnit])\.rwl$`).FindStringSubmatch(filepath.Base(c.Name))
	if m == nil {
		return
	}
	what := map[string]string{"e": "earlywood widths", "l": "latewood widths", "x": "maximum densities", "n": "minimum densities", "i": "earlywood densities", "t": "latewood densities"}[strings.ToLower(m[1])]
	c.warn(0, "", fmt.Sprintf("the file's name ends in %q, by custom a sign of %s, not ring widths", m[1], what))
}
