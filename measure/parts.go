package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Union tells how the parts of one core were put together, or why they were
// not. The parts are cores on one or several scans of a run, which the sheet
// gives one id and numbers from bark to pith.
type Union struct {
	ID     string      `json:"id"`
	Joined bool        `json:"joined"`
	Detail string      `json:"detail"` // how, or why not, for people
	Parts  []UnionPart `json:"parts"`  // from bark to pith
	Joints []Joint     `json:"joints"` // between successive parts, as far as they were sought
	Rings  []Ring      `json:"rings"`  // of the joined core, each once; empty where the parts stay apart
	// PithPresent tells that the joined core reaches the pith.
	PithPresent bool `json:"pith_present"`
}

// UnionPart is a part of a core: a core of a scan.
type UnionPart struct {
	Scan string `json:"scan"`
	UID  string `json:"uid"`
	Part int    `json:"part"`
}

// Joint is where two parts meet: one boundary, seen on both.
type Joint struct {
	OuterBoundary string  `json:"outer_boundary"` // its id on the part nearer to the bark; "" where none is likely
	InnerBoundary string  `json:"inner_boundary"` // its id on the other
	SharedRings   int     `json:"shared_rings"`
	Certainty     float64 `json:"certainty"` // posterior probability of this match among all others and none
}

// JoinedCore is a core made of parts, for files that list rings.
type JoinedCore struct {
	Union Union
	Core  Core
}

// Limits of joining (chosen).
const (
	joinSure      = 0.95 // the certainty from which parts are joined
	joinMinShared = 4    // rings that both parts must show
)

// JoinParts joins the parts of cores among the measurements of a run. It adds a
// Union to each measurement that has a part of the core, and a warning where
// parts stay apart. It returns the joined cores.
func JoinParts(ms []*Measurement) (joined []JoinedCore) {
	type place struct {
		m *Measurement
		c *Core
	}
	byID := map[string][]place{}
	var ids []string // in order of appearance
	for _, m := range ms {
		for i := range m.Cores {
			c := &m.Cores[i]
			if c.Field == nil || c.Field.Part == 0 || c.Field.Core == "" {
				continue
			}
			if byID[c.ID] == nil {
				ids = append(ids, c.ID)
			}
			byID[c.ID] = append(byID[c.ID], place{m, c})
		}
	}
	for _, id := range ids {
		parts := byID[id]
		if len(parts) < 2 {
			continue
		}
		slices.SortStableFunc(parts, func(a, b place) int { return a.c.Field.Part - b.c.Field.Part })
		var cores []Core
		j := Union{ID: id}
		for _, p := range parts {
			cores = append(cores, *p.c)
			j.Parts = append(j.Parts, UnionPart{p.m.Scan.File, p.c.UID, p.c.Field.Part})
		}
		whole := j.join(cores)
		if j.Joined {
			joined = append(joined, JoinedCore{j, whole})
		}
		told := map[*Measurement]bool{}
		for _, p := range parts {
			if told[p.m] {
				continue
			}
			told[p.m] = true
			p.m.Joins = append(p.m.Joins, j)
			if !j.Joined {
				p.m.Warnings = append(p.m.Warnings, j.Detail)
			}
		}
	}
	return joined
}

// join joins cores in the order of their parts and notes how, or why not.
func (j *Union) join(parts []Core) Core {
	j.Joints, j.Rings = []Joint{}, []Ring{}
	whole := parts[0]
	for i, part := range parts[1:] {
		apart := func(why string) Core {
			j.Detail = fmt.Sprintf("core %s: its parts stay apart: %s", j.ID, why)
			return Core{}
		}
		if j.Parts[i].Part == j.Parts[i+1].Part {
			return apart(fmt.Sprintf("part %d is there twice", j.Parts[i].Part))
		}
		names := fmt.Sprintf("%d and %d", j.Parts[i].Part, j.Parts[i+1].Part)
		outer, inner := atCut(whole, part)
		if len(outer) < joinMinShared || len(inner) < joinMinShared {
			return apart(fmt.Sprintf("parts %s need %d rings with widths each, to compare", names, joinMinShared))
		}
		m := matchParts(outer, inner)
		if m.certainty < joinSure {
			j.Joints = append(j.Joints, Joint{SharedRings: len(m.nodes), Certainty: m.certainty})
			return apart(fmt.Sprintf("no overlap of parts %s is sure (the best, %s, has a certainty of %.2f): scan them with a longer overlap, or look for missed boundaries", names, plural(len(m.nodes), "ring"), m.certainty))
		}
		at := m.nodes[len(m.nodes)/2]
		j.Joints = append(j.Joints, Joint{whole.Boundaries[at[0]].ID, part.Boundaries[at[1]].ID, len(m.nodes), m.certainty})
		whole = joinAt(whole, part, at[0], at[1])
	}
	var how []string
	for _, joint := range j.Joints {
		how = append(how, fmt.Sprintf("over %s (certainty %.3f)", plural(joint.SharedRings, "shared ring"), joint.Certainty))
	}
	j.Joined, j.Rings, j.PithPresent = true, whole.Rings, whole.PithPresent
	j.Detail = fmt.Sprintf("core %s: %s joined %s", j.ID, plural(len(parts), "part"), strings.Join(how, ", "))
	return whole
}

