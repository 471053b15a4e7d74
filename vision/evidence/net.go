package evidence

import "math"

// Net is a perceptron with one hidden layer of tanh units and linear outputs,
// small enough to be read from a table of numbers.
type Net struct {
	In     int       `json:"in"`
	Hidden int       `json:"hidden"`
	Out    int       `json:"out"`
	W1     []float32 `json:"w1"` // Hidden x In
	B1     []float32 `json:"b1"`
	W2     []float32 `json:"w2"` // Out x Hidden
	B2     []float32 `json:"b2"`
}

// Apply returns the outputs for one input of length In. h and out are scratch
// and result, of lengths Hidden and Out.
func (n *Net) Apply(x, h, out []float32) {
	for j := range h {
		h[j] = tanh(n.B1[j] + dot(n.W1[j*n.In:(j+1)*n.In], x))
	}
	for k := range out {
		sum := n.B2[k]
		for j, v := range h {
			sum += n.W2[k*n.Hidden+j] * v
		}
		out[k] = sum
	}
}

// dot is the scalar product, in four sums that do not wait for each other.
func dot(w, x []float32) float32 {
	var a, b, c, d float32
	w = w[:len(x)]
	i := 0
	for ; i+4 <= len(x); i += 4 {
		a += w[i] * x[i]
		b += w[i+1] * x[i+1]
		c += w[i+2] * x[i+2]
		d += w[i+3] * x[i+3]
	}
	for ; i < len(x); i++ {
		a += w[i] * x[i]
	}
	return a + b + c + d
}

// tanh is a rational approximation, within 2e-4 of the true value over the
// whole line; it is used both in training and in reading.
func tanh(x float32) float32 {
	if x > 4.97 {
		return 1
	}
	if x < -4.97 {
		return -1
	}
	x2 := x * x
	a := x * (135135 + x2*(17325+x2*(378+x2)))
	b := 135135 + x2*(62370+x2*(3150+x2*28))
	return a / b
}

// Turned returns the features of a column as seen when the core is turned end
// for end: what changes sign does, the rest stays.
func Turned(dst, row []float32) {
	for k, v := range row {
		if odd(k) {
			v = -v
		}
		dst[k] = v
	}
}

// sigmoid returns 1/(1+exp(-x)).
func sigmoid(x float64) float64 { return 1 / (1 + math.Exp(-x)) }
