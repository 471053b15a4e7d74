package archive

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"pithward/measure"
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

// csvColumns are where the columns stand.
type csvColumns struct {
	id, year, width int
	flags           int  // of a table of a measured scan; -1: there is none
	scan            bool // it is a table of a measured scan: SCAN.csv, of measure.WriteTable
	perMM           float64
	decimalComma    bool
}

func (c csvColumns) last() int { return max(c.id, c.year, c.width, c.flags) }

// ReadCSV reads a table with a header that has the columns series (or core),
// year and width_mm; others are ignored. Columns are parted by commas, or by
// semicolons, with which a decimal comma is understood. A year that comes twice
// within an id begins a second series, with an id of its own. Of the table of a
// measured scan, SCAN.csv, it makes the series that FromMeasurement does.
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
	at := csvColumns{id: -1, year: -1, width: -1, flags: -1, perMM: 1}
	ring := false
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
		case "width_px":
			return at, errors.New("its widths are px: measure the scan anew with a scale (--dpi or --mm-per-px)")
		case "flags":
			at.flags = k
		case "ring":
			ring = true
		}
	}
	at.scan = ring && at.flags >= 0
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
	trim   bool    // rings without a width at its ends are none of its
	inward []Width // of a table of a measured scan, without years: from bark to pith
}

// csvRows gathers drafts from a table, row by row.
type csvRows struct {
	*Collection
	at      csvColumns
	drafts  []*draft
	current map[string]*draft // by id
	parts   map[string]int    // of a core that is parted
}

func (c *Collection) readCSVRows(in *csv.Reader, at csvColumns) {
	rows := &csvRows{Collection: c, at: at, current: map[string]*draft{}, parts: map[string]int{}}
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
		if len(record) <= at.last() {
			c.warn(line, "", "too few columns: the row is left out")
			continue
		}
		rows.add(line, record)
	}
	c.addDrafts(rows.drafts)
}

func (r *csvRows) add(line int, record []string) {
	id, yearText := strings.TrimSpace(record[r.at.id]), strings.TrimSpace(record[r.at.year])
	text := record[r.at.width]
	if r.at.decimalComma {
		text = strings.Replace(text, ",", ".", 1)
	}
	w, note := parseWidth(text, r.at.perMM)
	if r.at.scan {
		flags := strings.Fields(record[r.at.flags])
		if slices.Contains(flags, measure.FlagPartial) {
			return // the wood of a year that was not over
		}
		if yearText == "" {
			r.addUndated(line, id, w)
			return
		}
	}
	year, err := strconv.Atoi(yearText)
	if err != nil {
		r.warn(line, id, fmt.Sprintf("%q is no year: the row is left out", clip(yearText)))
		return
	}
	if note != "" {
		r.warn(line, id, fmt.Sprintf("year %d: %s", year, note))
	}
	d := r.current[id]
	if d != nil {
		if _, twice := d.values[year]; twice {
			r.warn(line, id, fmt.Sprintf("year %d comes twice: from here on it is taken as another series", year))
			d = nil
		}
	}
	if d == nil {
		d = r.begin(line, id, id)
	}
	if fault := d.put(year, w); fault != "" {
		r.warn(line, id, fault)
	}
}

// addUndated adds a ring without a year to its core. A ring without a width lies
// in lost wood: what is inward of it is a series of its own, as in
// FromMeasurement.
func (r *csvRows) addUndated(line int, id string, w Width) {
	d := r.current[id]
	if !w.Measured() {
		r.current[id] = nil
		return
	}
	if d == nil || d.inward == nil {
		name := id
		if r.parts[id] > 0 {
			name = fmt.Sprintf("%s.%d", id, r.parts[id]+1)
		}
		d = r.begin(line, id, name)
	}
	d.inward = append(d.inward, w)
}

func (r *csvRows) begin(line int, id, name string) *draft {
	d := &draft{id: name, line: line, trim: r.at.scan}
	r.drafts, r.current[id] = append(r.drafts, d), d
	r.parts[id]++
	return d
}

// addDrafts turns what was gathered into series with ids unlike each other.
func (c *Collection) addDrafts(drafts []*draft) {
	for _, d := range drafts {
		first, widths, holes := d.series()
		floating := d.inward != nil
		if floating {
			first, widths = 1, d.inward
			slices.Reverse(widths)
		}
		if holes > 0 {
			c.warn(d.line, d.id, fmt.Sprintf("%d years between its first and last have no row: taken as not measured", holes))
		}
		s := Series{ID: d.id, FirstYear: first, Widths: widths, Line: d.line, Floating: floating}
		if d.trim {
			s = s.Trim()
		}
		if len(s.Widths) == 0 {
			continue
		}
		c.Series = append(c.Series, s)
	}
	ids, warnings := uniqueIDs(c.Series)
	for i, id := range ids {
		c.Series[i].ID = id
	}
	c.Warnings = append(c.Warnings, warnings...)
}
