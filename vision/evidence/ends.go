package evidence

import (
	"math"
	"slices"

	"pithward/vision/strip"
)

// End is what one end of a core looks like.
type End struct {
	BarkPx float64 // length of what is not like the wood behind it, px
	Score  float64 // log likelihood ratio for that length against none
	Dark   float64 // how much darker it is than that wood, in its deviations
}

// Ends looks at both ends of a core for bark: a stretch of at least 0.35 mm
// from the end that is unlike the wood that follows, in brightness, colour and
// unevenness. The wood's own look is taken from the 30 mm behind, so that
// sapwood is compared with sapwood. raw is the strip before it was flattened,
// onsets how far the ground is seen in each row at the low and the high end.
func Ends(raw *strip.Strip, onsets [2][]float64, pxPerMM float64) (low, high End) {
	return blocksOf(raw, onsets[0], false, pxPerMM).end(), blocksOf(raw, onsets[1], true, pxPerMM).end()
}

// blocks are means over short stretches from one end of the core on: light,
// brown, and the unevenness across the breadth.
type blocks struct {
	at    [][3]float64
	px    float64 // length of one
	perMM float64 // blocks a mm
	onset float64 // where wood or bark begins, px from the end: the middle row's
}

const blockMM = 0.12

// blocksOf averages up to 46 mm of the strip in blocks. Each row begins where
// its ground ends, so that a ragged end is not taken for bark.
func blocksOf(raw *strip.Strip, onset []float64, high bool, pxPerMM float64) *blocks {
	size := int(math.Max(1, math.Round(blockMM*pxPerMM)))
	b := &blocks{px: float64(size), perMM: pxPerMM / float64(size), onset: median(onset)}
	n := min(int(46*b.perMM), (raw.Cols-int(slices.Max(onset)))/size)
	for i := range n {
		b.at = append(b.at, blockOf(raw, onset, high, i*size, size))
	}
	return b
}

func blockOf(raw *strip.Strip, onset []float64, high bool, from, size int) [3]float64 {
	var x [3]float64
	var square float64
	for r := range raw.Rows {
		a := int(onset[r]) + from
		if high {
			a = raw.Cols - a - size
		}
		var l, br float64
		for u := r*raw.Cols + a; u < r*raw.Cols+a+size; u++ {
			l += float64(raw.Light[u])
			if raw.Brown != nil {
				br += float64(raw.Brown[u])
			}
		}
		l /= float64(size)
		x[0] += l
		x[1] += br / float64(size)
		square += l * l
	}
	rows := float64(raw.Rows)
	x[0], x[1] = x[0]/rows, x[1]/rows
	x[2] = math.Sqrt(math.Max(0, square/rows-x[0]*x[0]))
	return x
}

// end finds the length of bark at the low end that explains the blocks best.
func (b *blocks) end() End {
	mm := func(x float64) int { return int(x * b.perMM) }
	longest := min(mm(12), len(b.at)/3)
	wood := b.at[min(len(b.at), longest):min(len(b.at), longest+mm(30))]
	if len(wood) < mm(3) {
		return End{}
	}
	// The first millimetres of wood behind the bark belong to the wood's own
	// look only once the bark's length is known: two rounds.
	best := b.longestUnlike(wood, longest)
	if n := b.count(best); n > 0 {
		from := n + mm(0.5)
		wood = b.at[min(len(b.at), from):min(len(b.at), from+mm(30))]
		best = b.longestUnlike(wood, min(longest, n+mm(1)))
	}
	if best.Score < 1.7*float64(b.count(best)) {
		best = b.split(best)
	}
	if best.BarkPx < 0.35*b.perMM*b.px {
		return End{}
	}
	best.BarkPx += b.onset
	return best
}

func (b *blocks) count(e End) int { return int(e.BarkPx/b.px + 0.5) }

// split looks whether only the outer part of a long stretch is bark and the
// rest stained or young sapwood: the outer part must be as unlike the 4 mm
// behind it as bark is unlike wood.
func (b *blocks) split(whole End) End {
	n := b.count(whole)
	reach := int(4 * b.perMM)
	best := End{}
	for k := 3; k < n-int(0.6*b.perMM); k++ {
		behind := b.at[min(len(b.at), k+1):min(len(b.at), k+1+reach)]
		if e := b.upTo(behind, k); e.Score > best.Score && e.Score > 1.2*float64(k) {
			best = e
		}
	}
	if best.Score > 6 {
		return best
	}
	return whole
}