// joinAt returns the core that is outer as far as its boundary i and inner from
// its boundary k on, which are the same boundary. Lengths go on along the
// inner part from there; years follow from the outer part.
func joinAt(outer, inner Core, i, k int) Core {
	shift := *outer.Boundaries[i].AtMM - *inner.Boundaries[k].AtMM
	moved := func(v *float64) *float64 {
		if v == nil {
			return nil
		}
		w := *v + shift
		return &w
	}
	c := outer
	c.PithPresent, c.ExpectedCount, c.CountSD, c.Candidates = inner.PithPresent, nil, nil, nil
	c.Boundaries = slices.Clone(outer.Boundaries[:i+1])
	for _, b := range inner.Boundaries[k+1:] {
		b.AtMM = moved(b.AtMM)
		c.Boundaries = append(c.Boundaries, b)
	}
	c.Rings = slices.Concat(outer.Rings[:i], inner.Rings[k:])
	for n := range c.Rings {
		c.Rings[n].Index = outer.Rings[0].Index + n
	}
	place := *outer.Boundaries[i].AtMM
	c.Gaps = joinStretches(outer.Gaps, inner.Gaps, place, moved)
	c.Obscured = joinStretches(outer.Obscured, inner.Obscured, place, moved)
	c.Absent = []Absent{}
	setYears(&c, outermostYear(outer))
	c.YearConvention = outer.YearConvention
	return c
}

// joinStretches returns the stretches of the outer part before the place and
// those of the inner part, moved, behind it.
func joinStretches(outer, inner []Stretch, place float64, moved func(*float64) *float64) []Stretch {
	all := []Stretch{}
	for _, s := range outer {
		if s.FromMM != nil && *s.FromMM < place {
			all = append(all, s)
		}
	}
	for _, s := range inner {
		s.FromMM, s.ToMM = moved(s.FromMM), moved(s.ToMM)
		if s.ToMM != nil && *s.ToMM > place {
			all = append(all, s)
		}
	}
	return all
}

// outermostYear returns the year of the ring with index 1, by any dated ring.
func outermostYear(c Core) *int {
	for _, r := range c.Rings {
		if r.Year != nil {
			y := *r.Year + r.Index - 1
			return &y
		}
	}
	return nil
}

// WithJoined returns the measurement as files of rings show it: a joined core
// in the place of its first part, its other parts left out, on whatever scan
// they are.
func (m Measurement) WithJoined(joined []JoinedCore) Measurement {
	instead, left := map[string]Core{}, map[string]bool{}
	for _, j := range joined {
		instead[j.Union.Parts[0].UID] = j.Core
		for _, p := range j.Union.Parts[1:] {
			left[p.UID] = true
		}
	}
	cores := []Core{}
	for _, c := range m.Cores {
		if whole, is := instead[c.UID]; is {
			c = whole
		}
		if !left[c.UID] {
			cores = append(cores, c)
		}
	}
	m.Cores = cores
	return m
}

// Rejoin joins the parts of cores anew, after their boundaries have been edited.
func Rejoin(ms []*Measurement) (joined []JoinedCore) {
	for _, m := range ms {
		m.Warnings = slices.DeleteFunc(slices.Clone(m.Warnings), func(w string) bool {
			return slices.ContainsFunc(m.Joins, func(j Union) bool { return j.Detail == w })
		})
		m.Joins = nil
	}
	return JoinParts(ms)
}

// AsJoined returns the measurement of one scan as files of rings show it, by the
// joins that are written in it. Of a core with parts on other scans the first
// part stands for all, with the rings of all and without boundaries; elsewhere
// says on which scans the cores left out are.
func (m Measurement) AsJoined() (whole Measurement, elsewhere []string) {
	here := map[string]Core{}
	for _, c := range m.Cores {
		here[c.UID] = c
	}
	var joined []JoinedCore
	for _, j := range m.Joins {
		if !j.Joined || len(j.Parts) == 0 {
			continue
		}
		c, is := j.rejoined(here)
		if !is {
			elsewhere = append(elsewhere, fmt.Sprintf("core %s: is left out, as all its rings are with its part %d on %s", j.ID, j.Parts[0].Part, j.Parts[0].Scan))
		}
		joined = append(joined, JoinedCore{j, c})
	}
	return m.WithJoined(joined), elsewhere
}

