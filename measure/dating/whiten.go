package dating

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// Autoregression is an autoregressive model of a series about its mean:
// z(t) = Phi[0] z(t-1) + Phi[1] z(t-2) + ... + e(t).
type Autoregression struct {
	Mean     float64
	Phi      []float64
	Variance float64 // of e by the recursion, v(p), without a correction for n
	N        int     // values the model was made of
}

// VariancePredicted is the variance of e with the correction for the number of
// parameters, n / (n - (p+1)); ok is false where n is too small.
func (m Autoregression) VariancePredicted() (v float64, ok bool) {
	n, p := float64(m.N), float64(len(m.Phi))
	if n <= p+1 {
		return 0, false
	}
	return n / (n - (p + 1)) * m.Variance, true
}

// autocovariances returns c(0..maxLag), each with n as divisor; steps that touch
// a missing value are left out of its sum.
func autocovariances(x []float64, maxLag int) (c []float64, mean float64, n int) {
	d := defined(x)
	mean, n = stat.Mean(d, nil), len(d)
	z := make([]float64, len(x))
	for t, v := range x {
		if !math.IsNaN(v) {
			z[t] = v - mean // 0 where missing, which adds nothing
		}
	}
	c = make([]float64, maxLag+1)
	for k := range c {
		for t := 0; t+k < len(z); t++ {
			c[k] += z[t] * z[t+k]
		}
		c[k] /= float64(n)
	}
	return c, mean, n
}

// YuleWalker returns the models of order 0 to maxOrder by the Levinson-Durbin
// recursion. It returns nil where the series does not vary or is no longer than
// the order.
//
// Source: Box & Jenkins 1970.
func YuleWalker(x []float64, maxOrder int) []Autoregression {
	c, mean, n := autocovariances(x, maxOrder)
	if n <= maxOrder+1 || c[0] <= 0 || math.IsNaN(c[0]) {
		return nil
	}
	models := []Autoregression{{Mean: mean, Variance: c[0], N: n}}
	for k := 1; k <= maxOrder; k++ {
		old := models[k-1]
		above := c[k]
		for j, phi := range old.Phi {
			above -= phi * c[k-1-j]
		}
		models = append(models, old.extended(above/old.Variance))
	}
	return models
}

// Burg returns the models of order 0 to maxOrder by Burg's method, which
// minimises forward and backward errors together. The series must have no
// missing values; nil where it has, does not vary or is too short.
func Burg(x []float64, maxOrder int) []Autoregression {
	n := len(x)
	mean := stat.Mean(x, nil)
	f, b := make([]float64, n), make([]float64, n)
	variance := 0.0
	for t, v := range x {
		f[t] = v - mean
		b[t] = f[t]
		variance += f[t] * f[t] / float64(n)
	}
	if n <= maxOrder+1 || !(variance > 0) {
		return nil
	}
	models := []Autoregression{{Mean: mean, Variance: variance, N: n}}
	for k := 1; k <= maxOrder; k++ {
		above, below := 0.0, 0.0
		for t := k; t < n; t++ {
			above += f[t] * b[t-1]
			below += f[t]*f[t] + b[t-1]*b[t-1]
		}
		if below == 0 {
			return models
		}
		phi := 2 * above / below
		for t := n - 1; t >= k; t-- {
			f[t], b[t] = f[t]-phi*b[t-1], b[t-1]-phi*f[t]
		}
		models = append(models, models[k-1].extended(phi))
	}
	return models
}

// extended is the model of the next order, by the recursion of Levinson and
// Durbin from the next partial autocorrelation.
func (m Autoregression) extended(partial float64) Autoregression {
	p := len(m.Phi)
	next := Autoregression{Mean: m.Mean, N: m.N, Phi: make([]float64, p+1), Variance: m.Variance * (1 - partial*partial)}
	for j := range p {
		next.Phi[j] = m.Phi[j] - partial*m.Phi[p-1-j]
	}
	next.Phi[p] = partial
	return next
}

// LowestAIC returns the model with the lowest n ln v + 2p (Akaike 1974) among
// those given; of equals the one of lower order.
func LowestAIC(models []Autoregression) Autoregression {
	var best Autoregression
	lowest := math.Inf(1)
	for _, m := range models {
		aic := float64(m.N)*math.Log(m.Variance) + 2*float64(len(m.Phi))
		if aic < lowest {
			best, lowest = m, aic
		}
	}
	return best
}

// Residuals returns e(t) plus the mean, so that indices stay about 1. A year
// has none if it, or one of the p before it, has no value.
func (m Autoregression) Residuals(x []float64) []float64 {
	out := make([]float64, len(x))
	for t := range x {
		out[t] = math.NaN()
		if t < len(m.Phi) {
			continue
		}
		e := x[t]
		for j, phi := range m.Phi {
			e -= phi * (x[t-1-j] - m.Mean)
		}
		out[t] = e
	}
	return out
}

// maxWhitenOrder is the highest order tried when a series is freed of its
// autocorrelation (the golden values use the same).
const maxWhitenOrder = 10

// Whitened frees a series of its autocorrelation by the model of lowest AIC,
// order 0 to 10 (less for short series). A series that does not vary is returned
// as it is.
func Whitened(v Values) Values {
	n := v.Defined()
	models := YuleWalker(v.V, max(0, min(maxWhitenOrder, n/5)))
	if models == nil {
		return v
	}
	return Values{v.FirstYear, LowestAIC(models).Residuals(v.V)}
}
