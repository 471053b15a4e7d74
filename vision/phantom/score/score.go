// Package score judges measurements by known truth: which cores were found,
// which boundaries are right, how wide the rings came out, and whether the
// stated probabilities and uncertainties are honest.
//
// A found boundary is right if it lies within the tolerance of a true one,
// square to that one's line, and is its partner in the best one-to-one match.
// The tolerance is max(2 px, min(0.10 mm, a quarter of the narrower ring
// beside the true boundary)). True boundaries of kind edge, outer or inner and
// those with hidden set are neither right nor wrong, and neither is what lies
// beyond the pith.
package score

import (
	"math"
	"slices"
	"strings"

	"pithward/measure"
	"pithward/measure/match"
	"pithward/vision/phantom"
)

// Rule says how near is right.
type Rule struct {
	ToleranceMM float64 // one tolerance for all; 0: the rule above
}

// Scan is the judgement of one scan.
type Scan struct {
	Cores    []Core
	Missed   []int   // positions of true cores not found
	Invented []int   // positions of found cores that are none
	HasRuler bool    // the truth has a ruler
	Unit     bool    // the ruler's unit was told rightly
	Scaled   bool    // the measurement has a scale from a ruler or given
	ScaleErr float64 // relative, along the ruler (or along x without one)
}

// Core is the judgement of one core found.
type Core struct {
	Truth          *phantom.CoreTruth
	Found          *measure.Core
	Wood           measure.Wood // the true one
	WoodRight      bool
	BarkEndRight   bool
	BarkRight      bool // bark_present as it is
	PithRight      bool
	Boundaries     []Boundary // found, neither right nor wrong left out
	Missed         []Miss
	Spare          []Statement // candidates: their probability, and whether a missed boundary is there
	Widths         []Width
	True           int // boundaries that count
	Touch          int // boundaries a person has to add, remove or move
	ExpectedErr    float64
	ExpectedSD     float64
	HasExpectation bool
	Veils          Veils
}

// Veils counts stretches of hidden wood: true ones of a millimetre and more,
// those of them more than half of which was found, and found ones, with their
// length in mm, where there is none.
type Veils struct {
	True, Found, Invented int
	InventedMM            float64
}

// Boundary is a found boundary judged.
type Boundary struct {
	Statement
	RingMM  float64 // width of the narrower ring beside it, or of the ring it splits
	OffMM   float64 // how far it is off, towards the pith positive, if right
	SDMM    float64 // the standard uncertainty stated for that; 0: none
	AtFalse bool    // wrong, at a place known to mislead
	AtMM    float64 // along the true centreline
}

// Statement is a probability and what came of it.
type Statement struct {
	Probability float64
	Right       bool
}

// Miss is a true boundary not found.
type Miss struct {
	K        int
	RingMM   float64
	AtMM     float64
	Contrast float64
}

// Width compares the width of a ring whose two boundaries are right.
type Width struct {
	TrueMM, FoundMM, SDMM float64
	K                     int // of its outer boundary
}

// Of judges a measurement by its truth.
func Of(m measure.Measurement, t phantom.Truth, rule Rule) Scan {
	s := Scan{HasRuler: t.Ruler != nil}
	s.scale(m, t)
	partner := matchCores(m.Cores, t.Cores)
	taken := make([]bool, len(t.Cores))
	for i, j := range partner {
		if j < 0 {
			s.Invented = append(s.Invented, m.Cores[i].Position)
			continue
		}
		taken[j] = true
		s.Cores = append(s.Cores, judge(&m.Cores[i], &t.Cores[j], t.MMPerPx, rule))
	}
	for j := range t.Cores {
		if !taken[j] {
			s.Missed = append(s.Missed, t.Cores[j].Position)
		}
	}
	return s
}

