package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/phantom"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

// sample is one rendered core as the reader sees it, with its truth in columns.
type sample struct {
	Wood       measure.Wood
	Dir        int // +1: bark at low columns
	PerMM      float64
	Low, High  evidence.End
	Features   *evidence.Features
	Course     *strip.Course
	Span       evidence.Span // of the wood
	Whole      evidence.Span // with bark and what lies beyond the pith
	Boundaries []mark
	Veils      []veil  // where no boundary can be seen
	PithU      float64 // column of the pith; NaN where the core does not hold it

	cands []evidence.Candidate // of the column net, once it is learned
}

// mark is a true boundary; hidden ones are neither right nor wrong.
type mark struct {
	U      float64
	Hidden bool
}

// veil is a stretch of columns in which no boundary can be seen.
type veil struct {
	From, To float64
	Kind     string
}

// pixelsOf shows a rendered picture as the reader's pixels.
func pixelsOf(p *phantom.Picture) raster.Pixels {
	px := raster.Pixels{Width: p.Width, Height: p.Height, Channels: p.Channels}
	if p.U16 != nil {
		px.U16 = append([]uint16(nil), p.U16...)
		swap(px.U16, px.Channels)
	} else {
		px.U8 = append([]uint8(nil), p.U8...)
		swap(px.U8, px.Channels)
	}
	return px
}

// swap turns red, green, blue into blue, green, red.
func swap[T any](x []T, channels int) {
	for i := 0; channels == 3 && i < len(x); i += 3 {
		x[i], x[i+2] = x[i+2], x[i]
	}
}

// samplesOf reads the cores of a rendered tray along their true axes, put off
// by what finding them may be wrong: each as it is, and once varied.
func samplesOf(px raster.Pixels, t phantom.Truth, rng *rand.Rand) []sample {
	all := make([]*sample, 2*len(t.Cores))
	var wg sync.WaitGroup
	for i, c := range t.Cores {
		own := rand.New(rand.NewPCG(rng.Uint64(), 9))
		wg.Go(func() {
			for k, v := range []variation{asRendered(own), drawVariation(own, c.Wood, narrow(c))} {
				if s, ok := sampleOf(px, t, c, v, own); ok {
					all[2*i+k] = &s
				}
			}
		})
	}
	wg.Wait()
	var out []sample
	for _, s := range all {
		if s != nil {
			out = append(out, *s)
		}
	}
	return out
}

func sampleOf(px raster.Pixels, t phantom.Truth, c phantom.CoreTruth, v variation, rng *rand.Rand) (sample, bool) {
	if len(c.CentrelinePx) < 2 || len(c.Boundaries) < 8 {
		return sample{}, false
	}
	along := t.MMPerPx[0]
	if t.Upright {
		along = t.MMPerPx[1]
	}
	px, c = v.apply(px, c, along, rng)
	s := sample{Wood: c.Wood, PerMM: v.scale / along, Dir: 1}
	breadth := c.WidthMM / along
	axis := extended(c.CentrelinePx, c.BarkMM/along)
	off := 0.04 * breadth * rng.NormFloat64()
	for i := range axis {
		axis[i][0] += off * float64(btoi(t.Upright))
		axis[i][1] += off * float64(btoi(!t.Upright))
	}
	if c.BarkEnd == measure.Right || c.BarkEnd == measure.Bottom {
		s.Dir = -1
		for i, j := 0, len(axis)-1; i < j; i, j = i+1, j-1 {
			axis[i], axis[j] = axis[j], axis[i]
		}
	}
	raw := strip.Straighten(px, axis, breadth*(1+0.02*rng.NormFloat64()), 0.84)
	if raw.Cols < 200 {
		return sample{}, false
	}
	s.Course = strip.Follow(raw, s.PerMM)
	s.Features = evidence.Extract(raw.Flatten(s.Course), s.PerMM)
	onsets := [2][]float64{raw.Onsets(px, false, s.PerMM), raw.Onsets(px, true, s.PerMM)}
	s.Low, s.High = evidence.Ends(raw, onsets, s.PerMM)
	s.mark(raw, c)
	s.spans(raw, c, along)
	return s, true
}

