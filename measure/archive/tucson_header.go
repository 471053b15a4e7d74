package archive

import (
	"regexp"
	"sort"
	"strconv"
	"strings"
)

var (
	elevationPattern = regexp.MustCompile(`^\s*(\d{1,4}(?:\.\d+)?)\s*[Mm]?\s*$`)
	positionPattern  = regexp.MustCompile(`^\s*([+-]?\d{2})(\d{2})\s?([+-]?)(\d{1,3})(\d{2})\s*[NSEWnsew]?\s*$`)
)

// siteFromHeader reads what the three customary description lines say: site
// and species code; country, species, elevation and position; investigators.
// Positions are degrees and minutes whose signs files use loosely, so they are
// as good as the file. Lines that do not follow the custom give nothing.
func siteFromHeader(header []string) Site {
	var s Site
	if len(header) < 3 {
		return s
	}
	for k := range 3 {
		if strings.TrimSpace(columns(header[k], 8, 9)) != strconv.Itoa(k+1) {
			return s
		}
	}
	s.Code = strings.TrimSpace(columns(header[0], 1, 6))
	s.Name = strings.TrimSpace(columns(header[0], 10, 61))
	s.SpeciesCode = strings.TrimSpace(columns(header[0], 62, 65))
	s.Location = strings.TrimSpace(columns(header[1], 10, 22))
	s.Species = strings.TrimSpace(columns(header[1], 23, 40))
	s.Investigators = strings.TrimSpace(columns(header[2], 10, 80))
	if m := elevationPattern.FindStringSubmatch(columns(header[1], 41, 46)); m != nil {
		s.ElevationM = number(m[1])
	}
	if m := positionPattern.FindStringSubmatch(columns(header[1], 47, 58)); m != nil {
		s.LatitudeDeg = degrees(m[1], m[2])
		s.LongitudeDeg = degrees(m[3]+m[4], m[5])
	}
	return s
}

// columns cuts columns from..to (1 is the first) out of a line.
func columns(line string, from, to int) string {
	r := []rune(line)
	if from > len(r) {
		return ""
	}
	return string(r[from-1 : min(to, len(r))])
}

func number(s string) *float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return nil
	}
	return &v
}

func degrees(deg, minutes string) *float64 {
	d, m := number(strings.TrimPrefix(strings.TrimPrefix(deg, "-"), "+")), number(minutes)
	if d == nil || m == nil || *m >= 60 {
		return nil
	}
	v := *d + *m/60
	if strings.HasPrefix(deg, "-") {
		v = -v
	}
	return &v
}

// sortWarnings puts warnings in the order of the file, those without a line
// last.
func sortWarnings(w []Warning) {
	sort.SliceStable(w, func(i, j int) bool {
		if (w[i].Line == 0) != (w[j].Line == 0) {
			return w[j].Line == 0
		}
		return w[i].Line < w[j].Line
	})
}
