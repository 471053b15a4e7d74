package calib

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/dsp/fourier"
)

// A comb is a place where the gray along a strip repeats: a ruler's ticks, or
// something that must be told from them.
type comb struct {
	swap   bool
	pitch  float64 // scan px
	weight float64
	hits   []hit
}

// hit is one window of a strip with a strong fundamental and its harmonics.
type hit struct {
	strip, window int
	u, v          float64 // its centre, scan px in the view
	pitch         float64 // scan px
	score         float64
}

const (
	windowLen = 256 // overview px
	windowHop = 128
	// Shortest and longest tick step looked for, in overview px: 73 to 8
	// periods in a window.
	minStep, maxStep = 3.5, 32.0
	minScore         = 0.35 // share of power in the harmonic series, over chance
	minContrast      = 1.2  // mean absolute deviation, gray levels of 255
)

// combs lists where strips of the overview repeat, strongest first.
func combs(o overview, swap bool) []comb {
	strips := o.strips(swap)
	s := newSpectrum()
	var hits []hit
	for j, strip := range strips {
		for w, start := range windowStarts(len(strip)) {
			step, score := s.period(strip[start:min(start+windowLen, len(strip))])
			if score < minScore {
				continue
			}
			f := float64(o.factor)
			centre := float64(start) + float64(min(windowLen, len(strip)))/2
			hits = append(hits, hit{
				strip: j, window: w,
				u:     centre*f - 0.5,
				v:     (float64(j)+0.5)*stripHeight*f - 0.5,
				pitch: step * f, score: score,
			})
		}
	}
	out := cluster(hits)
	for i := range out {
		out[i].swap = swap
	}
	return out
}

// windowStarts returns where windows start along a strip of n; the last one
// ends with the strip.
func windowStarts(n int) []int {
	if n < 64 {
		return nil
	}
	starts := []int{0}
	for s := windowHop; s+windowLen <= n; s += windowHop {
		starts = append(starts, s)
	}
	if last := n - windowLen; last > starts[len(starts)-1] {
		starts = append(starts, last)
	}
	return starts
}

// cluster joins hits that touch and have the same pitch within 4 %.
func cluster(hits []hit) []comb {
	parent := make([]int, len(hits))
	for i := range parent {
		parent[i] = i
	}
	var find func(int) int
	find = func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	first := 0
	for i, a := range hits {
		for hits[first].strip < a.strip-2 {
			first++
		}
		for k := first; k < i; k++ {
			b := hits[k]
			if abs(a.window-b.window) <= 1 && math.Abs(a.pitch/b.pitch-1) < 0.04 {
				parent[find(i)] = find(k)
			}
		}
	}
	groups := map[int][]hit{}
	for i, h := range hits {
		r := find(i)
		groups[r] = append(groups[r], h)
	}
	var out []comb
	for _, g := range groups {
		c := comb{hits: g}
		pitches := make([]float64, len(g))
		for i, h := range g {
			c.weight += h.score
			pitches[i] = h.pitch
		}
		c.pitch = median(pitches)
		out = append(out, c)
	}
	// The map's order must not show.
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.weight != b.weight {
			return a.weight > b.weight
		}
		return a.hits[0].strip < b.hits[0].strip || a.hits[0].strip == b.hits[0].strip && a.hits[0].window < b.hits[0].window
	})
	return out
}

func abs(i int) int { return max(i, -i) }

// spectrum finds the period of windows of strips.
type spectrum struct {
	fft    *fourier.FFT
	taper  []float64
	buf    []float64
	coeff  []complex128
	power  []float64
	prefix []float64
}

func newSpectrum() *spectrum {
	s := &spectrum{
		fft: fourier.NewFFT(windowLen), taper: make([]float64, windowLen), buf: make([]float64, windowLen),
		power: make([]float64, windowLen/2+1), prefix: make([]float64, windowLen+1),
	}
	for i := range s.taper {
		s.taper[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/windowLen)
	}
	return s
}

