package archive

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// The layout of a chronology row (NOAA/WDS 2008, "Format for tree ring data
// files"): id in columns 1-6, decade in 7-10, then for each of ten years an
// index in four columns and the number of samples in three.
const (
	crnID      = 6
	crnYear    = 10
	crnIndex   = 4
	crnDepth   = 3
	crnMissing = 9990
	crnScale   = 1000 // an index of 1 is written 1000
)

// WriteChronology writes indices with their sample depth as a decadal
// chronology file. Indices are rounded to 0.001; an index that would read as
// missing, or does not fit four columns, is an error. Changed ids are returned.
func WriteChronology(w io.Writer, c *Collection) ([]Warning, error) {
	var lines []string
	var warnings []Warning
	header, warn := tucsonHeader(c)
	lines, warnings = append(lines, header...), append(warnings, warn...)
	taken := map[string]bool{}
	for _, s := range c.Series {
		if s.Quantity != Index {
			warnings = append(warnings, Warning{Series: s.ID, Text: fmt.Sprintf("it holds %s, not an index: left out", s.Quantity)})
			continue
		}
		id := free(shorten(plainID(s.ID), crnID), crnID, taken)
		taken[id] = true
		if id != s.ID {
			warnings = append(warnings, Warning{Series: s.ID, Text: IDChange{From: s.ID, To: id, Why: "a chronology's id has at most six plain characters and is unlike all others"}.String()})
		}
		rows, err := crnRows(s, id)
		if err != nil {
			return nil, fmt.Errorf("series %s: %w", s.ID, err)
		}
		lines = append(lines, rows...)
	}
	return warnings, writeLines(w, lines, false)
}

func crnRows(s Series, id string) ([]string, error) {
	if s.FirstYear < -999 || s.LastYear() > maxTucsonYear {
		return nil, fmt.Errorf("years %d to %d do not fit a chronology file: it holds -999 to %d", s.FirstYear, s.LastYear(), maxTucsonYear)
	}
	var rows []string
	for decade := s.FirstYear - floorMod(s.FirstYear, perRow); decade <= s.LastYear(); decade += perRow {
		var b strings.Builder
		fmt.Fprintf(&b, "%-*s%4d", crnID, id, decade)
		for year := decade; year < decade+perRow; year++ {
			v, depth, err := crnCell(s, year)
			if err != nil {
				return nil, err
			}
			fmt.Fprintf(&b, "%*d%*d", crnIndex, v, crnDepth, depth)
		}
		rows = append(rows, b.String())
	}
	return rows, nil
}

func crnCell(s Series, year int) (value, depth int, err error) {
	w := s.At(year)
	if !w.Measured() {
		return crnMissing, 0, nil
	}
	value = int(math.Round(float64(w) * crnScale))
	if value >= crnMissing {
		return 0, 0, fmt.Errorf("year %d: an index of %g does not fit a chronology file", year, float64(w))
	}
	if k := year - s.FirstYear; k < len(s.Depth) {
		depth = min(s.Depth[k], 999)
	}
	return value, depth, nil
}

// ReadChronology reads a decadal chronology file: series of indices with
// sample depth. 9990 is a missing value.
func ReadChronology(name string, data []byte) (*Collection, error) {
	lines, warnings := textLines(data)
	c := &Collection{Name: name, Format: Chronology, Warnings: warnings}
	type gathered struct {
		draft
		depth map[int]int
	}
	var all []*gathered
	for k, l := range lines {
		id, decade, values, depths, ok := crnRow(l)
		switch {
		case !ok && len(all) == 0:
			if strings.TrimSpace(l) != "" {
				c.Header = append(c.Header, strings.TrimRight(l, " "))
			}
			continue
		case !ok:
			if strings.TrimSpace(l) != "" {
				c.warn(k+1, "", fmt.Sprintf("not a data row, left out: %q", clip(l)))
			}
			continue
		}
		if n := len(all); n == 0 || all[n-1].id != id || all[n-1].last >= decade+perRow {
			all = append(all, &gathered{draft{id: id, line: k + 1}, map[int]int{}})
		}
		g := all[len(all)-1]
		for j, v := range values {
			if v == blank || v == crnMissing || v < 0 {
				continue
			}
			if fault := g.put(decade+j, Width(float64(v)/crnScale)); fault != "" {
				c.warn(k+1, id, fault)
				continue
			}
			g.depth[decade+j] = depths[j]
		}
	}
	for _, g := range all {
		s := Series{ID: g.id, Line: g.line, Quantity: Index}
		s.FirstYear, s.Widths, _ = g.series()
		for k := range s.Widths {
			s.Depth = append(s.Depth, g.depth[s.FirstYear+k])
		}
		if len(s.Widths) > 0 {
			c.Series = append(c.Series, s)
		}
	}
	c.Site = siteFromHeader(c.Header)
	if len(c.Series) == 0 {
		return c, fmt.Errorf("%s: %w: no row has an id, a decade and ten indices with sample depth", name, ErrNoSeries)
	}
	return c, nil
}

// crnRow reads one row; a row has at least one whole pair.
func crnRow(line string) (id string, decade int, values, depths []int, ok bool) {
	text := []rune(strings.TrimRight(line, " "))
	if len(text) < crnYear+crnIndex+crnDepth {
		return "", 0, nil, nil, false
	}
	id = strings.TrimSpace(string(text[:crnID]))
	if decade, ok = wholeNumber(strings.TrimSpace(string(text[crnID:crnYear]))); !ok {
		return "", 0, nil, nil, false
	}
	field := func(from, width int) (int, bool) {
		s := strings.TrimSpace(string(text[min(from, len(text)):min(from+width, len(text))]))
		if s == "" {
			return blank, true
		}
		return wholeNumber(s)
	}
	for j := range perRow {
		from := crnYear + j*(crnIndex+crnDepth)
		v, ok1 := field(from, crnIndex)
		n, ok2 := field(from+crnIndex, crnDepth)
		if !ok1 || !ok2 {
			return "", 0, nil, nil, false
		}
		values, depths = append(values, v), append(depths, max(n, 0))
	}
	return id, decade, values, depths, true
}