// narrow is the width in px that one ring in ten falls short of.
func narrow(c phantom.CoreTruth) float64 {
	var widths []float64
	for i := 1; i < len(c.Boundaries); i++ {
		a, b := c.Boundaries[i-1].PointPx, c.Boundaries[i].PointPx
		widths = append(widths, math.Hypot(a[0]-b[0], a[1]-b[1]))
	}
	if len(widths) == 0 {
		return 0
	}
	slices.Sort(widths)
	return widths[len(widths)/10]
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// extended returns a line (bark to pith) made longer at its bark end.
func extended(line []measure.Point, by float64) []measure.Point {
	out := append([]measure.Point(nil), line...)
	if by <= 0 {
		return out
	}
	dx, dy := line[0][0]-line[1][0], line[0][1]-line[1][1]
	h := math.Hypot(dx, dy)
	return append([]measure.Point{{line[0][0] + by*dx/h, line[0][1] + by*dy/h}}, out...)
}

// mark finds the column at which each true boundary crosses the axis.
func (s *sample) mark(raw *strip.Strip, c phantom.CoreTruth) {
	for _, b := range c.Boundaries {
		u, ok := raw.Crossing(b.LinePx)
		if !ok {
			u, _ = raw.Locate(b.PointPx)
		}
		hidden := b.Hidden != nil || b.Kind == phantom.KindEdge || b.Kind == phantom.KindInner
		s.Boundaries = append(s.Boundaries, mark{u, hidden})
	}
}

// spans sets the wood's span and the whole core's.
func (s *sample) spans(raw *strip.Strip, c phantom.CoreTruth, along float64) {
	s.Whole = evidence.Span{From: 0, To: float64(raw.Cols - 1), Dir: s.Dir, PxPerMM: s.PerMM}
	for _, g := range c.Gaps {
		a, b := columnAt(raw, c, g.FromMM), columnAt(raw, c, g.ToMM)
		s.Whole.Openings = append(s.Whole.Openings, [2]float64{math.Min(a, b), math.Max(a, b)})
		s.Whole.Lost = append(s.Whole.Lost, g.Kind == measure.Lost)
	}
	for _, o := range c.Obscured {
		a, b := columnAt(raw, c, o.FromMM), columnAt(raw, c, o.ToMM)
		s.Veils = append(s.Veils, veil{math.Min(a, b), math.Max(a, b), o.Kind})
	}
	s.Span, s.PithU = s.Whole, math.NaN()
	outer, _ := raw.Locate(c.CentrelinePx[0])
	inner, _ := raw.Locate(c.CentrelinePx[len(c.CentrelinePx)-1])
	if c.PithPx != nil && c.PithPresent {
		inner, _ = raw.Locate(*c.PithPx)
		s.PithU = inner
	}
	s.Span.From, s.Span.To = math.Min(outer, inner), math.Max(outer, inner)
}

// columnAt returns the column of a length along the true centreline.
func columnAt(raw *strip.Strip, c phantom.CoreTruth, mm float64) float64 {
	k := 1
	for k < len(c.CentrelineSMM)-1 && c.CentrelineSMM[k] < mm {
		k++
	}
	a, b := c.CentrelineSMM[k-1], c.CentrelineSMM[k]
	f := (mm - a) / math.Max(b-a, 1e-9)
	p, q := c.CentrelinePx[k-1], c.CentrelinePx[k]
	u, _ := raw.Locate(measure.Point{p[0] + f*(q[0]-p[0]), p[1] + f*(q[1]-p[1])})
	return u
}

// slack is how far from boundary i a place may lie and still be taken for it:
// at least so many px and mm, and more in wide rings, where edges are softer.
func (s *sample) slack(i int, px, mm float64) float64 {
	const share = 0.06 // of the narrower ring beside it
	ring := math.Inf(1)
	for _, k := range []int{i - 1, i + 1} {
		if k >= 0 && k < len(s.Boundaries) {
			ring = math.Min(ring, math.Abs(s.Boundaries[i].U-s.Boundaries[k].U))
		}
	}
	return math.Max(math.Max(px, mm*s.PerMM), share*ring)
}

// label tells whether a column is a boundary (1), none (0), or too near one to
// be either (-1).
func (s *sample) label(u float64) int {
	right := math.Max(1.01, 0.02*s.PerMM)
	for i, b := range s.Boundaries {
		d, unsure := math.Abs(u-b.U), s.slack(i, 3, 0.07)
		switch {
		case b.Hidden && d < 2*unsure:
			return -1
		case d <= right:
			return 1
		case d < unsure:
			return -1
		}
	}
	return 0
}

// columns draws training columns: every boundary, and a share of the others.
func (s *sample) columns(rng *rand.Rand, share float64) []example {
	var out []example
	for u := int(s.Span.From); u <= int(s.Span.To); u++ {
		l := s.label(float64(u))
		w := float32(1)
		if l == 0 {
			if rng.Float64() > share {
				continue
			}
			w = float32(1 / share)
		}
		if l < 0 {
			continue
		}
		x := append([]float32(nil), s.Features.Row(u)...)
		if s.Dir < 0 {
			evidence.Turned(x, s.Features.Row(u))
		}
		out = append(out, example{x, l, w})
	}
	return out
}

// matched tells for each candidate (bark to pith) whether it is a boundary: 1
// for the nearest to each true one within the tolerance, -1 near hidden ones
// and for others within the tolerance, else 0.
func (s *sample) matched(cands []evidence.Candidate) []int {
	out := make([]int, len(cands))
	for i, b := range s.Boundaries {
		tol := s.slack(i, 2, 0.08)
		best := -1
		for i, c := range cands {
			d := math.Abs(c.U - b.U)
			if d > tol {
				continue
			}
			if out[i] == 0 {
				out[i] = -1
			}
			if !b.Hidden && (best < 0 || d < math.Abs(cands[best].U-b.U)) {
				best = i
			}
		}
		if best >= 0 {
			out[best] = 1
		}
	}
	return out
}

// proposed returns the candidates of the sample's own kind of wood.
func (s *sample) proposed(m *evidence.Model) []evidence.Candidate {
	if s.cands == nil {
		s.cands = m.Propose(s.Features, s.Wood, s.Span)
	}
	return s.cands
}