// scale compares the scales in the direction of the true ruler.
func (s *Scan) scale(m measure.Measurement, t phantom.Truth) {
	if m.Scale.MMPerPx == nil {
		return
	}
	s.Scaled = true
	dx, dy := 1.0, 0.0
	if t.Ruler != nil {
		l := t.Ruler.LinePx
		dx, dy = l[1][0]-l[0][0], l[1][1]-l[0][1]
	}
	along := func(k [2]float64) float64 { return math.Hypot(dx*k[0], dy*k[1]) }
	s.ScaleErr = along(*m.Scale.MMPerPx)/along(t.MMPerPx) - 1
	s.Unit = t.Ruler != nil && m.Scale.Ruler != nil && (m.Scale.Ruler.Unit == t.Ruler.Unit || t.Ruler.Dual)
}

// matchCores returns for each found core the true one whose outline holds most
// of its path, at least half of it, or -1. A true core is given to the found
// one that has the longest path in it.
func matchCores(found []measure.Core, truth []phantom.CoreTruth) []int {
	type pair struct {
		i, j int
		held float64
	}
	var pairs []pair
	for i := range found {
		line := found[i].PathPx
		if len(line) == 0 {
			line = found[i].OutlinePx
		}
		places := sample(line, 64)
		for j := range truth {
			n := 0
			for _, p := range places {
				if inside(truth[j].OutlinePx, p) {
					n++
				}
			}
			if 2*n >= len(places) && n > 0 {
				pairs = append(pairs, pair{i, j, float64(n) / 64 * length(line)})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int {
		switch {
		case a.held > b.held:
			return -1
		case a.held < b.held:
			return 1
		}
		return 0
	})
	partner := make([]int, len(found))
	for i := range partner {
		partner[i] = -1
	}
	used := make([]bool, len(truth))
	for _, p := range pairs {
		if partner[p.i] < 0 && !used[p.j] {
			partner[p.i], used[p.j] = p.j, true
		}
	}
	return partner
}

// mark is a true boundary made ready for matching.
type mark struct {
	k       int
	counts  bool
	line    []measure.Point // mm
	s, ring float64         // along the centreline; the narrower ring beside it
	tol     float64
	inward  [2]float64 // direction of the centreline there, to the pith
	truth   *phantom.BoundaryTruth
}

// side is positive for places on the pith's side of the mark.
func (m *mark) side(p measure.Point) float64 {
	best, side := math.Inf(1), 0.0
	for i := 0; i+1 < len(m.line); i++ {
		a, b := m.line[i], m.line[i+1]
		if _, d := project(m.line[i:i+2], p); d < best {
			// The cross product with the chord, whose sense the path settles.
			chord := [2]float64{b[0] - a[0], b[1] - a[1]}
			ref := chord[0]*m.inward[1] - chord[1]*m.inward[0]
			best, side = d, (chord[0]*(p[1]-a[1])-chord[1]*(p[0]-a[0]))*ref
		}
	}
	return side
}

// hit is a found boundary or candidate made ready for matching.
type hit struct {
	index int // in the found core's list
	at    measure.Point
	s     float64
	p     float64
	sd    float64 // mm; 0: not stated
}

func judge(f *measure.Core, t *phantom.CoreTruth, mmPerPx [2]float64, rule Rule) Core {
	pl := plane(mmPerPx)
	centre := pl.line(t.CentrelinePx)
	c := Core{Truth: t, Found: f, Wood: t.Wood,
		WoodRight:    f.Wood != nil && *f.Wood == t.Wood,
		BarkEndRight: f.BarkEnd != nil && *f.BarkEnd == t.BarkEnd,
		BarkRight:    f.BarkPresent == t.BarkPresent, PithRight: f.PithPresent == t.PithPresent}
	marks := truthMarks(t, pl, centre, rule)
	hits := foundHits(f, t, pl, centre)
	partner := match.InOrder(len(hits), len(marks), func(i, j int) float64 { return gain(&hits[i], &marks[j]) })
	c.judgeHits(hits, marks, partner, t, pl)
	c.judgeMisses(marks, partner)
	c.countTouches(hits, marks, partner)
	c.compareWidths(hits, marks, partner, f, t)
	c.judgeCandidates(f, pl, centre, marks, partner)
	c.judgeExpectation(f, hits, marks)
	c.judgeVeils(f, t, pl, centre)
	return c
}

// gain prefers counting marks to neutral ones, and near ones to far.
func gain(h *hit, m *mark) float64 {
	if math.Abs(h.s-m.s) > 4*m.tol+25 {
		return 0 // far away: spare the geometry
	}
	_, d := project(m.line, h.at)
	if d > m.tol {
		return 0
	}
	worth := 1.0
	if !m.counts {
		worth = 0.4
	}
	return worth - 0.1*d/m.tol
}

func truthMarks(t *phantom.CoreTruth, pl plane, centre []measure.Point, rule Rule) []mark {
	ring := narrower(t)
	px := math.Sqrt(pl[0] * pl[1])
	var marks []mark
	for i := range t.Boundaries {
		b := &t.Boundaries[i]
		m := mark{k: b.K, counts: b.Kind == phantom.KindRing && b.Hidden == nil, line: pl.line(b.LinePx), truth: b}
		if len(m.line) < 2 {
			continue
		}
		m.s, _ = project(centre, pl.mm(b.PointPx))
		m.inward = direction(centre, m.s)
		m.ring = math.Inf(1)
		if w, ok := ring[b.K]; ok && b.Side >= 0 {
			m.ring = w
		}
		m.tol = rule.ToleranceMM
		if m.tol == 0 {
			m.tol = match.Tolerance(px, m.ring)
		}
		marks = append(marks, m)
	}
	slices.SortStableFunc(marks, func(a, b mark) int { return order(a.s, b.s) })
	return marks
}

func order(a, b float64) int {
	if a < b {
		return -1
	}
	if a > b {
		return 1
	}
	return 0
}

// narrower returns for each K the width of the narrower ring beside it.
func narrower(t *phantom.CoreTruth) map[int]float64 {
	w := map[int]float64{}
	for _, r := range t.Rings {
		for _, k := range []int{r.Outer, r.Inner} {
			if old, ok := w[k]; !ok || r.WidthMM < old {
				w[k] = r.WidthMM
			}
		}
	}
	return w
}

// foundHits returns the ring boundaries found on the bark's side of the pith.
func foundHits(f *measure.Core, t *phantom.CoreTruth, pl plane, centre []measure.Point) []hit {
	var hits []hit
	for i, b := range f.Boundaries {
		if b.Kind != measure.RingBoundary {
			continue
		}
		h := hit{index: i, at: pl.mm(b.PointPx), p: b.Probability}
		if b.StandardUncertaintyMM != nil {
			h.sd = *b.StandardUncertaintyMM
		}
		h.s, _ = project(centre, h.at)
		if t.PithSMM != nil && h.s > *t.PithSMM {
			continue
		}
		hits = append(hits, h)
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return order(a.s, b.s) })
	return hits
}

func (c *Core) judgeHits(hits []hit, marks []mark, partner []int, t *phantom.CoreTruth, pl plane) {
	for i, h := range hits {
		b := Boundary{Statement: Statement{Probability: h.p}, AtMM: h.s}
		if j := partner[i]; j >= 0 {
			m := &marks[j]
			if !m.counts {
				continue
			}
			b.Right, b.RingMM, b.SDMM = true, m.ring, h.sd
			_, d := project(m.line, h.at)
			b.OffMM = math.Copysign(d, m.side(h.at))
			c.Boundaries = append(c.Boundaries, b)
			continue
		}
		if nearNeutral(h, marks) {
			continue
		}
		b.RingMM = splitRing(h.s, marks)
		for k := range t.Ambiguous {
			if _, d := project(pl.line(t.Ambiguous[k].LinePx), h.at); d < 0.15 {
				b.AtFalse = true
			}
		}
		c.Boundaries = append(c.Boundaries, b)
	}
}

func nearNeutral(h hit, marks []mark) bool {
	for j := range marks {
		if m := &marks[j]; !m.counts {
			if _, d := project(m.line, h.at); d <= m.tol {
				return true
			}
		}
	}
	return false
}

// splitRing returns the breadth of the true ring that holds s.
func splitRing(s float64, marks []mark) float64 {
	lo, hi := math.Inf(-1), math.Inf(1)
	for _, m := range marks {
		if m.s <= s {
			lo = math.Max(lo, m.s)
		} else {
			hi = math.Min(hi, m.s)
		}
	}
	return hi - lo
}

// judgeMisses lists the counting marks that nothing found is right about.
func (c *Core) judgeMisses(marks []mark, partner []int) {
	matched := make([]bool, len(marks))
	for _, j := range partner {
		if j >= 0 {
			matched[j] = true
		}
	}
	for j := range marks {
		m := &marks[j]
		if !m.counts {
			continue
		}
		c.True++
		if matched[j] {
			continue
		}
		miss := Miss{K: m.k, RingMM: m.ring, AtMM: m.s}
		if m.truth.Contrast != nil {
			miss.Contrast = *m.truth.Contrast
		}
		c.Missed = append(c.Missed, miss)
	}
}

// countTouches counts what a person has to do: between two right boundaries,
// a wrong one and a missed one are one move.
func (c *Core) countTouches(hits []hit, marks []mark, partner []int) {
	matched := map[int]bool{}
	var right []float64
	for i, j := range partner {
		if j >= 0 {
			matched[j] = true
			if marks[j].counts {
				right = append(right, hits[i].s)
			}
		}
	}
	slices.Sort(right)
	stretch := func(s float64) int { n, _ := slices.BinarySearch(right, s); return n }
	wrong, missed := make([]int, len(right)+1), make([]int, len(right)+1)
	for _, b := range c.Boundaries {
		if !b.Right {
			wrong[stretch(b.AtMM)]++
		}
	}
	for _, m := range c.Missed {
		missed[stretch(m.AtMM)]++
	}
	for i := range wrong {
		c.Touch += max(wrong[i], missed[i])
	}
}

// compareWidths compares rings both of whose boundaries are right and
// neighbours in both lists. Rings the truth or the measurement calls partial
// or that touch lost wood have no width.
func (c *Core) compareWidths(hits []hit, marks []mark, partner []int, f *measure.Core, t *phantom.CoreTruth) {
	truth := map[int]phantom.RingTruth{}
	for _, r := range t.Rings {
		if r.Inner == r.Outer+1 && r.LostMM == 0 && !r.Partial {
			truth[r.Outer] = r
		}
	}
	for i := 0; i+1 < len(hits); i++ {
		j, j2 := partner[i], partner[i+1]
		if j < 0 || j2 < 0 || !marks[j].counts || !marks[j2].counts || marks[j2].k != marks[j].k+1 {
			continue
		}
		a, b := hits[i].index, hits[i+1].index
		r, ok := truth[marks[j].k]
		if !ok || b != a+1 || a >= len(f.Rings) {
			continue
		}
		got := f.Rings[a]
		if got.WidthMM == nil || slices.Contains(got.Flags, measure.FlagPartial) {
			continue
		}
		w := Width{TrueMM: r.WidthMM, FoundMM: *got.WidthMM, K: marks[j].k}
		if got.StandardUncertaintyMM != nil {
			w.SDMM = *got.StandardUncertaintyMM
		}
		c.Widths = append(c.Widths, w)
	}
}

// judgeCandidates asks of each rejected candidate whether a missed boundary is
// there.
func (c *Core) judgeCandidates(f *measure.Core, pl plane, centre []measure.Point, marks []mark, partner []int) {
	matched := make([]bool, len(marks))
	for _, j := range partner {
		if j >= 0 {
			matched[j] = true
		}
	}
	var open []mark
	for j := range marks {
		if !matched[j] {
			open = append(open, marks[j])
		}
	}
	var hits []hit
	for i, b := range f.Candidates {
		h := hit{index: i, at: pl.mm(b.PointPx), p: b.Probability}
		h.s, _ = project(centre, h.at)
		hits = append(hits, h)
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return order(a.s, b.s) })
	which := match.InOrder(len(hits), len(open), func(i, j int) float64 { return gain(&hits[i], &open[j]) })
	for i, h := range hits {
		j := which[i]
		if j >= 0 && !open[j].counts || j < 0 && nearNeutral(h, marks) {
			continue
		}
		c.Spare = append(c.Spare, Statement{h.p, j >= 0})
	}
}

