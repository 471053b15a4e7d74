package vision

import (
	"math"
	"slices"
)

// rims holds, for every hop columns of a band, how strong the steps across it
// are: rows of nk values, each the length of the colour step, in spreads of
// the ground, between the rows just above and just below, averaged over a
// window along the band. Rings lie across and cancel; the rims of a core, a
// mount or a groove run along and stay.
type rims struct {
	nk, rows, hop int
	e             []float32
	// extra, where set, adds to the gain of a rim at hop k and row v.
	extra func(k, v int) float64
}

func (r *rims) at(k, v int) float32 { return r.e[v*r.nk+k] }

// newRims averages steps over window columns, at the rows round which rims are
// looked for: all within reach of one of those given.
func newRims(b *band, sd [3]float64, hop, window int, reach float64, near ...float64) rims {
	r := rims{nk: (b.w + hop - 1) / hop, rows: b.h, hop: hop}
	r.e = make([]float32, r.nk*b.h)
	within := func(v int, reach float64) bool {
		return slices.ContainsFunc(near, func(row float64) bool { return math.Abs(float64(v)-row) <= reach })
	}
	smooth := make([]float32, r.nk*b.h)
	sum := make([]float64, b.w+1)
	for c, ch := range b.ch {
		if ch == nil {
			continue
		}
		for v := range b.h {
			if within(v, reach+4) {
				boxAt(smooth[v*r.nk:(v+1)*r.nk], ch[v*b.w:(v+1)*b.w], sum, hop, window, 0, b.w)
			}
		}
		k := float32(1 / sd[c])
		row := func(v int) []float32 { return smooth[v*r.nk : (v+1)*r.nk] }
		for v := 4; v < b.h-4; v++ {
			if !within(v, reach) {
				continue
			}
			a, p, q, z, out := row(v-4), row(v-1), row(v+1), row(v+4), r.e[v*r.nk:(v+1)*r.nk]
			for i := range out {
				// The slope on both sides, in which a shadow fades, is no step.
				d := (q[i] - p[i] - (z[i]-q[i]+p[i]-a[i])/3) * k
				out[i] += d * d
			}
		}
	}
	for i, v := range r.e {
		r.e[i] = float32(math.Sqrt(float64(v)))
	}
	return r
}

// boxAt sets out[k] to the mean of in over window columns round k*hop, of
// those from u0 up to u1. sum is room for one number more than in has.
func boxAt(out, in []float32, sum []float64, hop, window, u0, u1 int) {
	total := 0.0
	for i, v := range in {
		total += float64(v)
		sum[i+1] = total
	}
	for k := range out {
		lo := max(u0, min(u1-1, k*hop-window/2))
		hi := max(lo+1, min(u1, k*hop+window/2+1))
		out[k] = float32((sum[hi] - sum[lo]) / float64(hi-lo))
	}
}

// clearStep is a step, in spreads of the ground, that earns half the gain of
// the clearest: averaged over a window, it stands well above noise (chosen).
const clearStep = 2

// follow returns the row of the strongest steps within reach rows of guess, at
// every hop from k0 to k1, by dynamic programming: it prefers strong steps and
// a straight course, and among strong steps the upper ones where favour is
// negative, the lower ones where it is positive (the gain from one end of the
// reach to the other). strength is the step found there.
func (r *rims) follow(guess func(k int) float64, reach, favour float64, k0, k1 int) (row, strength []float64) {
	n := k1 - k0
	m := 2*int(math.Ceil(reach)) + 1
	base := make([]int, n)
	for i := range n {
		base[i] = int(math.Round(guess(k0+i))) - m/2
	}
	cost := make([]float64, n*m)
	from := make([]int8, n*m)
	for i := range n {
		for j := range m {
			e := r.value(k0+i, base[i]+j)
			c := -e/(e+clearStep) - favour*float64(j)/float64(m)
			if r.extra != nil {
				c -= r.extra(k0+i, base[i]+j)
			}
			if i > 0 {
				shift := base[i] - base[i-1]
				least, arg := math.Inf(1), 0
				for s := -1; s <= 1; s++ {
					if p := j + shift + s; p >= 0 && p < m {
						if t := cost[(i-1)*m+p] + 0.15*math.Abs(float64(s)); t < least {
							least, arg = t, s
						}
					}
				}
				if math.IsInf(least, 1) {
					least = cost[(i-1)*m+max(0, min(m-1, j+shift))] + 1
				}
				c += least
				from[i*m+j] = int8(arg)
			}
			cost[i*m+j] = c
		}
	}
	return r.back(base, cost, from, m, k0)
}

// back walks the best path from its end and places it between rows.
func (r *rims) back(base []int, cost []float64, from []int8, m, k0 int) (row, strength []float64) {
	n := len(base)
	row, strength = make([]float64, n), make([]float64, n)
	j := 0
	for p := range m {
		if cost[(n-1)*m+p] < cost[(n-1)*m+j] {
			j = p
		}
	}
	for i := n - 1; i >= 0; i-- {
		v := base[i] + j
		a, e, c := r.value(k0+i, v-1), r.value(k0+i, v), r.value(k0+i, v+1)
		f := 0.0
		if d := a - 2*e + c; d < 0 {
			f = math.Max(-0.5, math.Min(0.5, 0.5*(a-c)/d))
		}
		row[i], strength[i] = float64(v)+f, e
		if i > 0 {
			j = max(0, min(m-1, j+base[i]-base[i-1]+int(from[i*m+j])))
		}
	}
	return row, strength
}

func (r *rims) value(k, v int) float64 {
	if v < 0 || v >= r.rows {
		return 0
	}
	return float64(r.at(k, v))
}
