// Package evidence asks of every place along a straightened core how much it
// looks like a ring boundary: what the wood does on either side, at several
// scales and in several channels, and how much of the breadth agrees.
package evidence

import (
	"math"

	"pithward/vision/raster"
	"pithward/vision/strip"
)

// channel is one property of the wood, as a plane of the flattened strip.
type channel int

const (
	light  channel = iota // brightness
	brown                 // red minus blue
	vessel                // unevenness across the breadth at the size of large vessels
	pore                  // unevenness finer than that
	channels
)

// shape is what is asked of a channel at a place.
type shape int

const (
	step  shape = iota // mean after minus mean before: odd, changes sign when the core is turned
	line               // mean here minus mean on both sides: even
	level              // mean here, against the core's own range: even
)

// question is one entry of the feature vector: two numbers each, the strength
// against the core's own contrast and the agreement across the breadth.
type question struct {
	channel channel
	shape   shape
	mm      float64 // half-length of the filter
}

// questions lists what is asked. Lengths run from the sharpest edge a scan at
// 1200 dpi can show (0.04 mm is two px) to a typical wide ring.
var questions = []question{
	{light, step, 0.03}, {light, step, 0.06}, {light, step, 0.12}, {light, step, 0.25}, {light, step, 0.5}, {light, step, 1.0}, {light, step, 2.0},
	{light, line, 0.03}, {light, line, 0.06}, {light, line, 0.12}, {light, line, 0.3},
	{light, level, 0.04}, {light, level, 0.3},
	{brown, step, 0.06}, {brown, step, 0.25}, {brown, line, 0.06},
	{vessel, step, 0.12}, {vessel, step, 0.25}, {vessel, step, 0.5}, {vessel, step, 1.0},
	{vessel, line, 0.12}, {vessel, level, 0.06}, {vessel, level, 0.3},
	{pore, step, 0.12}, {pore, step, 0.25}, {pore, step, 0.5}, {pore, step, 1.0},
	{pore, line, 0.06}, {pore, level, 0.3},
}

// FeatureCount is the number of values for each column.
var FeatureCount = 2 * len(questions)

// Features holds FeatureCount values for every column of a strip, each within
// -1..1: for each question its strength and its agreement.
type Features struct {
	Cols int
	At   []float32 // column after column
	// Sum describes the whole core: the same for every column, for telling
	// the kind of wood.
	Sum []float32
	// Mean holds each channel along the core, across the breadth; nil where
	// there is none.
	Mean [channels][]float32
}

// Row returns the features of one column.
func (f *Features) Row(u int) []float32 { return f.At[u*FeatureCount : (u+1)*FeatureCount] }

// odd tells for each value whether it changes sign when the core is turned
// end for end.
func odd(value int) bool { return questions[value/2].shape == step }

// plane is one channel, rows x cols, with its running sums along the rows. The
// sums of one column lie together, since every question is asked of columns.
type plane struct {
	rows, cols int
	sums       []float32 // (cols+1) x rows, relative to the row's mean
	mean       []float32 // across the rows, per column
	contrast   []float32 // local range of mean, per column
}

// Extract asks all questions of a flattened strip.
func Extract(s *strip.Strip, pxPerMM float64) *Features {
	f := &Features{Cols: s.Cols, At: make([]float32, s.Cols*FeatureCount)}
	planes := buildPlanes(s, pxPerMM)
	answers := make([]struct{ strength, agree []float32 }, len(questions))
	raster.InParallel(len(questions), func(q int) {
		ask, a := questions[q], &answers[q]
		if p := planes[ask.channel]; p != nil {
			a.strength, a.agree = p.answer(ask.shape, int(math.Max(1, math.Round(ask.mm*pxPerMM))))
		}
	})
	for u := range f.Cols {
		row := f.Row(u)
		for q, a := range answers {
			if a.strength != nil {
				row[2*q], row[2*q+1] = a.strength[u], a.agree[u]
			}
		}
	}
	for ch, p := range planes {
		if p != nil {
			f.Mean[ch] = p.mean
		}
	}
	f.Sum = summary(f, planes)
	return f
}

// buildPlanes derives the channels from a strip. brown is nil in gray scans.
func buildPlanes(s *strip.Strip, pxPerMM float64) [channels]*plane {
	var out [channels]*plane
	reach := int(5 * pxPerMM)
	out[light] = newPlane(s.Light, s.Rows, s.Cols, reach, 2)
	if s.Brown != nil {
		out[brown] = newPlane(s.Brown, s.Rows, s.Cols, reach, 2)
	}
	big, fine := unevenness(s, out[light].mean, pxPerMM)
	out[vessel] = newPlane(big, s.Rows, s.Cols, reach, 0.7)
	out[pore] = newPlane(fine, s.Rows, s.Cols, reach, 0.7)
	return out
}