// judgeExpectation compares the expected count with the true one. Boundaries
// hidden under smears and the like are there; what else is neither right nor
// wrong is taken as found.
func (c *Core) judgeExpectation(f *measure.Core, hits []hit, marks []mark) {
	if f.ExpectedCount == nil || f.CountSD == nil {
		return
	}
	neutral := len(f.Boundaries) - len(c.Boundaries)
	veiled := 0
	for j := range marks {
		if marks[j].veiled() {
			veiled++
		}
	}
	for i := range hits {
		for j := range marks {
			if m := &marks[j]; m.veiled() && math.Abs(hits[i].s-m.s) <= m.tol {
				neutral-- // it is counted as veiled
				break
			}
		}
	}
	c.HasExpectation = true
	c.ExpectedErr = *f.ExpectedCount + 1 - float64(neutral+veiled+c.True)
	c.ExpectedSD = *f.CountSD
}

// veiled tells whether a boundary is there but under something.
func (m *mark) veiled() bool {
	return m.truth.Kind == phantom.KindRing && m.truth.Hidden != nil && strings.HasPrefix(*m.truth.Hidden, phantom.HiddenUnder)
}

// judgeVeils compares the stretches of hidden wood.
func (c *Core) judgeVeils(f *measure.Core, t *phantom.CoreTruth, pl plane, centre []measure.Point) {
	end := math.Inf(1)
	if t.PithSMM != nil {
		end = *t.PithSMM
	}
	var found [][2]float64
	for _, o := range f.Obscured {
		a, _ := project(centre, pl.mm(o.FromPx))
		b, _ := project(centre, pl.mm(o.ToPx))
		found = append(found, [2]float64{math.Min(a, b), math.Max(a, b)})
	}
	for _, o := range t.Obscured {
		if o.ToMM-o.FromMM < 1 || o.FromMM < 0 || o.ToMM > end {
			continue
		}
		c.Veils.True++
		var held float64
		for _, x := range found {
			held += math.Max(0, math.Min(o.ToMM, x[1])-math.Max(o.FromMM, x[0]))
		}
		if held > 0.5*(o.ToMM-o.FromMM) {
			c.Veils.Found++
		}
	}
	for _, x := range found {
		if !slices.ContainsFunc(t.Obscured, func(o phantom.ObscuredTruth) bool { return o.FromMM < x[1] && x[0] < o.ToMM }) {
			c.Veils.Invented++
			c.Veils.InventedMM += x[1] - x[0]
		}
	}
}

// direction returns the polyline's unit direction at the length s along it.
func direction(line []measure.Point, s float64) [2]float64 {
	var d [2]float64
	for i := 0; i+1 < len(line); i++ {
		dx, dy := line[i+1][0]-line[i][0], line[i+1][1]-line[i][1]
		n := math.Hypot(dx, dy)
		if n == 0 {
			continue
		}
		d = [2]float64{dx / n, dy / n}
		if s -= n; s < 0 {
			break
		}
	}
	return d
}
