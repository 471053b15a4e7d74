package archive

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
)

// TucsonOptions are the choices in writing a decadal file. The zero value
// writes 0.001 mm.
type TucsonOptions struct {
	Unit Unit // Thousandths (also when zero) or Hundredths
	CRLF bool // line ends as older programs want them
}

// The markers after the last ring; they also say the unit.
const (
	stopHundredths  = 999
	stopThousandths = -9999
	notMeasured     = -999
)

// The largest and smallest number a decadal row holds: six columns of which
// one keeps it apart from its neighbour; years of five columns.
const (
	maxField      = 99999
	maxTucsonYear = 9999
	minTucsonYear = -9999
)

// WriteTucson writes a decadal file (NOAA/WDS 2008, "Format for tree ring data
// files"): ids in eight columns, years in increasing order, ten values of six
// columns a row, the end marker behind the last ring. Widths are rounded to
// the nearest unit, halves away from zero. A ring thinner than half a unit
// becomes 1, since 0 would say it is absent; a missing ring becomes -999.
//
// Whatever had to be changed or left out is returned as warnings. It is an
// error, and nothing is written, if a width or year does not fit the format.
func WriteTucson(w io.Writer, c *Collection, o TucsonOptions) ([]Warning, error) {
	if o.Unit == UnitUnknown {
		o.Unit = Thousandths
	}
	if o.Unit != Thousandths && o.Unit != Hundredths {
		return nil, fmt.Errorf("a decadal file has 100 or 1000 units a mm, not %d", o.Unit)
	}
	series, warnings := c.widthSeries(Tucson)
	ids, changes := TucsonIDs(series)
	for _, ch := range changes {
		warnings = append(warnings, Warning{Series: ch.From, Text: ch.String()})
	}
	lines, warn := tucsonHeader(c)
	warnings = append(warnings, warn...)
	for i, s := range series {
		rows, warn, err := tucsonRows(s, ids[i], o.Unit)
		if err != nil {
			return nil, fmt.Errorf("series %s: %w", s.ID, err)
		}
		lines, warnings = append(lines, rows...), append(warnings, warn...)
	}
	return warnings, writeLines(w, lines, o.CRLF)
}

func writeLines(w io.Writer, lines []string, crlf bool) error {
	end := "\n"
	if crlf {
		end = "\r\n"
	}
	b := bufio.NewWriter(w)
	for _, l := range lines {
		_, _ = b.WriteString(l + end) // Flush tells
	}
	return b.Flush()
}

// tucsonRows gives the rows of one series.
func tucsonRows(s Series, id string, unit Unit) ([]string, []Warning, error) {
	if s.FirstYear < minTucsonYear || s.LastYear()+1 > maxTucsonYear {
		return nil, nil, fmt.Errorf("years %d to %d do not fit a decadal file: it holds %d to %d", s.FirstYear, s.LastYear(), minTucsonYear, maxTucsonYear-1)
	}
	values, warnings, err := tucsonValues(s, unit)
	if err != nil {
		return nil, nil, err
	}
	var rows []string
	for k := 0; k < len(values); {
		year := s.FirstYear + k
		n := min(10-floorMod(year, 10), len(values)-k)
		rows = append(rows, decadalRow(id, year, values[k:k+n]))
		k += n
	}
	return rows, warnings, nil
}

// decadalRow lays out one row: id in columns 1-8, year in 9-12 (8-12 where it
// needs five), values in six columns each from 13.
func decadalRow(id string, year int, values []int) string {
	var b strings.Builder
	y := fmt.Sprintf("%4d", year)
	fmt.Fprintf(&b, "%-*s%s", 12-len(y), id, y)
	for _, v := range values {
		fmt.Fprintf(&b, "%6d", v)
	}
	return b.String()
}