// rejoined makes the joined core of parts, by uid, that were joined before. Where
// one is not among them it has rings alone; is is false where the first is not.
func (j Union) rejoined(here map[string]Core) (whole Core, is bool) {
	whole, is = here[j.Parts[0].UID]
	first := whole
	for i, p := range j.Parts[1:] {
		part, there := here[p.UID]
		if !there || i >= len(j.Joints) {
			return j.ringsAlone(first), is
		}
		at, from := lastWithID(whole, j.Joints[i].OuterBoundary), lastWithID(part, j.Joints[i].InnerBoundary)
		if at < 0 || from < 0 {
			return j.ringsAlone(first), is
		}
		whole = joinAt(whole, part, at, from)
	}
	return whole, is
}

// ringsAlone is the joined core as far as its first part and the join tell it.
func (j Union) ringsAlone(first Core) Core {
	c := first
	c.Rings, c.PithPresent = j.Rings, j.PithPresent
	c.Boundaries, c.Candidates, c.Gaps, c.Obscured, c.Absent = nil, nil, nil, nil, nil
	c.ExpectedCount, c.CountSD, c.PathLengthMM = nil, nil, nil
	return c
}

// lastWithID returns the index of the innermost boundary with an id and a place,
// -1 if there is none: those of an inner part stand behind those of an outer one
// of the same id.
func lastWithID(c Core, id string) int {
	for i := len(c.Boundaries) - 1; i >= 0; i-- {
		if c.Boundaries[i].ID == id && c.Boundaries[i].AtMM != nil {
			return i
		}
	}
	return -1
}

// rung is a ring of a part, for comparison: the logarithm of its width in mm
// with its standard uncertainty, and the tilt of its inner boundary.
type rung struct {
	width, log, sd, tilt float64
	at                   int // index in the core's rings
}

// rungs returns the rings of a core that can be compared: whole ones with a
// width, in one run, as the ends of a part may be cut through a ring. It is
// empty where there is no scale.
func rungs(c Core) (list []rung) {
	for i, r := range c.Rings {
		b := c.Boundaries[i+1]
		if r.WidthMM == nil || *r.WidthMM <= 0 || b.AtMM == nil || slices.Contains(r.Flags, FlagPartial) {
			if len(list) > 0 && i < len(c.Rings)-1 && b.AtMM != nil {
				list = append(list, rung{width: math.NaN(), at: i}) // matches anything
			}
			continue
		}
		u := 0.0
		if r.StandardUncertaintyMM != nil {
			u = *r.StandardUncertaintyMM
		}
		list = append(list, rung{*r.WidthMM, math.Log(*r.WidthMM), u / *r.WidthMM, b.TiltDeg, i})
	}
	return list
}

// atCut returns the rings of two successive parts that can be compared. Where
// a cut was taken for the wood's surface or the pith, the ring there is a rest
// of one.
func atCut(outer, inner Core) (a, b []rung) {
	a, b = rungs(outer), rungs(inner)
	if n := len(outer.Boundaries); n > 0 && outer.Boundaries[n-1].Kind == Inner && len(a) > 0 {
		a = a[:len(a)-1]
	}
	if len(inner.Boundaries) > 0 && inner.Boundaries[0].Kind == Outer && len(b) > 0 && b[0].at == 0 {
		b = b[1:]
	}
	return a, b
}

// match is how two parts agree best: the boundaries that are the same on both,
// from bark to pith, as indices of the boundaries, and the posterior.
type match struct {
	nodes     [][2]int
	certainty float64
}

// Settings of the match (chosen): how far the logarithm of a width may differ
// between two looks at one ring beyond their stated uncertainties, as the two
// paths do not run through the same wood; how far tilts may, in degrees; how
// often either part misses a boundary or has one too many; and how probable it
// is beforehand that the parts do not overlap.
const (
	matchLog   = 0.06
	matchTilt  = 4.0
	matchSlip  = 0.01
	matchApart = 0.2
)

// matchParts finds where the inner part's rings begin on the outer part. Each
// place is judged by how much better the outer part's rings tell the inner
// part's widths and tilts than their spread over both parts does, up to the end
// of the outer part, summed over all alignments in which now and then one ring
// of either is two of the other.
func matchParts(outer, inner []rung) match {
	spread := spreadOf(outer, inner)
	starts := len(outer) - joinMinShared + 1
	score := make([]float64, starts)
	best := 0
	var nodes [][2]int
	for s := range score {
		total, path := align(outer[s:], inner, spread)
		score[s] = total
		if len(path) >= joinMinShared && (nodes == nil || total > score[best]) {
			best, nodes = s, path
		}
	}
	if nodes == nil {
		return match{}
	}
	each := math.Log((1 - matchApart) / float64(starts))
	sum := matchApart / math.Exp(score[best]+each)
	for _, v := range score {
		sum += math.Exp(v - score[best])
	}
	m := match{certainty: 1 / sum}
	for _, n := range nodes {
		m.nodes = append(m.nodes, [2]int{outer[best+n[0]].at + 1, inner[n[1]].at + 1})
	}
	return m
}

