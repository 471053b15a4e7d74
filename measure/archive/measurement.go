package archive

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"pithward/measure"
)

// FromMeasurement turns a measured scan into series: those whose rings have
// years, and those that float, their innermost ring being year 1. A core
// parted by lost wood gives one series for each side, since nobody knows how
// many rings are gone; the second has the id of the core and ".2". Partial
// rings and rings that touch lost wood have no width. Without a scale there
// are no series.
func FromMeasurement(m *measure.Measurement) (dated, floating []Series) {
	if m.Scale.MMPerPx == nil {
		return nil, nil
	}
	for _, c := range m.Cores {
		parts := coreParts(c)
		for k, part := range parts {
			s := partSeries(c, part)
			s.Meta = coreMeta(c, k == 0, k == len(parts)-1)
			s.Meta.ScaleUncertainty = m.Scale.RelativeStandardUncertainty
			if k > 0 {
				s.ID = fmt.Sprintf("%s.%d", c.ID, k+1)
			}
			if len(s.Widths) == 0 {
				continue
			}
			if s.Floating {
				floating = append(floating, s)
			} else {
				dated = append(dated, s)
			}
		}
	}
	return dated, floating
}

// ringEntry is a year on a core: a ring or the absence of one.
type ringEntry struct {
	year    *int
	width   Width
	picture RingPicture
}

// coreParts lists a core's rings from bark to pith, parted at lost wood and
// where years begin or end.
func coreParts(c measure.Core) [][]ringEntry {
	absent := map[int][]measure.Absent{}
	for _, a := range c.Absent {
		absent[a.AfterIndex] = append(absent[a.AfterIndex], a)
	}
	var parts [][]ringEntry
	var part []ringEntry
	cut := func() {
		if len(part) > 0 {
			parts, part = append(parts, part), nil
		}
	}
	add := func(e ringEntry) {
		if n := len(part); n > 0 && (part[n-1].year == nil) != (e.year == nil) {
			cut()
		}
		part = append(part, e)
	}
	for i, r := range c.Rings {
		if touchesLost(c, i) {
			cut()
		} else {
			add(ringEntry{r.Year, ringWidth(r), ringPicture(c, i)})
		}
		for _, a := range absent[r.Index] {
			add(ringEntry{a.Year, Absent, RingPicture{}})
		}
	}
	cut()
	return parts
}

func ringWidth(r measure.Ring) Width {
	for _, f := range r.Flags {
		if f == measure.FlagPartial {
			return Missing
		}
	}
	if r.WidthMM == nil {
		return Missing
	}
	return Width(*r.WidthMM)
}

// ringPicture says how sure the picture is of ring i.
func ringPicture(c measure.Core, i int) RingPicture {
	var p RingPicture
	if i+1 >= len(c.Boundaries) || c.Boundaries[i].AtMM == nil || c.Boundaries[i+1].AtMM == nil {
		return p
	}
	from, inner := *c.Boundaries[i].AtMM, c.Boundaries[i+1]
	to := *inner.AtMM
	p.Boundary = &PicturePlace{inner.ID, to, inner.PointPx, inner.Probability, inner.Source == "person", 1}
	wood := to - from - openings(c, from, to)
	for _, x := range c.Candidates {
		if x.AtMM == nil || *x.AtMM <= from || *x.AtMM >= to || wood <= 0 {
			continue
		}
		share := (*x.AtMM - from - openings(c, from, *x.AtMM)) / wood
		if share > 0 && share < 1 {
			p.Candidates = append(p.Candidates, PicturePlace{x.ID, *x.AtMM, x.PointPx, x.Probability, false, share})
		}
	}
	if wood > 0 {
		p.hide(c, from, to, wood)
	}
	slices.SortStableFunc(p.Candidates, func(a, b PicturePlace) int { return cmp.Compare(a.AtMM, b.AtMM) })
	return p
}

// hide notes the obscured stretches between two places of the path.
func (p *RingPicture) hide(c measure.Core, from, to, wood float64) {
	longest := 0.0
	for _, o := range c.Obscured {
		if o.FromMM == nil || o.ToMM == nil {
			continue
		}
		a, b := math.Max(from, *o.FromMM), math.Min(to, *o.ToMM)
		hidden := b - a - openings(c, a, b)
		if !(hidden > 0) {
			continue
		}
		p.Hidden += hidden
		if hidden > longest {
			middle := (a + b) / 2
			longest, p.HiddenAt = hidden, math.Max(0, math.Min(1, (middle-from-openings(c, from, middle))/wood))
		}
	}
}

