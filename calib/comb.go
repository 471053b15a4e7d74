package calib

import (
	"math"
	"slices"
	"sort"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// A comb is a straight row of places where the gray repeats: a ruler's ticks, or
// something that must be told from them.
type comb struct {
	swap   bool
	pitch  float64 // scan px
	tan    float64 // slope of the row of hits, view
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

// grains are how many overview px count as one along a strip: with each more,
// longer windows and ticks further apart.
var grains = [...]int{1, 2, 4}

// combs lists where strips of the overview repeat, strongest first.
func combs(o overview) []comb {
	var both [2][]comb
	var wg sync.WaitGroup
	for i, swap := range []bool{false, true} {
		wg.Go(func() { both[i] = combsAlong(o, swap) })
	}
	wg.Wait()
	out := slices.Concat(both[0], both[1])
	sort.SliceStable(out, func(i, j int) bool { return out[i].weight > out[j].weight })
	return out
}

// combsAlong finds the combs along one axis, along y for swap.
func combsAlong(o overview, swap bool) []comb {
	var out []comb
	strips := o.strips(swap)
	for _, n := range grains {
		s := strips
		if n > 1 {
			s = coarser(strips, n)
		}
		for _, g := range cluster(hitsIn(s, float64(o.factor), float64(n))) {
			for _, c := range rows(g, float64(stripHeight*o.factor)) {
				c.swap = swap
				c.weight *= float64(n) // by length of strip
				out = append(out, c)
			}
		}
	}
	return out
}

// hitsIn looks for a period in every window of every strip. A strip is factor x
// stripHeight scan px high, and n x factor scan px make one of its places.
func hitsIn(strips [][]float32, factor, n float64) []hit {
	s := newSpectrum()
	var hits []hit
	for j, strip := range strips {
		for w, start := range windowStarts(len(strip)) {
			length := min(windowLen, len(strip)-start)
			step, score := s.period(strip[start : start+length])
			if score < minScore {
				continue
			}
			hits = append(hits, hit{
				strip: j, window: w,
				u:     (float64(start)+float64(length)/2)*factor*n - 0.5,
				v:     (float64(j)+0.5)*stripHeight*factor - 0.5,
				pitch: step * factor * n, score: score,
			})
		}
	}
	return hits
}

// rows parts hits into straight rows: again and again the line, turned by no
// more than a ruler may be, near which the scores add up to most.
func rows(hits []hit, strip float64) []comb {
	var out []comb
	for range 4 {
		tan, off, sum := bestLine(hits, strip)
		if sum < 1 {
			break
		}
		c := comb{tan: tan}
		var rest []hit
		var pitches []float64
		for _, h := range hits {
			if math.Abs(h.v-tan*h.u-off) > max(2.5*h.pitch, 1.5*strip) {
				rest = append(rest, h)
				continue
			}
			c.hits = append(c.hits, h)
			c.weight += h.score
			pitches = append(pitches, h.pitch)
		}
		c.pitch = median(pitches)
		out = append(out, c)
		hits = rest
	}
	return out
}

// bestLine returns the line v = off + tan u with most score within three
// strips, and that score.
func bestLine(hits []hit, strip float64) (tan, off, sum float64) {
	for i := -14; i <= 14; i++ {
		b := 0.01 * float64(i)
		bins := map[int]float64{}
		for _, h := range hits {
			at := int(math.Floor((h.v - b*h.u) / strip))
			for d := -1; d <= 1; d++ {
				bins[at+d] += h.score
			}
		}
		for at, s := range bins {
			// Ties go to the least turn and then the first place, whatever the map's order.
			mid := (float64(at) + 0.5) * strip
			if s > sum+1e-9 || s > sum-1e-9 && (math.Abs(b) < math.Abs(tan) || b == tan && mid < off) {
				tan, off, sum = b, mid, s
			}
		}
	}
	return tan, off, sum
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

// cluster parts hits into groups that touch and have the same pitch within 4 %,
// in the order of their first hits.
func cluster(hits []hit) [][]hit {
	parent := make([]int, len(hits))
	for i := range parent {
		parent[i] = i
	}
	find := func(i int) int {
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
	group := map[int]int{}
	var out [][]hit
	for i, h := range hits {
		r := find(i)
		g, ok := group[r]
		if !ok {
			g = len(out)
			group[r] = g
			out = append(out, nil)
		}
		out[g] = append(out[g], h)
	}
	return out
}

func abs(i int) int { return max(i, -i) }

// spectrum finds the period of windows of strips.
type spectrum struct {
	fft    *fourier.FFT
	taper  []float64 // for windows as long as the last
	buf    []float64
	coeff  []complex128
	power  []float64
	prefix []float64
}

func newSpectrum() *spectrum {
	return &spectrum{
		fft: fourier.NewFFT(windowLen), buf: make([]float64, windowLen),
		power: make([]float64, windowLen/2+1), prefix: make([]float64, windowLen+1),
	}
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
	if len(s.taper) != n {
		s.taper = taper(n)
	}
	for i, t := range s.taper {
		s.buf[i] = (s.buf[i] - mean) * t
	}
	for i := n; i < windowLen; i++ {
		s.buf[i] = 0
	}
	return true
}

// taper is a Hann window over n places, in the steps of one over windowLen.
func taper(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i*windowLen/n)+0.5)/windowLen)
	}
	return out
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