// unevenness returns how far each place differs from the mean of its column,
// split into parts of the size of large earlywood vessels (0.1 mm and more)
// and finer ones. Layers themselves cancel; vessels, pores and rays stay.
func unevenness(s *strip.Strip, mean []float32, pxPerMM float64) (big, fine []float32) {
	big = make([]float32, len(s.Light))
	fine = make([]float32, len(s.Light))
	rest := make([]float32, s.Cols)
	slow, smooth := make([]float32, s.Cols), make([]float32, s.Cols)
	var sums strip.Running
	wide, mid := int(0.7*pxPerMM), int(math.Max(1, math.Round(0.05*pxPerMM)))
	for r := 0; r < s.Rows; r++ {
		row := s.Light[r*s.Cols : (r+1)*s.Cols]
		for u, x := range row {
			rest[u] = x - mean[u]
		}
		sums = sums.Of(rest)
		sums.Mean(slow, wide)
		sums.Mean(smooth, mid)
		bigRow, fineRow := big[r*s.Cols:][:s.Cols], fine[r*s.Cols:][:s.Cols]
		for u, x := range rest {
			bigRow[u] = abs(smooth[u] - slow[u])
			fineRow[u] = abs(x - smooth[u])
		}
	}
	return big, fine
}

// newPlane prepares a channel. floor is the smallest contrast, in the
// channel's unit, that is taken for signal.
func newPlane(x []float32, rows, cols, reach int, floor float32) *plane {
	p := &plane{rows: rows, cols: cols}
	p.mean = columnMean(x, rows, cols)
	p.contrast = spread(p.mean, reach)
	for u := range p.contrast {
		p.contrast[u] += floor
	}
	p.sums = make([]float32, rows*(cols+1))
	level, acc := make([]float64, rows), make([]float64, rows)
	for r := range level {
		level[r] = meanOf(x[r*cols : (r+1)*cols])
	}
	for from := 0; from < cols; from += sumBlock {
		to := min(cols, from+sumBlock)
		for r, total := range acc {
			m, at := level[r], (from+1)*rows+r
			for _, v := range x[r*cols+from : r*cols+to] {
				total += float64(v) - m
				p.sums[at] = float32(total)
				at += rows
			}
			acc[r] = total
		}
	}
	return p
}

// sumBlock is how many columns are turned at once: few enough to stay near the
// processor (chosen).
const sumBlock = 64

// meanOf is the mean of a row, in four sums that do not wait for each other.
func meanOf(row []float32) float64 {
	var a, b, c, d float64
	rest := row
	for ; len(rest) >= 4; rest = rest[4:] {
		a, b, c, d = a+float64(rest[0]), b+float64(rest[1]), c+float64(rest[2]), d+float64(rest[3])
	}
	for _, v := range rest {
		a += float64(v)
	}
	return (a + b + c + d) / float64(len(row))
}

// columnMean returns the mean of each column with outlying rows pulled in, so
// that a crack along the core or a pencil dot does not rule.
func columnMean(x []float32, rows, cols int) []float32 {
	sum, sq := make([]float32, cols), make([]float32, cols)
	for r := 0; r < rows; r++ {
		for u, v := range x[r*cols : (r+1)*cols] {
			sum[u] += v
			sq[u] += v * v
		}
	}
	lo, hi := make([]float32, cols), make([]float32, cols)
	for u := range sum {
		lo[u], hi[u] = limits(sum[u], sq[u], rows)
	}
	clear(sum)
	for r := 0; r < rows; r++ {
		for u, v := range x[r*cols : (r+1)*cols] {
			sum[u] += min(hi[u], max(lo[u], v))
		}
	}
	for u := range sum {
		sum[u] /= float32(rows)
	}
	return sum
}

// limits returns mean -/+ 1.3 standard deviations of n values, given their sum
// and the sum of their squares.
func limits(sum, sq float32, n int) (lo, hi float32) {
	m := sum / float32(n)
	sd := float32(math.Sqrt(float64(max(0, sq/float32(n)-m*m))))
	return m - 1.3*sd, m + 1.3*sd
}