// openings is how much of a stretch of the path lies open in cracks and breaks,
// mm.
func openings(c measure.Core, from, to float64) (open float64) {
	for _, g := range c.Gaps {
		if g.Kind != measure.Lost && g.FromMM != nil && g.ToMM != nil {
			open += math.Max(0, math.Min(to, *g.ToMM)-math.Max(from, *g.FromMM))
		}
	}
	return open
}

// touchesLost tells whether ring i lies, even in part, in lost wood.
func touchesLost(c measure.Core, i int) bool {
	if len(c.Boundaries) == 0 { // a joined core with parts on other scans: its rings alone are known
		return c.Rings[i].WidthMM == nil && slices.Contains(c.Rings[i].Flags, measure.FlagBroken)
	}
	if i+1 >= len(c.Boundaries) || c.Boundaries[i].AtMM == nil || c.Boundaries[i+1].AtMM == nil {
		return false
	}
	from, to := *c.Boundaries[i].AtMM, *c.Boundaries[i+1].AtMM
	for _, g := range c.Gaps {
		if g.Kind == measure.Lost && g.FromMM != nil && g.ToMM != nil && *g.FromMM <= to && *g.ToMM >= from {
			return true
		}
	}
	return false
}

// partSeries turns one part, listed from bark to pith, into a series.
func partSeries(c measure.Core, part []ringEntry) Series {
	s := Series{ID: c.ID, Core: c.UID, Unit: Thousandths, FirstYear: 1, Floating: part[0].year == nil}
	if !s.Floating {
		s.FirstYear = *part[len(part)-1].year
		for _, e := range part {
			s.FirstYear = min(s.FirstYear, *e.year)
		}
	}
	for k := len(part) - 1; k >= 0; k-- {
		e := part[k]
		if !s.Floating { // years that leave a hole are kept, the hole is missing
			for s.LastYear()+1 < *e.year {
				s.Widths, s.Pictures = append(s.Widths, Missing), append(s.Pictures, RingPicture{})
			}
		}
		s.Widths, s.Pictures = append(s.Widths, e.width), append(s.Pictures, e.picture)
	}
	s = s.Trim()
	if s.Floating {
		s.FirstYear = 1
	}
	return s
}

// sapwoodColumn is the core sheet's own column for the number of sapwood rings,
// where the limit of the heartwood was seen.
const sapwoodColumn = "sapwood_rings"

// coreMeta says what is known of a part: only the outermost can have the bark
// and only the innermost the pith.
func coreMeta(c measure.Core, outermost, innermost bool) Meta {
	bark, pith := c.BarkPresent && outermost, c.PithPresent && innermost
	m := Meta{Bark: &bark, Pith: &pith}
	if c.Field != nil {
		m.Tree, m.Species, m.Note, m.Sampled = c.Field.Tree, c.Field.Species, c.Field.Note, c.Field.Sampled
		m.Site, _ = SiteOf(*c.Field) // whoever writes files asks for the faults
		if n, err := strconv.Atoi(c.Field.OtherCell(sapwoodColumn)); err == nil && n >= 0 && outermost {
			m.Sapwood = &n
		}
	}
	return m
}

// ReadMeasurement reads a measured scan (SCAN.json) as series; those without
// years float, and the parts of a core that were joined are one. Its ids may be
// used twice.
func ReadMeasurement(name string, data []byte) (*Collection, error) {
	c := &Collection{Name: name, Format: Measurement}
	m, err := measure.Decode(bytes.NewReader(data))
	if err != nil {
		return c, fmt.Errorf("%s: %w", name, err)
	}
	whole, elsewhere := m.AsJoined()
	dated, floating := FromMeasurement(&whole)
	c.Series = append(dated, floating...)
	for _, e := range elsewhere {
		c.Warnings = append(c.Warnings, Warning{Text: e})
	}
	switch {
	case len(c.Series) > 0:
		c.Site, _ = CommonSite(c.Series)
		return c, nil
	case m.Scale.MMPerPx == nil:
		return c, fmt.Errorf("%s: %w: the scan has no scale; measure it again with --dpi or --mm-per-px", name, ErrNoSeries)
	}
	return c, fmt.Errorf("%s: %w: no core on the scan has rings", name, ErrNoSeries)
}
