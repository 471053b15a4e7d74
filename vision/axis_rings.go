package vision

import "math"

// agreement says how far the layers of a strip of wood agree across it: the
// sign of a core, whose rings run from side to side, while the grain of a
// mount, paper or cloth does not. Rows v0 to v1 of the band, below curve mid,
// are cut into strips lengthwise; the agreement of a window of columns is the
// mean correlation of neighbouring strips at the tilt where it is best.
type agreement struct {
	hop, window int
	r           []float64 // of each window, that begins at hop times its index
	slope       []float64 // columns a row, at the best tilt
	power       []float64 // what the strips share, in grey levels (standard deviation)
}

const (
	strips  = 6
	maxTilt = 0.8 // tangent
)

// newAgreement looks at columns u0 to u1 between rows mid+v0 and mid+v1.
func newAgreement(b *band, mid func(u float64) float64, v0, v1 float64, u0, u1 int) agreement {
	span := (v1 - v0) / strips
	window := int(1.2 * (v1 - v0))
	a := agreement{hop: max(1, window/2), window: window}
	n := u1 - u0
	if n < window || span < 1 {
		return a
	}
	lags := int(math.Ceil(maxTilt * span))
	mids := make([]float64, n)
	for i := range mids {
		mids[i] = mid(float64(u0 + i))
	}
	s := make([][]float64, strips)
	for i := range s {
		s[i] = stripSignal(b, mids, v0+float64(i)*span, v0+float64(i+1)*span, u0, max(8, window/3))
	}
	for at := 0; at+window <= n; at += a.hop {
		best, bestLag, power := -1.0, 0, 0.0
		for lag := -lags; lag <= lags; lag++ {
			sum, pow := 0.0, 0.0
			for i := range strips - 1 {
				r, p := lagged(s[i], s[i+1], at, at+window, lag)
				sum, pow = sum+r, pow+p
			}
			if r := sum / (strips - 1); r > best {
				best, bestLag, power = r, lag, pow/(strips-1)
			}
		}
		a.r = append(a.r, best)
		a.slope = append(a.slope, float64(bestLag)/span)
		a.power = append(a.power, math.Sqrt(math.Max(0, power)))
	}
	return a
}

// stripSignal is the mean lightness of the rows mid+v0 to mid+v1, less its own
// mean over smooth columns; mids holds mid of the columns from u0 on.
func stripSignal(b *band, mids []float64, v0, v1 float64, u0, smooth int) []float64 {
	raw := make([]float64, len(mids))
	for i, m := range mids {
		lo, hi := int(math.Round(m+v0)), int(math.Round(m+v1))
		lo, hi = max(0, min(b.h-1, lo)), max(1, min(b.h, hi))
		sum := 0.0
		for v := lo; v < max(hi, lo+1); v++ {
			sum += float64(b.ch[0][v*b.w+u0+i])
		}
		raw[i] = sum / float64(max(hi, lo+1)-lo)
	}
	total := make([]float64, len(raw)+1)
	for i, v := range raw {
		total[i+1] = total[i] + v
	}
	for i := range raw {
		lo, hi := max(0, i-smooth/2), min(len(raw), i+smooth/2+1)
		raw[i] -= (total[hi] - total[lo]) / float64(hi-lo)
	}
	return raw
}

// lagged is the correlation and the covariance of p over [from, to) with q lag
// columns later, as far as both are there.
func lagged(p, q []float64, from, to, lag int) (r, cov float64) {
	from, to = max(from, -lag), min(to, len(q)-lag)
	if to-from < 4 {
		return 0, 0
	}
	var sp, sq, pp, qq, pq float64
	for i := from; i < to; i++ {
		x, y := p[i], q[i+lag]
		sp, sq, pp, qq, pq = sp+x, sq+y, pp+x*x, qq+y*y, pq+x*y
	}
	n := float64(to - from)
	cov = pq/n - sp*sq/n/n
	va, vb := pp/n-sp*sp/n/n, qq/n-sq*sq/n/n
	if va < 1e-9 || vb < 1e-9 {
		return 0, 0
	}
	return cov / math.Sqrt(va*vb), cov
}
