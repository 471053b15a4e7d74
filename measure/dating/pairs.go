package dating

import (
	"context"
	"math"
	"math/bits"
	"runtime"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Pair is the position at which two series agree best.
type Pair struct {
	A, B    int // indices of the series, A < B
	Moved   int // years by which B has to be moved, to younger
	Overlap int
	R       float64
	Z       float64 // atanh(R) sqrt(Overlap-3), by which positions are ranked
	OK      bool    // false where no position has enough years in common
}

// Pairs compares every series with every other at every position that has
// minOverlap years or more in common, and hands the best position of each pair
// to visit, one call at a time, ordered by A and then B. It works on as many
// processors as there are, and holds no more than the series and one row of
// pairs for each. visit's error, or the context's end, ends it.
//
// The sums of products at all positions come from one Fourier transform a pair
// (convolution theorem), the others from running sums; the best position is then
// computed anew directly.
func Pairs(ctx context.Context, series []Values, minOverlap int, visit func(Pair) error) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	spectra := newSpectra(series)
	workers := max(1, runtime.GOMAXPROCS(0))
	rows := make([]chan []Pair, len(series)) // one slot each, so that rows come out in order
	for a := range rows {
		rows[a] = make(chan []Pair, 1)
	}
	// A row gets its place in ahead before its ticket, so that the row waited
	// for always has one.
	ahead := make(chan struct{}, 4*workers)
	tickets := make(chan int)
	go func() {
		defer close(tickets)
		for a := range series {
			select {
			case ahead <- struct{}{}:
			case <-ctx.Done():
				return
			}
			select {
			case tickets <- a:
			case <-ctx.Done():
				return
			}
		}
	}()
	var running sync.WaitGroup
	for range workers {
		running.Add(1)
		go func() {
			defer running.Done()
			m := spectra.matcher(minOverlap)
			for a := range tickets {
				rows[a] <- m.row(a)
			}
		}()
	}
	defer running.Wait()
	defer stop()
	for a := range rows {
		select {
		case row := <-rows[a]:
			<-ahead
			for _, p := range row {
				if err := visit(p); err != nil {
					return err
				}
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// spectra are the series, whole or not, ready to be compared.
type spectra struct {
	series []Values // trimmed
	whole  []bool   // no year missing inside
	size   int      // of the transforms
	of     [][]complex128
	sums   [][]float64 // running sums of values, one longer than the series
	square [][]float64 // and of their squares
}

func newSpectra(series []Values) *spectra {
	s := &spectra{}
	longest := 1
	for _, v := range series {
		v = v.trimmed()
		s.series = append(s.series, v)
		s.whole = append(s.whole, v.Defined() == len(v.V))
		longest = max(longest, len(v.V))
	}
	s.size = 1 << bits.Len(uint(2*longest-1))
	fft := fourier.NewFFT(s.size)
	padded := make([]float64, s.size)
	for i, v := range s.series {
		sum, square := make([]float64, len(v.V)+1), make([]float64, len(v.V)+1)
		clear(padded)
		if s.whole[i] {
			copy(padded, v.V)
			for t, x := range v.V {
				sum[t+1], square[t+1] = sum[t]+x, square[t]+x*x
			}
		}
		s.of = append(s.of, fft.Coefficients(nil, padded))
		s.sums, s.square = append(s.sums, sum), append(s.square, square)
	}
	return s
}

// trimmed takes years without a number off both ends.
func (v Values) trimmed() Values {
	from, to := 0, len(v.V)
	for from < to && math.IsNaN(v.V[from]) {
		from++
	}
	for to > from && math.IsNaN(v.V[to-1]) {
		to--
	}
	return Values{v.FirstYear + from, v.V[from:to]}
}

// matcher is what one worker needs.
type matcher struct {
	*spectra
	minOverlap int
	fft        *fourier.FFT
	product    []complex128
	lags       []float64
}

func (s *spectra) matcher(minOverlap int) *matcher {
	return &matcher{spectra: s, minOverlap: max(4, minOverlap), fft: fourier.NewFFT(s.size),
		product: make([]complex128, s.size/2+1), lags: make([]float64, s.size)}
}

// row compares series a with all behind it.
func (m *matcher) row(a int) []Pair {
	row := make([]Pair, 0, len(m.series)-a-1)
	for b := a + 1; b < len(m.series); b++ {
		row = append(row, m.pair(a, b))
	}
	return row
}

// pair finds the best position of b on a.
func (m *matcher) pair(a, b int) Pair {
	p := Pair{A: a, B: b, Z: math.Inf(-1)}
	x, y := m.series[a], m.series[b]
	if min(len(x.V), len(y.V)) < m.minOverlap {
		p.Z = 0
		return p
	}
	// At lag k the first value of b stands under value k of a.
	from, to := m.minOverlap-len(y.V), len(x.V)-m.minOverlap
	fast := m.whole[a] && m.whole[b]
	if fast {
		m.correlations(a, b)
	}
	best, bestKey := 0, math.Inf(-1)
	for k := from; k <= to; k++ {
		key := math.Inf(-1)
		if fast {
			key = m.key(a, b, k)
		} else if n, r, ok := fastCorrelation(y, x, k+x.FirstYear-y.FirstYear); ok && n >= m.minOverlap {
			key = rankKey(r, n)
		}
		if key > bestKey {
			best, bestKey = k, key
		}
	}
	if math.IsInf(bestKey, -1) {
		p.Z = 0
		return p
	}
	p.Moved = best + x.FirstYear - y.FirstYear
	p.Overlap, p.R, p.OK = fastCorrelation(y, x, p.Moved)
	p.Z = candidate{n: p.Overlap, r: p.R}.z()
	return p
}

// correlations fills lags with sum over t of a(t+k) b(t), for k of either sign.
func (m *matcher) correlations(a, b int) {
	fa, fb := m.of[a], m.of[b]
	for i := range m.product {
		p, q := fa[i], fb[i]
		m.product[i] = complex(real(p)*real(q)+imag(p)*imag(q), imag(p)*real(q)-real(p)*imag(q))
	}
	m.fft.Sequence(m.lags, m.product)
}

// key ranks lag k: a function of r and n that rises with z but needs no
// logarithm.
func (m *matcher) key(a, b, k int) float64 {
	na, nb := len(m.series[a].V), len(m.series[b].V)
	fromA, fromB := max(0, k), max(0, -k)
	n := min(na-fromA, nb-fromB)
	sa, sb := m.sums[a], m.sums[b]
	sx, sy := sa[fromA+n]-sa[fromA], sb[fromB+n]-sb[fromB]
	qa, qb := m.square[a], m.square[b]
	sxx, syy := qa[fromA+n]-qa[fromA], qb[fromB+n]-qb[fromB]
	sxy := m.lags[(k+m.size)%m.size] / float64(m.size)
	f := float64(n)
	vx, vy := sxx-sx*sx/f, syy-sy*sy/f
	if vx <= 1e-9*sxx || vy <= 1e-9*syy {
		return math.Inf(-1)
	}
	return rankKey((sxy-sx*sy/f)/math.Sqrt(vx*vy), n)
}

// rankKey rises with atanh(r) sqrt(n-3), closely enough to rank: near the best
// of a series atanh(r) = r + r^3/3 + r^5/5 + r^7/7 to 0.1 % up to r = 0.6, and
// in the right order beyond.
func rankKey(r float64, n int) float64 {
	q := r * r
	return r * (1 + q*(1.0/3+q*(1.0/5+q/7))) * math.Sqrt(float64(n-3))
}
