package evidence

import (
	"math"
	"slices"

	"pithward/measure"
)

// Candidate is a place that may be a boundary.
type Candidate struct {
	U       float64 // column, to a fraction
	LogOdds float64 // from the place itself, prior odds of the training set included
	// BreadthPx is the breadth of the peak of the log odds: where they have
	// fallen by one half.
	BreadthPx float64
}

// leastLogOdds is below what no candidate is worth keeping: about one in a
// thousand. A candidate missed here is lost for good.
const leastLogOdds = -7

// Candidates returns the local maxima of the log odds along a core, from low
// to high columns, at least two columns apart.
func Candidates(score []float32) []Candidate {
	var out []Candidate
	for u := 1; u+1 < len(score); u++ {
		a, b, c := score[u-1], score[u], score[u+1]
		if b < leastLogOdds || b < a || b <= c {
			continue
		}
		d := float64(a - 2*b + c)
		off := 0.0
		if d < 0 {
			off = 0.5 * float64(a-c) / d
		}
		cand := Candidate{U: float64(u) + off, LogOdds: float64(b), BreadthPx: 1 / math.Sqrt(math.Max(-d, 1e-3))}
		if n := len(out); n > 0 && cand.U-out[n-1].U < 2 {
			if cand.LogOdds > out[n-1].LogOdds {
				out[n-1] = cand
			}
			continue
		}
		out = append(out, cand)
	}
	return out
}

// contextCount is the number of values that describe a candidate in its
// surroundings.
const contextCount = 16

// SecondCount is the number of values of the second look: a candidate's
// surroundings, and its own features.
var SecondCount = contextCount + FeatureCount

// SecondLook describes each candidate for the second look: its surroundings
// and, seen from the bark, the features of its column.
func SecondLook(f *Features, cands []Candidate, first measure.Inference, pxPerMM float64, dir int) [][]float32 {
	out := make([][]float32, len(cands))
	for i, x := range context(f, cands, first, pxPerMM, dir) {
		out[i] = make([]float32, SecondCount)
		copy(out[i], x[:])
		u := max(0, min(f.Cols-1, int(cands[i].U+0.5)))
		own := out[i][contextCount:]
		copy(own, f.Row(u))
		if dir < 0 {
			Turned(own, f.Row(u))
		}
	}
	return out
}

// context describes each candidate among its neighbours and against this
// core's own typical boundary, as a first reading of the core knows it: the
// second look. pxPerMM turns columns into mm; The candidates
// run from bark to pith; dir is +1 where bark is at low columns, -1 otherwise.
func context(f *Features, cands []Candidate, first measure.Inference, pxPerMM float64, dir int) [][contextCount]float32 {
	out := make([][contextCount]float32, len(cands))
	likeLight := f.likeness(light, cands, first, pxPerMM, dir)
	likeVessel := f.likeness(vessel, cands, first, pxPerMM, dir)
	typical := typicalOdds(cands, first)
	for i, c := range cands {
		local := first.LocalMM[i] * pxPerMM
		x := &out[i]
		x[0] = float32(c.LogOdds / 4)
		x[1] = float32(logit(first.Probability[i]) / 4)
		x[2] = float32((c.LogOdds - typical) / 4)
		for k, part := range []float64{0.15, 0.35, 0.7} {
			before, after := strongest(cands, i, part*local)
			x[3+2*k] = float32((c.LogOdds - before) / 6)
			x[4+2*k] = float32((c.LogOdds - after) / 6)
		}
		x[9], x[10] = likeLight[i], likeVessel[i]
		before, after := nearestAccepted(cands, first, i)
		x[11] = float32(math.Log(before/local+0.05) / 2)
		x[12] = float32(math.Log(after/local+0.05) / 2)
		x[13] = float32(math.Log(first.LocalMM[i]) / 2)
		x[14] = float32(typical / 8)
		x[15] = float32(math.Log(pxPerMM/47) / 2)
		for k, v := range x {
			x[k] = max(-3, min(3, v))
		}
	}
	return out
}

func logit(p float64) float64 {
	p = math.Max(1e-4, math.Min(1-1e-4, p))
	return math.Log(p / (1 - p))
}

// strongest returns the highest log odds among the other candidates within
// reach on the bark side and on the pith side; leastLogOdds where none.
func strongest(cands []Candidate, i int, reach float64) (before, after float64) {
	before, after = leastLogOdds, leastLogOdds
	for j := i - 1; j >= 0 && math.Abs(cands[i].U-cands[j].U) <= reach; j-- {
		before = math.Max(before, cands[j].LogOdds)
	}
	for j := i + 1; j < len(cands) && math.Abs(cands[j].U-cands[i].U) <= reach; j++ {
		after = math.Max(after, cands[j].LogOdds)
	}
	return before, after
}

// nearestAccepted returns the distances, in columns, to the nearest accepted
// candidates on either side, itself left out.
func nearestAccepted(cands []Candidate, first measure.Inference, i int) (before, after float64) {
	const far = 1e5
	before, after = far, far
	for _, k := range first.Accepted {
		switch d := math.Abs(cands[i].U - cands[k].U); {
		case k < i:
			before = d
		case k > i && after == far:
			after = d
		}
	}
	return before, after
}

// typicalOdds is the median log odds of the accepted candidates.
func typicalOdds(cands []Candidate, first measure.Inference) float64 {
	var x []float64
	for _, k := range first.Accepted {
		x = append(x, cands[k].LogOdds)
	}
	return median(x)
}

// patchOf is a channel's course round a candidate.
type patchOf [33]float64

// likeness compares the wood round each candidate with the mean of the sure
// ones: the correlation of one channel's course over 0.4 mm each way. The
// candidate itself does not count in the mean it is compared with.
func (f *Features) likeness(ch channel, cands []Candidate, first measure.Inference, pxPerMM float64, dir int) []float32 {
	out := make([]float32, len(cands))
	step := 0.8 * pxPerMM / float64(len(patchOf{})-1)
	patches := make([]patchOf, len(cands))
	var sum patchOf
	for i, c := range cands {
		patches[i] = patch(f.Mean[ch], c.U, step, dir)
		w := sureness(first.Probability[i])
		for k, v := range patches[i] {
			sum[k] += w * v
		}
	}
	for i := range cands {
		w := sureness(first.Probability[i])
		var xy, yy float64
		for k, v := range patches[i] {
			m := sum[k] - w*v
			xy += v * m
			yy += m * m
		}
		if yy > 0 {
			out[i] = float32(xy / math.Sqrt(yy)) // patches have unit length
		}
	}
	return out
}

// sureness is the weight of a candidate in the core's typical boundary.
func sureness(p float64) float64 {
	if p < 0.7 {
		return 0
	}
	return p
}

// patch samples x round u, walking from bark to pith, with its mean taken off
// and unit length.
func patch(x []float32, u, step float64, dir int) patchOf {
	var out patchOf
	n := len(out)
	if x == nil {
		return out
	}
	var mean float64
	for k := 0; k < n; k++ {
		at := u + float64(dir)*step*(float64(k)-float64(n-1)/2)
		at = math.Max(0, math.Min(float64(len(x)-1), at))
		out[k] = float64(x[int(at+0.5)])
		mean += out[k] / float64(n)
	}
	var norm float64
	for k := 0; k < n; k++ {
		out[k] -= mean
		norm += out[k] * out[k]
	}
	if norm = math.Sqrt(norm); norm > 0 {
		for k := 0; k < n; k++ {
			out[k] /= norm
		}
	}
	return out
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[len(s)/2]
}
