package evidence

import (
	"math"

	"pithward/measure"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// Known is what is given about a core beforehand; zero values: to be told from
// the picture.
type Known struct {
	Onsets [2][]float64 // how far the ground is seen in each row at the low and the high end, px
	Wood   measure.Wood
	Dir    int // +1: bark at low columns, -1: at high ones
}

// Look is what a core looks like as a whole.
type Look struct {
	Wood            measure.Wood
	WoodGiven       bool
	WoodProbability float64
	BarkProbability float64 // that bark (or the outer side) is at the end Span.Dir says
	BarkPresent     bool
	BarkScore       float64 // log likelihood ratio for bark at the bark end
	Pith            *Pith   // nil where the core does not reach it
	Span            Span    // the wood between bark and pith, direction set
	Beyond          *Span   // the wood on the other side of the pith, read towards it; nil without any worth reading
	odds            *odds
	ground          [2]float64 // at the low and the high end, px
}

// barkScore is the log likelihood ratio above which bark is taken to be there.
const barkScore = 6

// Judge decides the kind of wood, which end is bark, whether bark and pith are
// there, and so where the wood begins and ends. raw is the strip before it was
// flattened, span the whole core.
func (m *Model) Judge(f *Features, c *strip.Course, raw *strip.Strip, span Span, known Known) Look {
	look := Look{Span: span, odds: m.oddsOf(f)}
	woods := m.woodOf(look.odds, span)
	look.Wood, look.WoodProbability = bestWood(woods)
	if known.Wood != "" {
		look.Wood, look.WoodGiven = known.Wood, true
		for i, w := range Woods {
			if w == known.Wood {
				look.WoodProbability = woods[i]
			}
		}
		woods = given(known.Wood)
	}
	low, high := Ends(raw, known.Onsets, span.PxPerMM)
	signs := BarkSigns(c, low, high, m.better(look.odds, span, woods), span.PxPerMM)
	p := m.BarkAtLow(signs)
	look.Span.Dir, look.BarkProbability = 1, p
	if p < 0.5 {
		look.Span.Dir, look.BarkProbability = -1, 1-p
	}
	if known.Dir != 0 && known.Dir != look.Span.Dir {
		look.Span.Dir, look.BarkProbability = known.Dir, 1-look.BarkProbability
	}
	look.trimGround(known.Onsets)
	look.trimBark(low, high)
	look.trimSlivers()
	look.trimPith(c, raw)
	look.Span.Veils = m.Veils(f, look.Span)
	return look
}

// WoodOf returns the probability of each of Woods for a core, by its looks and
// by how it reads.
func (m *Model) WoodOf(f *Features, span Span) []float64 {
	return m.woodOf(m.oddsOf(f), span)
}

func (m *Model) woodOf(o *odds, span Span) []float64 {
	return m.readable(m.WoodProbabilities(o.f), o, span)
}

// unsureWood is the probability under which the looks alone do not decide the
// kind of wood.
const unsureWood = 0.9

// readable weighs the kinds of wood, where their looks leave doubt, by how well
// the core can be read as each: its log evidence per boundary, in the better
// direction, is added to the log of the probability.
func (m *Model) readable(woods []float64, o *odds, span Span) []float64 {
	if _, p := bestWood(woods); p >= unsureWood {
		return woods
	}
	x := make([]float32, len(Woods))
	for i, w := range Woods {
		best := math.Inf(-1)
		for _, dir := range []int{1, -1} {
			span.Dir = dir
			r := m.glance(o.of(w, dir), w, span)
			best = math.Max(best, r.Score/math.Max(5, r.Count))
		}
		x[i] = float32(math.Log(math.Max(woods[i], 1e-4)) + best)
	}
	return softmax(x)
}

func bestWood(p []float64) (measure.Wood, float64) {
	best := 0
	for i := range p {
		if p[i] > p[best] {
			best = i
		}
	}
	return Woods[best], p[best]
}

func given(w measure.Wood) []float64 {
	p := make([]float64, len(Woods))
	for i := range p {
		if Woods[i] == w {
			p[i] = 1
		}
	}
	return p
}

// Better compares the readings in both directions, for each kind of wood: the
// difference of their log evidence per boundary, limited, times the kind's
// probability.
func (m *Model) Better(f *Features, span Span, woods []float64) [3]float64 {
	return m.better(m.oddsOf(f), span, woods)
}

func (m *Model) better(o *odds, span Span, woods []float64) [3]float64 {
	var out [3]float64
	for i, w := range Woods {
		if woods[i] < 0.15 {
			continue
		}
		var r [2]Reading
		score := [2][]float32{o.of(w, 1), o.of(w, -1)}
		raster.InParallel(2, func(k int) {
			way := span
			way.Dir = 1 - 2*k
			r[k] = m.glance(score[k], w, way)
		})
		n := math.Max(5, (r[0].Count+r[1].Count)/2)
		out[i] = woods[i] * math.Tanh((r[0].Score-r[1].Score)/n)
	}
	return out
}

// BarkAtLow is the probability that bark is at low columns.
func (m *Model) BarkAtLow(signs [BarkCount]float32) float64 {
	out := make([]float32, 1)
	m.Bark.Apply(signs[:], make([]float32, m.Bark.Hidden), out)
	turned := signs
	for i := range turned {
		turned[i] = -turned[i]
	}
	back := make([]float32, 1)
	m.Bark.Apply(turned[:], make([]float32, m.Bark.Hidden), back)
	return sigmoid(float64(out[0]-back[0]) / 2) // odd by construction
}

// trimGround takes off the span what of the ground was found with the core.
func (l *Look) trimGround(onsets [2][]float64) {
	l.ground = [2]float64{median(onsets[0]), median(onsets[1])}
	l.Span.From += l.ground[0]
	l.Span.To -= l.ground[1]
}

// trimBark takes bark off the span.
func (l *Look) trimBark(low, high End) {
	end := low
	if l.Span.Dir < 0 {
		end = high
	}
	l.BarkScore = end.Score
	l.BarkPresent = end.Score > barkScore && !l.ringed(end)
	if !l.BarkPresent {
		return
	}
	if l.Span.Dir > 0 {
		l.Span.From += end.BarkPx - l.ground[0]
	} else {
		l.Span.To -= end.BarkPx - l.ground[1]
	}
}

// sliver is what is too short to be a piece of the core, mm: beyond an opening at
// its end, a groove's rim or a speck.
const sliver = 0.5

// trimSlivers ends the wood at the first opening from an end that leaves no more
// than a sliver beyond. Behind bark it may be the newest ring.
func (l *Look) trimSlivers() {
	s := &l.Span
	for _, o := range s.Openings {
		if o[0]-s.From <= sliver*s.PxPerMM && o[1] > s.From && o[1] < s.To && !(l.BarkPresent && s.Dir > 0) {
			s.From = o[1]
		}
	}
	for i := len(s.Openings) - 1; i >= 0; i-- {
		if o := s.Openings[i]; s.To-o[1] <= sliver*s.PxPerMM && o[0] < s.To && o[0] > s.From && !(l.BarkPresent && s.Dir < 0) {
			s.To = o[0]
		}
	}
}

// ringed tells whether a stretch taken for bark holds a sequence of sure rings:
// then it is stained wood.
func (l *Look) ringed(end End) bool {
	const shortest, rings = 2.5, 3 // mm of bark that might hide rings, sure boundaries that tell
	if end.BarkPx < shortest*l.Span.PxPerMM {
		return false
	}
	span := l.Span
	margin := 0.4 * span.PxPerMM
	if span.Dir > 0 {
		span.From, span.To = span.From+margin, span.From+end.BarkPx-margin
	} else {
		span.From, span.To = span.To-end.BarkPx+margin, span.To-margin
	}
	sure := 0
	for _, c := range candidatesIn(l.odds.of(l.Wood, span.Dir), span) {
		if c.LogOdds > 2 {
			sure++
		}
	}
	return sure >= rings
}

// trimPith ends the span at the pith where the core reaches it.
func (l *Look) trimPith(c *strip.Course, raw *strip.Strip) {
	l.Pith = FindPith(c, raw, l.Span)
	if l.Pith == nil {
		return
	}
	l.keepBeyond()
	if l.Span.Dir > 0 {
		l.Span.To = l.Pith.U
	} else {
		l.Span.From = l.Pith.U
	}
}

// leastBeyond is how much wood beyond the pith is worth reading, mm.
const leastBeyond = 3

// keepBeyond notes the wood on the other side of the pith.
func (l *Look) keepBeyond() {
	s := l.Span
	if s.Dir > 0 {
		s.From = l.Pith.U
	} else {
		s.To = l.Pith.U
	}
	if s.Dir = -s.Dir; s.To-s.From > leastBeyond*s.PxPerMM {
		l.Beyond = &s
	}
}

// SecondRadius returns the look at the wood beyond the pith, from its outer
// end to the pith; false where there is none.
func (m *Model) SecondRadius(f *Features, l Look) (Look, bool) {
	if l.Beyond == nil {
		return l, false
	}
	l.Span, l.Beyond, l.BarkPresent = *l.Beyond, nil, false
	l.Span.Veils = m.Veils(f, l.Span)
	return l, true
}
