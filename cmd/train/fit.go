package main

import (
	"math"
	"math/rand/v2"

	"pithward/vision/evidence"
)

// example is one input with the class it belongs to (0 or 1 for a net with
// one output, else the index of the output) and its weight.
type example struct {
	x      []float32
	class  int
	weight float32
}

// fitting holds the choices of a training run.
type fitting struct {
	hidden int
	epochs int
	rate   float64
	decay  float64 // weight decay, against leaning on single features
	noise  float64 // added to inputs, so that no exact value is trusted
	drop   float64 // share of inputs set to zero
	seed   uint64
}

// fit trains a net by Adam (Kingma & Ba 2015) on the cross entropy of one
// logistic output, or of a softmax over several.
func fit(data []example, out int, f fitting) *evidence.Net {
	rng := rand.New(rand.NewPCG(f.seed, 1))
	in := len(data[0].x)
	n := &evidence.Net{In: in, Hidden: f.hidden, Out: out,
		W1: make([]float32, f.hidden*in), B1: make([]float32, f.hidden),
		W2: make([]float32, out*f.hidden), B2: make([]float32, out)}
	for i := range n.W1 {
		n.W1[i] = float32(rng.NormFloat64() / math.Sqrt(float64(in)))
	}
	for i := range n.W2 {
		n.W2[i] = float32(rng.NormFloat64() / math.Sqrt(float64(f.hidden)))
	}
	t := newTrainer(n, f, rng)
	order := rng.Perm(len(data))
	const batch = 128
	total := f.epochs * (len(data)/batch + 1)
	for e := 0; e < f.epochs; e++ {
		rng.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for a := 0; a < len(order); a += batch {
			t.clear()
			for _, i := range order[a:min(len(order), a+batch)] {
				t.add(&data[i])
			}
			t.step(f.rate * 0.5 * (1 + math.Cos(math.Pi*float64(t.steps)/float64(total))))
		}
	}
	return n
}

// trainer holds the gradient and the moments of all weights of a net.
type trainer struct {
	n      *evidence.Net
	f      fitting
	rng    *rand.Rand
	params [][]float32
	grad   [][]float32
	m, v   [][]float32
	weight float32
	steps  int
	x, h   []float32
	y, dh  []float32
}

func newTrainer(n *evidence.Net, f fitting, rng *rand.Rand) *trainer {
	t := &trainer{n: n, f: f, rng: rng, params: [][]float32{n.W1, n.B1, n.W2, n.B2}}
	for _, p := range t.params {
		t.grad = append(t.grad, make([]float32, len(p)))
		t.m = append(t.m, make([]float32, len(p)))
		t.v = append(t.v, make([]float32, len(p)))
	}
	t.x, t.h = make([]float32, n.In), make([]float32, n.Hidden)
	t.y, t.dh = make([]float32, n.Out), make([]float32, n.Hidden)
	return t
}

func (t *trainer) clear() {
	for _, g := range t.grad {
		clear(g)
	}
	t.weight = 0
}

// add puts the gradient of one example to the sum.
func (t *trainer) add(e *example) {
	for i, v := range e.x {
		if t.f.drop > 0 && t.rng.Float64() < t.f.drop {
			v = 0
		}
		if t.f.noise > 0 {
			v += float32(t.f.noise * (t.rng.Float64() + t.rng.Float64() - 1) * 1.7)
		}
		t.x[i] = v
	}
	t.n.Apply(t.x, t.h, t.y)
	t.weight += e.weight
	outputError(t.y, e.class)
	clear(t.dh)
	for k, d := range t.y {
		d *= e.weight
		t.grad[3][k] += d
		w := t.n.W2[k*t.n.Hidden : (k+1)*t.n.Hidden]
		g := t.grad[2][k*t.n.Hidden : (k+1)*t.n.Hidden]
		for j, h := range t.h {
			g[j] += d * h
			t.dh[j] += d * w[j]
		}
	}
	for j, h := range t.h {
		d := t.dh[j] * (1 - h*h)
		t.grad[1][j] += d
		g := t.grad[0][j*t.n.In : (j+1)*t.n.In]
		for i, v := range t.x {
			g[i] += d * v
		}
	}
}

// outputError turns outputs into the derivative of the cross entropy.
func outputError(y []float32, class int) {
	if len(y) == 1 {
		y[0] = float32(1/(1+math.Exp(-float64(y[0])))) - float32(class)
		return
	}
	top := y[0]
	for _, v := range y {
		top = max(top, v)
	}
	var sum float64
	for k, v := range y {
		e := math.Exp(float64(v - top))
		y[k] = float32(e)
		sum += e
	}
	for k := range y {
		y[k] /= float32(sum)
	}
	y[class]--
}

func (t *trainer) step(rate float64) {
	t.steps++
	if t.weight == 0 {
		return
	}
	c1 := 1 - math.Pow(0.9, float64(t.steps))
	c2 := 1 - math.Pow(0.999, float64(t.steps))
	for k, p := range t.params {
		g, m, v := t.grad[k], t.m[k], t.v[k]
		for i := range p {
			d := g[i] / t.weight
			m[i] = 0.9*m[i] + 0.1*d
			v[i] = 0.999*v[i] + 0.001*d*d
			p[i] -= float32(rate * (float64(m[i])/c1/(math.Sqrt(float64(v[i])/c2)+1e-8) + t.f.decay*float64(p[i])))
		}
	}
}

// units are the mean and the scatter of each input.
type units struct{ mean, scatter []float32 }

func unitsOf(data []example) units {
	n := len(data[0].x)
	u := units{make([]float32, n), make([]float32, n)}
	for k := range n {
		var sum, square float64
		for _, e := range data {
			sum += float64(e.x[k])
		}
		mean := sum / float64(len(data))
		for _, e := range data {
			d := float64(e.x[k]) - mean
			square += d * d
		}
		u.mean[k], u.scatter[k] = float32(mean), float32(math.Sqrt(square/float64(len(data)))+1e-3)
	}
	return u
}

// to returns the examples in these units.
func (u units) to(data []example) []example {
	out := make([]example, len(data))
	for i, e := range data {
		x := make([]float32, len(e.x))
		for k, v := range e.x {
			x[k] = (v - u.mean[k]) / u.scatter[k]
		}
		out[i] = example{x, e.class, e.weight}
	}
	return out
}

// back changes a net learned in these units to take inputs as they are.
func (u units) back(n *evidence.Net) *evidence.Net {
	for j := range n.Hidden {
		w := n.W1[j*n.In : (j+1)*n.In]
		for k := range w {
			w[k] /= u.scatter[k]
			n.B1[j] -= w[k] * u.mean[k]
		}
	}
	return n
}
