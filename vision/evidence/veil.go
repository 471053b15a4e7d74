package evidence

import (
	"math"

	"pithward/measure"
)

// Veil is a stretch of columns of standing wood in which no boundary can be
// seen.
type Veil struct {
	From, To float64
	Kind     string
}

// VeilKinds lists what hides wood, in the order of the model's outputs; the
// first output is for open wood.
var VeilKinds = []string{measure.Smear, measure.Rot, measure.Knot, measure.Stain, measure.Glue}

const (
	veilBlockMM   = 0.2
	shortestVeil  = 0.35 // mm; less cannot hide a boundary that its neighbours do not tell of
	veilOpen      = 1.5  // log odds that any wood is open, which the net holds and the chain does not want twice
	veilSwitch    = 2.0  // log odds that a stretch of hidden wood must gain for each of its two edges
	veilLeast     = 2.0  // and as a whole, beyond these
	blockOwn      = 14   // values of a block
	VeilSignCount = 2 * blockOwn
)

// Blocks cuts the strip into blocks of 0.2 mm and describes each by how it
// differs from the rest of this core: in tone, colour and unevenness, in how
// common its look is, in how much its columns agree on any edge. Beside its
// own values each block has those of its neighbours, on average. BlockPx is the
// length of one.
func (f *Features) Blocks(span Span) (signs [][]float32, blockPx float64) {
	size := max(3, int(math.Round(veilBlockMM*span.PxPerMM)))
	n := f.Cols / size
	own := make([][blockOwn]float32, n)
	looks := f.looks(size, n)
	centre, width := f.usual(looks, span, size)
	for b := range own {
		x := &own[b]
		for ch := range channels {
			z := (looks[b][ch] - centre[ch]) / width[ch]
			x[ch], x[4+ch] = squash(z), abs(squash(z))
		}
		for k, q := range []question{{light, step, 0.12}, {light, step, 0.25}, {vessel, step, 0.25}, {light, line, 0.12}} {
			x[8+k] = f.meanSize(q, b*size, (b+1)*size)
		}
	}
	for b, rare := range rarity(looks, width, int(1.5*span.PxPerMM)/size) {
		own[b][12] = rare
	}
	for b := range own {
		own[b][13] = tonesWithin(f.Mean[light], b*size, (b+1)*size) / (width[light] + 2)
	}
	for b := range own {
		row := make([]float32, VeilSignCount)
		copy(row, own[b][:])
		var count float32
		for d := -2; d <= 2; d++ {
			if d != 0 && b+d >= 0 && b+d < n {
				count++
				for k, v := range own[b+d] {
					row[blockOwn+k] += v
				}
			}
		}
		for k := range own[b] {
			row[blockOwn+k] /= max(1, count)
		}
		signs = append(signs, row)
	}
	return signs, float64(size)
}

// looks are the means of the channels over each block; 0 for none.
func (f *Features) looks(size, n int) [][channels]float32 {
	out := make([][channels]float32, n)
	for ch, mean := range f.Mean {
		if mean == nil {
			continue
		}
		for b := range out {
			var sum float32
			for _, v := range mean[b*size : (b+1)*size] {
				sum += v
			}
			out[b][ch] = sum / float32(size)
		}
	}
	return out
}

// usual returns the median of each channel over the wood and the median
// distance from it, no less than a scan's own unevenness.
func (f *Features) usual(looks [][channels]float32, span Span, size int) (centre, width [channels]float32) {
	floor := [channels]float32{4, 2, 0.7, 0.7}
	for ch := range channels {
		var x []float64
		for b := range looks {
			if u := float64(b * size); u >= span.From && u <= span.To {
				x = append(x, float64(looks[b][ch]))
			}
		}
		m := median(x)
		for i := range x {
			x[i] = math.Abs(x[i] - m)
		}
		centre[ch], width[ch] = float32(m), max(floor[ch], float32(1.5*median(x)))
	}
	return centre, width
}

// meanSize is the mean size of the agreement on a question over columns.
func (f *Features) meanSize(q question, from, to int) float32 {
	for k, have := range questions {
		if have == q {
			var sum float32
			for u := from; u < to; u++ {
				sum += abs(f.At[u*FeatureCount+2*k+1])
			}
			return sum / float32(to-from)
		}
	}
	return 0
}