// tucsonValues turns widths into whole units, the end marker included.
func tucsonValues(s Series, unit Unit) ([]int, []Warning, error) {
	var warnings []Warning
	values := make([]int, 0, len(s.Widths)+1)
	for k, w := range s.Widths {
		year := s.FirstYear + k
		if !w.Measured() {
			values = append(values, notMeasured)
			continue
		}
		n := math.Round(float64(w) * float64(unit))
		switch {
		case n > maxField:
			return nil, nil, fmt.Errorf("year %d: a width of %g mm does not fit a decadal file in 1/%d mm", year, float64(w), unit)
		case n == 0 && w > 0:
			n = 1
			warnings = append(warnings, Warning{Series: s.ID, Text: fmt.Sprintf("year %d: %g mm is written as 1/%d mm, since 0 would say the ring is absent", year, float64(w), unit)})
		}
		values = append(values, int(n))
	}
	if unit == Thousandths {
		return append(values, stopThousandths), warnings, nil
	}
	if last := len(values) - 1; values[last] == stopHundredths {
		values[last] = 998
		if s.Widths[last] > 9.99 {
			values[last] = 1000
		}
		warnings = append(warnings, Warning{Series: s.ID, Text: fmt.Sprintf("year %d: %g mm is written as %d, since 999 at the end is the end marker", s.LastYear(), float64(s.Widths[last]), values[last])})
	}
	return append(values, stopHundredths), warnings, nil
}

// tucsonHeader gives the description lines: those the collection came with, or
// three made from what is known of the site, or none.
func tucsonHeader(c *Collection) (lines []string, warnings []Warning) {
	header := c.Header
	if c.Format != Tucson && c.Format != Chronology {
		if c.Site.Empty() || len(c.Series) == 0 {
			return nil, nil
		}
		header, warnings = siteHeader(c)
	}
	for _, h := range header {
		if _, ok := parseRow(h); ok || strings.TrimSpace(h) == "" {
			warnings = append(warnings, Warning{Text: fmt.Sprintf("description line %q is left out: it would be read as data", h)})
			continue
		}
		lines = append(lines, h)
	}
	return lines, warnings
}

// siteHeader makes the three customary lines: site and species code; country,
// species, elevation, position and years; investigators. What does not fit is cut,
// and said.
func siteHeader(c *Collection) (lines []string, warnings []Warning) {
	s := c.Site
	first, last := c.Years()
	fit := func(what, text string, width int) string {
		plain := plainID(text)
		plain = plain[:min(len(plain), width)]
		if plain != strings.TrimSpace(text) {
			warnings = append(warnings, Warning{Text: fmt.Sprintf("%s %q stands as %q: its place in a decadal file holds %d plain characters", what, text, plain, width)})
		}
		return plain
	}
	code := fit("site code", s.Code, 6)
	line := func(n int, text string) string {
		return strings.TrimRight(fmt.Sprintf("%-7s%d %s", code, n, text), " ")
	}
	elevation, position := "", ""
	if s.ElevationM != nil {
		elevation = fmt.Sprintf("%.0fM", *s.ElevationM)
	}
	if s.LatitudeDeg != nil && s.LongitudeDeg != nil {
		position = degMin(*s.LatitudeDeg, 2) + degMin(*s.LongitudeDeg, 3)
	}
	lines = []string{
		line(1, fmt.Sprintf("%-52s%-4s", fit("site", s.Name, 52), fit("species code", s.SpeciesCode, 4))),
		line(2, fmt.Sprintf("%-13s%-18s%5.5s  %-11.11s%8s%5d%5d", fit("location", s.Location, 13), fit("species", s.Species, 18), elevation, position, "", first, last)),
		line(3, fit("investigators", s.Investigators, 71)),
	}
	return lines, warnings
}

// degMin writes an angle as sign, degrees and minutes.
func degMin(deg float64, digits int) string {
	minutes := int(math.Round(math.Abs(deg) * 60))
	sign := " "
	if deg < 0 {
		sign = "-"
	}
	return fmt.Sprintf("%s%0*d%02d", sign, digits, minutes/60, minutes%60)
}

// Years returns the first and last year of all series; 0, -1 if there is none.
func (c *Collection) Years() (first, last int) {
	first, last = 0, -1
	for _, s := range c.Series {
		if len(s.Widths) == 0 {
			continue
		}
		if last < first {
			first, last = s.FirstYear, s.LastYear()
		}
		first, last = min(first, s.FirstYear), max(last, s.LastYear())
	}
	return first, last
}

func floorMod(a, b int) int { return ((a % b) + b) % b }