// spread is the mean and standard deviation of log widths and tilts.
type spread struct{ log, logSD, tilt, tiltSD float64 }

func spreadOf(parts ...[]rung) spread {
	var s spread
	var n, ll, tt float64
	for _, part := range parts {
		for _, r := range part {
			if math.IsNaN(r.width) {
				continue
			}
			n++
			s.log, s.tilt = s.log+r.log, s.tilt+r.tilt
			ll, tt = ll+r.log*r.log, tt+r.tilt*r.tilt
		}
	}
	s.log, s.tilt = s.log/n, s.tilt/n
	s.logSD = math.Max(matchLog, math.Sqrt(math.Max(0, ll/n-s.log*s.log)))
	s.tiltSD = math.Max(matchTilt, math.Sqrt(math.Max(0, tt/n-s.tilt*s.tilt)))
	return s
}

// heavy is the logarithm of Student's t density with four degrees of freedom,
// which forgives single rings (up to a constant).
func heavy(x, sd float64) float64 {
	return -2.5*math.Log1p(x*x/(4*sd*sd)) - math.Log(sd)
}

// agree returns the log ratio by which a and b are one ring rather than two of
// the spread.
func (s spread) agree(a, b rung) float64 {
	if math.IsNaN(a.width) || math.IsNaN(b.width) {
		return 0
	}
	sd := math.Sqrt(matchLog*matchLog + a.sd*a.sd + b.sd*b.sd)
	return heavy(b.log-a.log, sd) - heavy(b.log-s.log, s.logSD) +
		heavy(b.tilt-a.tilt, matchTilt) - heavy(b.tilt-s.tilt, s.tiltSD)
}

// both returns two successive rings as the one they are if the boundary between
// them is none.
func both(a, b rung) rung {
	w := a.width + b.width
	return rung{w, math.Log(w), math.Hypot(a.sd*a.width, b.sd*b.width) / w, b.tilt, b.at}
}

// alignBand is how many boundaries either part may be ahead (chosen).
const alignBand = 4

// align sums over all alignments of two runs of rings that begin together, up
// to the end of either, and returns the logarithm and the boundaries matched in
// the most probable one.
func align(a, b []rung, s spread) (total float64, nodes [][2]int) {
	type cell struct {
		sum, best float64
		from      [2]int
	}
	minus := math.Inf(-1)
	width := 2*alignBand + 1
	grid := make([]cell, (len(a)+1)*width)
	for i := range grid {
		grid[i] = cell{sum: minus, best: minus}
	}
	at := func(i, j int) *cell {
		if k := j - i + alignBand; i <= len(a) && j <= len(b) && k >= 0 && k < width {
			return &grid[i*width+k]
		}
		return nil
	}
	at(0, 0).sum, at(0, 0).best = 0, 0
	total = minus
	var end [2]int
	for i := 0; i <= len(a); i++ {
		for j := max(0, i-alignBand); j <= min(len(b), i+alignBand); j++ {
			c := at(i, j)
			if math.IsInf(c.sum, -1) {
				continue
			}
			if i == len(a) || j == len(b) {
				if top := at(end[0], end[1]); math.IsInf(total, -1) || c.best > top.best {
					end = [2]int{i, j}
				}
				total = logAdd(total, c.sum)
				continue
			}
			step := func(di, dj int, gain float64) {
				if to := at(i+di, j+dj); to != nil {
					to.sum = logAdd(to.sum, c.sum+gain)
					if v := c.best + gain; v > to.best {
						to.best, to.from = v, [2]int{i, j}
					}
				}
			}
			step(1, 1, s.agree(a[i], b[j])+math.Log(1-2*matchSlip))
			if i+1 < len(a) {
				step(2, 1, s.agree(both(a[i], a[i+1]), b[j])+math.Log(matchSlip))
			}
			if j+1 < len(b) {
				step(1, 2, s.agree(a[i], both(b[j], b[j+1]))+math.Log(matchSlip))
			}
		}
	}
	for n := end; n != [2]int{}; n = at(n[0], n[1]).from {
		nodes = append(nodes, [2]int{n[0] - 1, n[1] - 1})
	}
	slices.Reverse(nodes)
	return total, nodes
}

func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}