// rarity tells for each block how few of the blocks further off than apart
// look like it: 0 where many do, 1 where none does.
func rarity(looks [][channels]float32, width [channels]float32, apart int) []float32 {
	out := make([]float32, len(looks))
	const most = 400 // blocks compared with
	step := max(1, len(looks)/most)
	for b := range looks {
		var like, n float32
		for o := 0; o < len(looks); o += step {
			if o > b-apart && o < b+apart {
				continue
			}
			var d2 float32
			for ch := range width {
				d := (looks[b][ch] - looks[o][ch]) / width[ch]
				d2 += d * d
			}
			n++
			like += 1 / (1 + d2*d2) // a quick bell
		}
		out[b] = 1 / (1 + 40*like/max(1, n))
	}
	return out
}

// tonesWithin is the deviation of x over columns.
func tonesWithin(x []float32, from, to int) float32 {
	var sum, sq float32
	for _, v := range x[from:to] {
		sum += v
	}
	m := sum / float32(to-from)
	for _, v := range x[from:to] {
		sq += (v - m) * (v - m)
	}
	return float32(math.Sqrt(float64(sq / float32(to-from))))
}

// Veils finds the stretches of the span in which the wood is hidden: the most
// probable way to part it into open and hidden wood, the blocks judged one by
// one by a small net, each change costing the same.
func (m *Model) Veils(f *Features, span Span) []Veil {
	if m.Veil == nil {
		return nil
	}
	signs, px := f.Blocks(span)
	odds := make([]float64, len(signs))
	kinds := make([][]float64, len(signs))
	h, y := make([]float32, m.Veil.Hidden), make([]float32, m.Veil.Out)
	for b, x := range signs {
		m.Veil.Apply(x, h, y)
		kinds[b] = softmax(y)
		odds[b] = logit(1-kinds[b][0]) + veilOpen
		if mid := (float64(b) + 0.5) * px; mid < span.From || mid > span.To || span.opened(mid) {
			odds[b] = -2 * veilSwitch
		}
	}
	var out []Veil
	for _, r := range hiddenRuns(odds) {
		v := Veil{From: math.Max(span.From, float64(r[0])*px), To: math.Min(span.To, float64(r[1])*px)}
		var sum float64
		tally := make([]float64, len(VeilKinds))
		for b := r[0]; b < r[1]; b++ {
			sum += odds[b]
			for k := range tally {
				tally[k] += math.Log(math.Max(1e-4, kinds[b][1+k]))
			}
		}
		if v.To-v.From < shortestVeil*span.PxPerMM || sum < 2*veilSwitch+veilLeast {
			continue
		}
		best := 0
		for k := range tally {
			if tally[k] > tally[best] {
				best = k
			}
		}
		v.Kind = VeilKinds[best]
		out = append(out, v)
	}
	return out
}

// hiddenRuns parts blocks into open and hidden ones (Viterbi, two states) and
// returns the hidden runs, each from its first block to the one behind.
func hiddenRuns(odds []float64) [][2]int {
	n := len(odds)
	from := make([][2]int, n)
	open, hidden := 0.0, -veilSwitch
	for b, o := range odds {
		nextOpen, nextHidden := open, hidden
		from[b] = [2]int{0, 1}
		if hidden-veilSwitch > open {
			nextOpen, from[b][0] = hidden-veilSwitch, 1
		}
		if open-veilSwitch > hidden {
			nextHidden, from[b][1] = open-veilSwitch, 0
		}
		open, hidden = nextOpen, nextHidden+o
	}
	state := 0
	if hidden > open {
		state = 1
	}
	var out [][2]int
	end := -1
	for b := n - 1; b >= 0; b-- {
		if state == 1 && end < 0 {
			end = b + 1
		}
		was := from[b][state]
		if state == 1 && (was == 0 || b == 0) {
			out = append([][2]int{{b, end}}, out...)
			end = -1
		}
		state = was
	}
	return out
}

// opened tells whether column u lies in a gap.
func (s Span) opened(u float64) bool {
	for _, o := range s.Openings {
		if u >= o[0] && u <= o[1] {
			return true
		}
	}
	return false
}