// period returns the period of x in its own px and the share of its power that
// lies in that period's harmonic series, less what chance would put there.
// Slow changes are taken off first and lone steep ones bounded.
func (s *spectrum) period(x []float32) (step, score float64) {
	if !s.flatten(x) {
		return 0, 0
	}
	s.coeff = s.fft.Coefficients(s.coeff, s.buf)
	var total float64
	for i, c := range s.coeff {
		s.power[i] = real(c)*real(c) + imag(c)*imag(c)
		total += s.power[i]
	}
	lo, hi := windowLen/int(maxStep), int(math.Floor(windowLen/minStep))
	var best int
	for b := lo; b <= hi; b++ {
		if p := s.power[b]; p > s.power[b-1] && p >= s.power[b+1] {
			if series := s.series(float64(b)); best == 0 || series > score {
				best, score = b, series
			}
		}
	}
	if best == 0 || total <= 0 {
		return 0, 0
	}
	f := s.peak(best)
	chance := 3 / f
	score = (s.series(f)/total - chance) / (1 - chance)
	return windowLen / f, score
}

// series sums the power within 1.5 bins of the multiples of frequency f.
func (s *spectrum) series(f float64) float64 {
	var sum float64
	for h := f; h < windowLen/2-1; h += f {
		i := int(h + 0.5)
		sum += s.power[i-1] + s.power[i] + s.power[i+1]
	}
	return sum
}

// peak refines a peak's frequency: three points of a Hann-tapered line's
// magnitude place it by (2 r - 1)/(r + 1), r the ratio of the higher neighbour
// to the peak (Jain, Collins & Davis 1979).
func (s *spectrum) peak(b int) float64 {
	m, l, r := math.Sqrt(s.power[b]), math.Sqrt(s.power[b-1]), math.Sqrt(s.power[b+1])
	if m <= 0 {
		return float64(b)
	}
	if r >= l {
		q := r / m
		return float64(b) + (2*q-1)/(q+1)
	}
	q := l / m
	return float64(b) - (2*q-1)/(q+1)
}

// flatten puts x, less its running mean and bounded to three mean absolute
// deviations, tapered, into buf. It reports false where there is no contrast.
func (s *spectrum) flatten(x []float32) bool {
	n := len(x)
	s.prefix[0] = 0
	for i, v := range x {
		s.prefix[i+1] = s.prefix[i] + float64(v)
	}
	const reach = int(maxStep)
	var dev float64
	for i, v := range x {
		a, b := max(0, i-reach), min(n, i+reach+1)
		s.buf[i] = float64(v) - (s.prefix[b]-s.prefix[a])/float64(b-a)
		dev += math.Abs(s.buf[i])
	}
	dev /= float64(n)
	if dev < minContrast {
		return false
	}
	var mean float64
	for i := range n {
		s.buf[i] = min(max(s.buf[i], -3*dev), 3*dev)
		mean += s.buf[i]
	}
	mean /= float64(n)
	for i := range n {
		s.buf[i] = (s.buf[i] - mean) * s.taper[i*windowLen/n]
	}
	for i := n; i < windowLen; i++ {
		s.buf[i] = 0
	}
	return true
}

// strongest returns up to n hits of the comb, best first, no two in the same
// window column.
func (c comb) strongest(n int) []hit {
	best := map[int]hit{}
	for _, h := range c.hits {
		if h.score > best[h.window].score {
			best[h.window] = h
		}
	}
	out := make([]hit, 0, len(best))
	for _, h := range best {
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b hit) int {
		if a.score != b.score {
			return int(math.Copysign(1, b.score-a.score))
		}
		return a.window - b.window
	})
	return out[:min(n, len(out))]
}

// sortCombs puts the heaviest first; equal ones in order of place.
func sortCombs(c []comb) {
	sort.SliceStable(c, func(i, j int) bool { return c[i].weight > c[j].weight })
}
