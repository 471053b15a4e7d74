package vision

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// keptBreadth is the part of a core's breadth that is read: the rims are often
// chipped, marked by the borer or in shadow.
const keptBreadth = 0.84

// minLengthPx is the shortest core that is read.
const minLengthPx = 120

// reader reads the cores of one scan.
type reader struct {
	px       raster.Pixels
	scale    measure.Scale
	settings measure.Settings
	model    *evidence.Model
}

// read turns the place of a core into all that it says. field is the core's
// row of the sheet, nil without.
func (r *reader) read(found raster.Core, field *measure.Field) measure.Core {
	core := emptyCore()
	core.OutlinePx = found.OutlinePx
	core.Warnings = append(core.Warnings, found.Warnings...)
	if n := axisLength(found.AxisPx); n < minLengthPx || found.BreadthPx < 6 {
		core.Warnings = append(core.Warnings, fmt.Sprintf("too small to read (%.0f x %.0f px): scan at a higher resolution", n, found.BreadthPx))
		return core
	}
	perMM := r.pxPerMM(found)
	s := strip.Straighten(r.px, found.AxisPx, found.BreadthPx, keptBreadth)
	course := strip.Follow(s, perMM)
	flat := s.Flatten(course)
	f := evidence.Extract(flat, perMM)

	known := r.known(found, field)
	known.Onsets = [2][]float64{s.Onsets(r.px, false, perMM), s.Onsets(r.px, true, perMM)}
	look := r.model.Judge(f, course, s, r.spanOf(found, s, perMM), known)
	reading := r.model.ReadLook(f, look)
	b := builder{reader: r, strip: s, course: course, look: look, core: &core, perMM: perMM, f: f}
	b.build(reading)
	if noRings(b.core) {
		bare := emptyCore()
		bare.OutlinePx = found.OutlinePx
		bare.Warnings = append(found.Warnings, "not measured, no rings to be seen: "+remount)
		return bare
	}
	core.Warnings = append(core.Warnings, givenWarnings(core, found.Upright, r.settings)...)
	warnRingless(b.core)
	b.offerSecond()
	return core
}

// emptyCore has all lists, empty.
func emptyCore() measure.Core {
	return measure.Core{OutlinePx: []measure.Point{}, PathPx: []measure.Point{}, Boundaries: []measure.Boundary{},
		Candidates: []measure.Candidate{}, Gaps: []measure.Stretch{}, Obscured: []measure.Stretch{},
		Rings: []measure.Ring{}, Absent: []measure.Absent{}, Doubts: []measure.Doubt{}, Warnings: []string{}}
}

// pxPerMM is the scale along a core or, without one, what makes the core as
// broad as the flat of a common borer's core.
func (r *reader) pxPerMM(found raster.Core) float64 {
	if r.scale.MMPerPx == nil {
		const flatMM = 4.7
		return found.BreadthPx / flatMM
	}
	along := r.scale.MMPerPx[0]
	if found.Upright {
		along = r.scale.MMPerPx[1]
	}
	return 1 / along
}

// known gathers what need not be told from the picture.
func (r *reader) known(found raster.Core, field *measure.Field) evidence.Known {
	k := evidence.Known{Wood: r.settings.Wood}
	if k.Wood == "" && field != nil {
		k.Wood = measure.WoodOf(field.Species)
	}
	switch end := r.settings.BarkEnd; {
	case end == measure.Left && !found.Upright, end == measure.Top && found.Upright:
		k.Dir = 1
	case end == measure.Right && !found.Upright, end == measure.Bottom && found.Upright:
		k.Dir = -1
	}
	return k
}

// spanOf is the whole visible core, with its gaps: those between pieces laid
// apart, as the finding of cores knows them, and those the wood itself shows.
func (r *reader) spanOf(found raster.Core, s *strip.Strip, perMM float64) evidence.Span {
	span := evidence.Span{From: 0, To: float64(s.Cols - 1), PxPerMM: perMM}
	ground := append(s.Beyond(r.px, false, perMM), s.Beyond(r.px, true, perMM)...)
	gaps := append([]raster.GapPx(nil), found.Gaps...)
	for _, o := range evidence.FindGaps(s, ground, perMM) {
		if !slices.ContainsFunc(found.Gaps, func(g raster.GapPx) bool { return g.FromPx < o[1]+perMM && g.ToPx > o[0]-perMM }) {
			gaps = append(gaps, raster.GapPx{FromPx: o[0], ToPx: o[1]})
		}
	}
	slices.SortFunc(gaps, func(a, b raster.GapPx) int { return cmp.Compare(a.FromPx, b.FromPx) })
	for _, g := range gaps {
		span.Openings = append(span.Openings, [2]float64{g.FromPx, g.ToPx})
		span.Lost = append(span.Lost, g.Kind == measure.Lost)
	}
	return span
}

func axisLength(line []measure.Point) float64 {
	var sum float64
	for i := 1; i < len(line); i++ {
		sum += math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1])
	}
	return sum
}
