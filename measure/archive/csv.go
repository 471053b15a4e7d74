package archive

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// WriteCSV writes one row a ring, "series,year,width_mm", ended by LF. The
// width is empty where the ring was not measured and 0 where it is absent.
// Ids used twice are made unique; what had to be changed or left out is
// returned.
func WriteCSV(w io.Writer, c *Collection) ([]Warning, error) {
	series, warnings := c.widthSeries(CSV)
	ids, changed := uniqueIDs(series)
	warnings = append(warnings, changed...)
	out := csv.NewWriter(w)
	_ = out.Write([]string{"series", "year", "width_mm"}) // out.Error tells, below
	for i, s := range series {
		for k, v := range s.Widths {
			_ = out.Write([]string{ids[i], strconv.Itoa(s.FirstYear + k), formatWidth(v, "")})
		}
	}
	out.Flush()
	return warnings, out.Error()
}

// csvColumns are where the three columns stand.
type csvColumns struct {
	id, year, width int
	perMM           float64
	decimalComma    bool
}

// ReadCSV reads a table with a header that has the columns series (or core),
// year and width_mm; others are ignored. Columns are parted by commas, or by
// semicolons, with which a decimal comma is understood. A year that comes twice
// within an id begins a second series, with an id of its own.
func ReadCSV(name string, data []byte) (*Collection, error) {
	lines, warnings := textLines(data)
	c := &Collection{Name: name, Format: CSV, Warnings: warnings}
	in := csv.NewReader(strings.NewReader(strings.Join(lines, "\n")))
	in.FieldsPerRecord, in.LazyQuotes, in.TrimLeadingSpace = -1, true, true
	if len(lines) > 0 && strings.Contains(lines[0], ";") {
		in.Comma = ';'
	}
	header, err := in.Read()
	if err != nil {
		return c, fmt.Errorf("%s: %w: the file is empty", name, ErrNoSeries)
	}
	at, err := csvHeader(header)
	if err != nil {
		return c, fmt.Errorf("%s: line 1: %w", name, err)
	}
	at.decimalComma = in.Comma == ';'
	c.readCSVRows(in, at)
	sortWarnings(c.Warnings)
	if len(c.Series) == 0 {
		return c, fmt.Errorf("%s: %w: no row has an id and a year", name, ErrNoSeries)
	}
	return c, nil
}

func csvHeader(header []string) (csvColumns, error) {
	at := csvColumns{id: -1, year: -1, width: -1, perMM: 1}
	for k, h := range header {
		switch strings.ToLower(strings.TrimSpace(h)) {
		case "series", "core":
			at.id = k
		case "year":
			at.year = k
		case "width_mm":
			at.width = k
		case "width_um":
			at.width, at.perMM = k, 1000
		}
	}
	if at.id < 0 || at.year < 0 || at.width < 0 {
		return at, fmt.Errorf("the header is %q: expected the columns series, year and width_mm", clip(strings.Join(header, ",")))
	}
	return at, nil
}

// draft is a series being gathered from rows.
type draft struct {
	id   string
	line int
	cells
}

func (c *Collection) readCSVRows(in *csv.Reader, at csvColumns) {
	var drafts []*draft
	current := map[string]*draft{}
	for {
		record, err := in.Read()
		if err == io.EOF {
			break
		}
		line, _ := in.FieldPos(0)
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			c.warn(bad.Line, "", fmt.Sprintf("%v: the row is left out", bad.Err))
			continue
		}
		if len(record) <= max(at.id, at.year, at.width) {
			c.warn(line, "", "too few columns: the row is left out")
			continue
		}
		id := strings.TrimSpace(record[at.id])
		year, err := strconv.Atoi(strings.TrimSpace(record[at.year]))
		if err != nil {
			c.warn(line, id, fmt.Sprintf("%q is no year: the row is left out", clip(record[at.year])))
			continue
		}
		text := record[at.width]
		if at.decimalComma {
			text = strings.Replace(text, ",", ".", 1)
		}
		w, note := parseWidth(text, at.perMM)
		if note != "" {
			c.warn(line, id, fmt.Sprintf("year %d: %s", year, note))
		}
		d := current[id]
		if d != nil {
			if _, twice := d.values[year]; twice {
				c.warn(line, id, fmt.Sprintf("year %d comes twice: from here on it is taken as another series", year))
				d = nil
			}
		}
		if d == nil {
			d = &draft{id: id, line: line}
			drafts, current[id] = append(drafts, d), d
		}
		if fault := d.put(year, w); fault != "" {
			c.warn(line, id, fault)
		}
	}
	c.addDrafts(drafts)
}

// addDrafts turns what was gathered into series with ids unlike each other.
func (c *Collection) addDrafts(drafts []*draft) {
	for _, d := range drafts {
		first, widths, holes := d.series()
		if len(widths) == 0 {
			continue
		}
		if holes > 0 {
			c.warn(d.line, d.id, fmt.Sprintf("%d years between its first and last have no row: taken as not measured", holes))
		}
		c.Series = append(c.Series, Series{ID: d.id, FirstYear: first, Widths: widths, Line: d.line})
	}
	ids, warnings := uniqueIDs(c.Series)
	for i, id := range ids {
		c.Series[i].ID = id
	}
	c.Warnings = append(c.Warnings, warnings...)
}
