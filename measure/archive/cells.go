package archive

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// cells gathers the values of one series year by year, in any order.
type cells struct {
	values      map[int]Width
	first, last int
}

// put sets a year's value; it says what was wrong with it, or "".
func (c *cells) put(year int, w Width) string {
	if fault := yearFault(year); fault != "" {
		return fault + ": the row is left out"
	}
	first, last := year, year
	if len(c.values) > 0 {
		first, last = min(c.first, year), max(c.last, year)
	}
	if last-first >= maxSpan {
		return fmt.Sprintf("year %d lies more than %d years from the others of its series: the row is left out", year, maxSpan)
	}
	if c.values == nil {
		c.values = map[int]Width{}
	}
	c.values[year], c.first, c.last = w, first, last
	return ""
}

// series lays the values out, with the years not given as missing, and says
// how many these are.
func (c *cells) series() (first int, widths []Width, holes int) {
	if len(c.values) == 0 {
		return 0, nil, 0
	}
	widths = make([]Width, c.last-c.first+1)
	for k := range widths {
		w, ok := c.values[c.first+k]
		if !ok {
			w = Missing
			holes++
		}
		widths[k] = w
	}
	return c.first, widths, holes
}

// parseWidth reads a number of some unit as a width in mm; note says what was
// odd. An empty text is a missing ring.
func parseWidth(text string, perMM float64) (w Width, note string) {
	if w, note = parseValue(text, perMM); note != "" {
		return w, note
	}
	return checkWidth(w)
}

// parseValue is parseWidth for any quantity.
func parseValue(text string, perMM float64) (w Width, note string) {
	text = strings.TrimSpace(text)
	switch strings.ToLower(text) {
	case "", "na", "nan", "null":
		return Missing, ""
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsNaN(v) || math.IsInf(v/perMM, 0):
		return Missing, fmt.Sprintf("%q is no number: taken as not measured", clip(text))
	case v < 0:
		return Missing, fmt.Sprintf("%s is taken as not measured", clip(text))
	case v == 0:
		return Absent, "" // never -0
	}
	return Width(v / perMM), ""
}

// maxWidth, mm: far above any ring (the widest known are of some cm; common
// practice). Wider means that the unit is wrong.
const maxWidth = 1000

// checkWidth refuses a width that no ring has.
func checkWidth(w Width) (Width, string) {
	if w > maxWidth {
		return Missing, fmt.Sprintf("a width of %g mm is impossible: taken as not measured", float64(w))
	}
	return w, ""
}

// formatWidth writes a width in mm with as many digits as it has; "" where it
// is missing.
func formatWidth(w Width, missing string) string {
	if !w.Measured() {
		return missing
	}
	return strconv.FormatFloat(float64(w), 'f', -1, 64)
}
