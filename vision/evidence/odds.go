package evidence

import (
	"pithward/measure"
	"pithward/vision/raster"
)

// odds works out, when they are first asked for, the log odds of a boundary at
// every column of one core, for each kind of wood and both directions.
type odds struct {
	m  *Model
	f  *Features
	by map[measure.Wood]bothWays
}

// bothWays are the log odds of all columns with the bark at low columns, and
// at high ones.
type bothWays struct{ low, high []float32 }

func (m *Model) oddsOf(f *Features) *odds {
	return &odds{m, f, map[measure.Wood]bothWays{}}
}

// of returns the log odds under one kind of wood and one direction.
func (o *odds) of(wood measure.Wood, dir int) []float32 {
	b, there := o.by[wood]
	if !there {
		b = o.m.Column[wood].bothWays(o.f)
		o.by[wood] = b
	}
	if dir < 0 {
		return b.high
	}
	return b.low
}

// bothWays applies a net of one output to all columns as they are and as the
// turned core shows them. Turned, the odd features change sign and the even ones
// stay: so each of their shares in a hidden unit is summed up once for both.
func (n *Net) bothWays(f *Features) bothWays {
	var evens, turning []int // indices of features
	for k := range FeatureCount {
		if odd(k) {
			turning = append(turning, k)
		} else {
			evens = append(evens, k)
		}
	}
	stay, turn := n.columns(evens), n.columns(turning)
	out := bothWays{make([]float32, f.Cols), make([]float32, f.Cols)}
	const block = 1024 // columns
	raster.InParallel((f.Cols+block-1)/block, func(i int) {
		x, y := make([]float32, len(evens)), make([]float32, len(turning))
		for u := i * block; u < min((i+1)*block, f.Cols); u++ {
			row := f.Row(u)
			pick(x, row, evens)
			pick(y, row, turning)
			low, high := n.B2[0], n.B2[0]
			for j := range n.Hidden {
				a := n.B1[j] + dot(stay[j*len(x):(j+1)*len(x)], x)
				b := dot(turn[j*len(y):(j+1)*len(y)], y)
				low += n.W2[j] * tanh(a+b)
				high += n.W2[j] * tanh(a-b)
			}
			out.low[u], out.high[u] = low, high
		}
	})
	return out
}

// columns returns those weights of the hidden units that are given to some
// inputs alone, Hidden x len(inputs).
func (n *Net) columns(inputs []int) []float32 {
	out := make([]float32, n.Hidden*len(inputs))
	for j := range n.Hidden {
		pick(out[j*len(inputs):(j+1)*len(inputs)], n.W1[j*n.In:(j+1)*n.In], inputs)
	}
	return out
}

func pick(dst, src []float32, at []int) {
	for i, k := range at {
		dst[i] = src[k]
	}
}
