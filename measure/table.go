package measure

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// WriteTable writes the rings of a measurement as CSV: a line a ring, core
// after core, from bark to pith; absent rings stand at their place, without
// number or position. Lengths are mm, or px where there is no scale; the
// probability is that of the ring's inner boundary; flags are separated by
// blanks. What is not known is empty.
func WriteTable(w io.Writer, m Measurement) error {
	unit := "mm"
	if m.Scale.MMPerPx == nil {
		unit = "px"
	}
	rows := [][]string{{"core", "ring", "year", "from_" + unit, "to_" + unit, "width_" + unit, "uncertainty_" + unit, "probability", "flags"}}
	for _, c := range m.Cores {
		for i := range c.Rings {
			rows = append(rows, c.tableRow(i, unit))
			for _, a := range c.Absent {
				if a.AfterIndex == c.Rings[i].Index {
					rows = append(rows, []string{c.ID, "", year(a.Year), "", "", "0", "", "", "absent"})
				}
			}
		}
	}
	return csv.NewWriter(w).WriteAll(rows)
}

// tableRow returns the cells of one ring.
func (c Core) tableRow(ring int, unit string) []string {
	r, outer, inner := c.Rings[ring], c.Boundaries[ring], c.Boundaries[ring+1]
	from, to, width := outer.AtMM, inner.AtMM, r.WidthMM
	if unit == "px" {
		from, to, width = c.ringPx(ring)
	}
	return []string{c.ID, strconv.Itoa(r.Index), year(r.Year), length(from, unit), length(to, unit), length(width, unit),
		length(r.StandardUncertaintyMM, unit), strconv.FormatFloat(inner.Probability, 'f', 3, 64), strings.Join(r.Flags, " ")}
}

// ringPx returns where a ring begins and ends along the path and its width, in
// px, by the same rules as in mm. The width is nil across lost wood.
func (c Core) ringPx(ring int) (from, to, width *float64) {
	radius := NewRadius(c.PathPx, nil)
	outer, inner := c.Boundaries[ring], c.Boundaries[ring+1]
	a, b := radius.At(outer.PointPx), radius.At(inner.PointPx)
	wood := b - a
	for _, g := range c.Gaps {
		open := min(b, radius.At(g.ToPx)) - max(a, radius.At(g.FromPx))
		if open < 0 {
			continue
		}
		if g.Kind == Lost {
			return &a, &b, nil
		}
		wood -= open
	}
	w := math.Max(0, wood*math.Cos((outer.TiltDeg+inner.TiltDeg)/2*math.Pi/180))
	return &a, &b, &w
}

func year(y *int) string {
	if y == nil {
		return ""
	}
	return strconv.Itoa(*y)
}

// length writes mm to the micrometre and tenth, px to the hundredth.
func length(v *float64, unit string) string {
	switch {
	case v == nil:
		return ""
	case unit == "px":
		return strconv.FormatFloat(*v, 'f', 2, 64)
	default:
		return strconv.FormatFloat(*v, 'f', 4, 64)
	}
}

// DoubtfulBelow is the probability under which a boundary counts as doubtful:
// chosen, so that of the boundaries shown as sure at most a few in a hundred
// are not real.
const DoubtfulBelow = 0.9

// Doubtful tells whether a person should look at the boundary. What a person
// has set is not doubtful.
func (b Boundary) Doubtful() bool {
	return b.Source != "person" && b.Probability < DoubtfulBelow
}

// Summary is a core in numbers.
type Summary struct {
	Rings               int      // partial ring included
	FirstYear, LastYear *int     // of the dated rings, the partial one included
	MeanWidthMM         *float64 // of the complete rings that have a width
	Doubtful            int      // boundaries
}

// Summarise returns the numbers of a core that its line in the summary shows.
func Summarise(c Core) Summary {
	s := Summary{Rings: len(c.Rings)}
	var sum float64
	var n int
	for _, r := range c.Rings {
		if r.Year != nil {
			if s.LastYear == nil {
				s.LastYear = r.Year
			}
			s.FirstYear = r.Year
		}
		if r.WidthMM != nil && !slices.Contains(r.Flags, FlagPartial) {
			sum += *r.WidthMM
			n++
		}
	}
	if n > 0 {
		mean := sum / float64(n)
		s.MeanWidthMM = &mean
	}
	for _, b := range c.Boundaries {
		if b.Doubtful() {
			s.Doubtful++
		}
	}
	return s
}

// Years says which years the core's rings bear, for people.
func (s Summary) Years() string {
	if s.FirstYear == nil {
		return "undated"
	}
	return fmt.Sprintf("%d–%d", *s.FirstYear, *s.LastYear)
}
