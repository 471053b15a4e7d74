package vision

import (
	"fmt"

	"pithward/measure"
)

// offerSecond reads the wood beyond the pith, where the core goes on past it,
// and lists it as a second radius of the same tree.
func (b *builder) offerSecond() {
	look, ok := b.model.SecondRadius(b.f, b.look)
	if !ok {
		return
	}
	c := emptyCore()
	second := builder{reader: b.reader, strip: b.strip, course: b.course, look: look, core: &c, perMM: b.perMM, f: b.f}
	second.build(b.model.ReadLook(b.f, look))
	if len(c.Boundaries) < 3 { // the pith and two more: a ring's width at least
		return
	}
	b.core.SecondRadius = &measure.SecondRadius{PathPx: c.PathPx, PathLengthMM: c.PathLengthMM, Boundaries: c.Boundaries,
		Gaps: c.Gaps, Obscured: c.Obscured, Rings: c.Rings, ExpectedCount: c.ExpectedCount, CountSD: c.CountSD}
	length := "wood"
	if c.PathLengthMM != nil {
		length = fmt.Sprintf("%.1f mm", *c.PathLengthMM)
	}
	b.core.Warnings = append(b.core.Warnings, fmt.Sprintf("the core passes the pith: %d rings on the %s beyond it are listed as a second radius, from its outer end to the pith", len(c.Rings), length))
}