// longestUnlike returns the stretch from the low end whose summed log
// likelihood ratio "not this wood" against "this wood" is highest.
func (b *blocks) longestUnlike(wood [][3]float64, longest int) End {
	_, dev := momentsOf(wood)
	var sum, top float64
	end := 0
	for i := 0; i < longest && i < len(b.at); i++ {
		if sum += unlike(b.at[i], wood, dev); sum > top {
			top, end = sum, i+1
		}
	}
	if end == 0 {
		return End{}
	}
	return b.upTo(wood, end)
}

// upTo describes the first blocks, up to end, against wood.
func (b *blocks) upTo(wood [][3]float64, end int) End {
	mean, dev := momentsOf(wood)
	e := End{BarkPx: float64(end) * b.px}
	for _, x := range b.at[:min(end, len(b.at))] {
		e.Score += unlike(x, wood, dev)
		e.Dark += (mean[0] - x[0]) / dev[0] / float64(end)
	}
	return e
}

// unlike is the log likelihood ratio of one block: spread evenly over a range
// of several deviations, against the kernel density of the wood's blocks.
func unlike(x [3]float64, wood [][3]float64, dev [3]float64) float64 {
	const width = 0.35 // of the kernel, in deviations
	var density float64
	for _, w := range wood {
		var d2 float64
		for k := range x {
			d := (x[k] - w[k]) / (width * dev[k])
			d2 += d * d
		}
		if d2 < 30 {
			density += math.Exp(-d2 / 2)
		}
	}
	density /= float64(len(wood)) * math.Pow(width*math.Sqrt(2*math.Pi), 3)
	const even = 1.0 / (6 * 6 * 6)
	return math.Max(-2, math.Min(2, math.Log(even/(density+1e-6))-2))
}

// momentsOf returns mean and deviation of each property, the latter not below
// what a scan's own unevenness gives.
func momentsOf(x [][3]float64) (mean, dev [3]float64) {
	floor := [3]float64{6, 3, 1}
	for k := range mean {
		var sum, sq float64
		for _, v := range x {
			sum += v[k]
			sq += v[k] * v[k]
		}
		n := float64(len(x))
		mean[k] = sum / n
		dev[k] = math.Max(floor[k], math.Sqrt(math.Max(0, sq/n-mean[k]*mean[k])))
	}
	return mean, dev
}

// BarkCount is the number of values by which the two ends are compared.
const BarkCount = 8

// BarkSigns compares a core's two ends by what tells bark from pith. Every
// value changes its sign when the core is turned end for end; positive
// speaks for bark at low columns.
//   - the arcs of the rings bend round the pith;
//   - layers lie steeper against the core near the pith;
//   - an end that is not like the wood is bark, a dark one more so;
//   - the picture reads better in the right direction (better, fromLow less
//     fromHigh, is the difference of the readings' log evidence for each kind
//     of wood, per boundary).
func BarkSigns(c *strip.Course, low, high End, better [3]float64, pxPerMM float64) [BarkCount]float32 {
	var bend, weight, steepLow, steepHigh float64
	n := len(c.Slope)
	for k := range c.Slope {
		w := c.Agree[k] * c.Agree[k]
		bend += w * math.Tanh(c.Bend[k]*pxPerMM*40)
		weight += w
		if k < n/3 {
			steepLow += math.Abs(c.Slope[k])
		} else if k >= n-n/3 {
			steepHigh += math.Abs(c.Slope[k])
		}
	}
	third := math.Max(1, float64(n/3))
	x := [BarkCount]float64{
		2 * bend / math.Max(weight, 1e-9),
		4 * (steepHigh - steepLow) / third,
		math.Tanh(low.Score/30) - math.Tanh(high.Score/30),
		math.Tanh(low.Score/30)*math.Tanh(low.Dark/2) - math.Tanh(high.Score/30)*math.Tanh(high.Dark/2),
		math.Tanh(low.BarkPx/pxPerMM/2) - math.Tanh(high.BarkPx/pxPerMM/2),
	}
	copy(x[5:], better[:])
	var out [BarkCount]float32
	for k, v := range x {
		out[k] = float32(math.Max(-3, math.Min(3, v)))
	}
	return out
}