// answer gives strength and agreement of one question for every column.
func (p *plane) answer(sh shape, reach int) (strength, agree []float32) {
	mean, spread := make([]float32, p.cols), make([]float32, p.cols) // across the breadth
	vals := make([]float32, p.rows)
	half := max(0, (reach-1)/2)
	k := weights(sh, reach, half)
	for u := range mean {
		a, b, c, d := edges(sh, u, reach, half)
		if a >= 0 && d <= p.cols {
			mean[u], spread[u] = meanAndSpread(vals, p.upTo(a), p.upTo(b), p.upTo(c), p.upTo(d), &k)
			continue
		}
		p.atRim(vals, sh, u, reach, half)
		mean[u], spread[u] = meanAndSpread(vals, p.upTo(0), p.upTo(0), vals, vals, &[3]float32{0, 1, 0})
	}
	var centre []float32
	if sh == level {
		centre = strip.BoxMean(mean, 8*reach+200)
	}
	strength, agree = mean, spread // each is read before it is written
	for u, m := range mean {
		if centre != nil {
			m -= centre[u]
		}
		strength[u] = squash(m / p.contrast[u])
		agree[u] = m / (float32(math.Sqrt(float64(m*m+spread[u]))) + 0.05)
	}
	return strength, agree
}

// upTo returns the sums of all rows over the columns before u.
func (p *plane) upTo(u int) []float32 { return p.sums[u*p.rows:][:p.rows] }

// edges returns where the filter of a shape begins, changes and ends at column u.
func edges(sh shape, u, reach, half int) (a, b, c, d int) {
	switch sh {
	case step:
		return u - reach, u, u + 1, u + 1 + reach
	case line:
		return u - half - reach, u - half, u + half + 1, u + half + 1 + reach
	default:
		return u - half, u - half, u + half + 1, u + half + 1
	}
}

// weights returns what a column counts in the three parts of a shape's filter.
func weights(sh shape, reach, half int) [3]float32 {
	side, here := 1/float32(reach), 1/float32(2*half+1)
	switch sh {
	case step:
		return [3]float32{-side, 0, side}
	case line:
		return [3]float32{-side / 2, here, -side / 2}
	default:
		return [3]float32{0, here, 0}
	}
}

// atRim answers near an end of the strip, where the filter would leave it, by
// what is there; 0 where a side of the filter has nothing left.
func (p *plane) atRim(dst []float32, sh shape, u, reach, half int) {
	for r := range dst {
		none := false
		mean := func(a, b int) float32 {
			a, b = max(0, a), min(p.cols, b)
			if b <= a {
				none = true
				return 0
			}
			return (p.sums[b*p.rows+r] - p.sums[a*p.rows+r]) / float32(b-a)
		}
		switch sh {
		case step:
			dst[r] = mean(u+1, u+1+reach) - mean(u-reach, u)
		case line:
			dst[r] = mean(u-half, u+half+1) - 0.5*(mean(u-half-reach, u-half)+mean(u+half+1, u+half+1+reach))
		case level:
			dst[r] = mean(u-half, u+half+1)
		}
		if none {
			dst[r] = 0
		}
	}
}

// summary describes the whole core by the mean size of every answer and a few
// absolute properties of the wood's texture.
func summary(f *Features, planes [channels]*plane) []float32 {
	out := make([]float32, FeatureCount)
	for u := 0; u < f.Cols; u++ {
		for k, v := range f.Row(u) {
			out[k] += abs(v)
		}
	}
	for k := range out {
		out[k] /= float32(max(1, f.Cols))
	}
	for _, p := range planes {
		var m, c float32
		if p != nil {
			for u := range p.mean {
				m += p.mean[u]
				c += p.contrast[u]
			}
			m, c = m/float32(p.cols), c/float32(p.cols)
		}
		out = append(out, m/40, c/20)
	}
	return out
}

// spread returns the standard deviation of x within reach of each place.
func spread(x []float32, reach int) []float32 {
	m := strip.BoxMean(x, reach)
	sq := make([]float32, len(x))
	for i, v := range x {
		d := v - m[i]
		sq[i] = d * d
	}
	out := strip.BoxMean(sq, reach)
	for i, v := range out {
		out[i] = float32(math.Sqrt(float64(max(0, v))))
	}
	return out
}

// squash keeps large answers from ruling: it maps x into -1..1, and 2 to 1/2.
func squash(x float32) float32 { return 0.5 * x / (1 + 0.5*abs(x)) }

// abs takes the sign's bit off, without a branch that might be guessed wrongly.
func abs(x float32) float32 { return math.Float32frombits(math.Float32bits(x) &^ (1 << 31)) }
