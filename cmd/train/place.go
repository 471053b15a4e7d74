package main

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pithward/measure"
	"pithward/vision/evidence"
)

// placed is a right boundary as found: what tells how well it lies, how far it
// is off towards the pith in mm, and whether the one before it on the core is
// the neighbour it has in truth.
type placed struct {
	signs []float64
	off   float64
	next  bool
}

// places returns the right boundaries of the samples.
func places(m *evidence.Model, samples []*sample) []placed {
	var out []placed
	for _, s := range samples {
		r := m.ReadFrom(s.Features, s.proposed(m), s.Wood, s.Span)
		labels := s.matched(r.Candidates)
		last := -2
		for i, k := range r.Accepted {
			if labels[k] != 1 {
				continue
			}
			l := m.Locate(s.Features, r, k, s.Wood, s.Span, s.Course.SlopeAt(r.Candidates[k].U))
			out = append(out, placed{l.Signs, (l.U - s.nearest(l.U)) * float64(s.Dir) / s.PerMM, last == i-1})
			last = i
		}
	}
	return out
}

// learnPlace learns, for each kind of wood, how places found deviate from the
// true ones: the mean by least squares, robust against few that are far off
// (Huber 1964), then the logarithm of the deviation by maximum likelihood, and
// then a common factor, so that 95 % of the widths between neighbours lie
// within 1.96 deviations, and last what they share.
func learnPlace(m *evidence.Model, samples []sample) {
	m.Place = nil
	m.Place = perWood(func(w measure.Wood) evidence.Placing {
		p := places(m, of(samples, w))
		offset := leastSquares(p)
		for i := range p {
			p[i].off -= dot(p[i].signs, offset)
		}
		deviation := logDeviation(p)
		var ratio []float64
		for i := 1; i < len(p); i++ {
			if p[i].next {
				a, b := math.Exp(dot(p[i-1].signs, deviation)), math.Exp(dot(p[i].signs, deviation))
				ratio = append(ratio, math.Abs(p[i].off-p[i-1].off)/math.Hypot(a, b))
			}
		}
		slices.Sort(ratio)
		if len(ratio) > 20 {
			deviation[0] += math.Log(ratio[int(0.95*float64(len(ratio)))] / 1.96)
		}
		for i := range offset {
			offset[i], deviation[i] = -round4(offset[i]), round4(deviation[i])
		}
		return evidence.Placing{Offset: offset, Deviation: deviation, SharedMM: round4(shared(p, deviation))}
	})
}

// shared is the least standard deviation in mm of what a core's boundaries are
// off by together, so that 95 % of the places lie within 1.96 deviations: what
// neighbours share cancels in widths, and widths tell nothing of it.
func shared(p []placed, deviation []float64) float64 {
	var lacking []float64 // squared, to hold each place
	for _, x := range p {
		own := math.Exp(dot(x.signs, deviation))
		lacking = append(lacking, x.off*x.off/(1.96*1.96)-own*own)
	}
	slices.Sort(lacking)
	return math.Sqrt(math.Max(0, lacking[int(0.95*float64(len(lacking)))]))
}

func round4(x float64) float64 { return math.Round(x*1e4) / 1e4 }

func dot(a, b []float64) float64 {
	var s float64
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// leastSquares fits off = signs . weights, reweighted so that errors beyond
// 1.5 deviations count linearly.
func leastSquares(p []placed) []float64 {
	n := len(p[0].signs)
	w := make([]float64, n)
	for range 10 {
		var rest []float64
		for _, x := range p {
			rest = append(rest, math.Abs(x.off-dot(x.signs, w)))
		}
		limit := 1.5 * 1.4826 * median(rest)
		a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		for i, x := range p {
			weight := math.Min(1, limit/math.Max(rest[i], 1e-9))
			for j := range n {
				b.SetVec(j, b.AtVec(j)+weight*x.signs[j]*x.off)
				for k := j; k < n; k++ {
					a.SetSym(j, k, a.At(j, k)+weight*x.signs[j]*x.signs[k])
				}
			}
		}
		w = solve(a, b, w)
	}
	return w
}

// logDeviation fits ln(deviation) = signs . weights to the errors by scoring
// the normal likelihood, errors beyond four deviations pulled in.
func logDeviation(p []placed) []float64 {
	n := len(p[0].signs)
	w := make([]float64, n)
	w[0] = math.Log(0.02)
	for range 60 {
		a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		for _, x := range p {
			z := math.Min(4, math.Abs(x.off)/math.Exp(dot(x.signs, w)))
			for j := range n {
				b.SetVec(j, b.AtVec(j)+x.signs[j]*(z*z-1)/2)
				for k := j; k < n; k++ {
					a.SetSym(j, k, a.At(j, k)+x.signs[j]*x.signs[k])
				}
			}
		}
		step := solve(a, b, make([]float64, n))
		for j := range w {
			w[j] += math.Max(-0.5, math.Min(0.5, step[j]))
		}
	}
	return w
}

// solve returns a^-1 b, a little ridge added; otherwise is given back where
// there is none.
func solve(a *mat.SymDense, b *mat.VecDense, otherwise []float64) []float64 {
	n := b.Len()
	for j := range n {
		a.SetSym(j, j, a.At(j, j)*1.0001+1e-3)
	}
	var c mat.Cholesky
	if !c.Factorize(a) {
		return otherwise
	}
	var x mat.VecDense
	if err := c.SolveVecTo(&x, b); err != nil {
		return otherwise
	}
	return slices.Clone(x.RawVector().Data)
}

// widthFigures measures what the places are worth: bias and root mean square
// of the boundaries' errors in mm, and the share of the widths between
// neighbours within 1.96 of their stated deviations.
func widthFigures(m *evidence.Model, samples []*sample, w measure.Wood) (bias, rms, holds float64) {
	var n, held, of float64
	p := places(m, samples)
	for i, x := range p {
		bias += x.off
		rms += x.off * x.off
		n++
		if i > 0 && x.next {
			d := m.Place[w].Deviation
			a, b := math.Exp(dot(p[i-1].signs, d)), math.Exp(dot(x.signs, d))
			if of++; math.Abs(x.off-p[i-1].off) <= 1.96*math.Hypot(a, b) {
				held++
			}
		}
	}
	return bias / math.Max(1, n), math.Sqrt(rms / math.Max(1, n)), held / math.Max(1, of)
}
