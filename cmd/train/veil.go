package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"pithward/vision/evidence"
)

// learnVeil learns to tell hidden wood from open wood, block by block. Blocks
// at a veil's edge are neither.
func learnVeil(m *evidence.Model, samples []sample) {
	rng := rand.New(rand.NewPCG(12, 3))
	var data []example
	for i := range samples {
		s := &samples[i]
		span := s.pastPith()
		signs, px := s.Features.Blocks(span)
		for b, x := range signs {
			mid := (float64(b) + 0.5) * px
			class, edge := s.veiled(mid, px)
			if edge || mid < span.From || mid > span.To {
				continue
			}
			weight := float32(1)
			if class == 0 {
				if rng.Float64() > 0.15 {
					continue
				}
				weight = 1 / 0.15
			}
			data = append(data, example{x, class, weight})
		}
	}
	m.Veil = fit(data, 1+len(evidence.VeilKinds), fitting{hidden: 16, epochs: 40, rate: 3e-3, decay: 1e-3, noise: 0.03, drop: 0.02, seed: 10})
}

// pastPith is the wood with what of the core lies beyond the pith: where the
// reader does not notice the pith it looks for hidden wood there too.
func (s *sample) pastPith() evidence.Span {
	span := s.Span
	if s.Dir > 0 {
		span.To = s.Whole.To
	} else {
		span.From = s.Whole.From
	}
	return span
}

// veiled tells which kind of veil a column lies under, 0 for none, and whether
// it is within a block's length of a veil's edge.
func (s *sample) veiled(u, px float64) (class int, edge bool) {
	for _, v := range s.Veils {
		if math.Abs(u-v.From) < px || math.Abs(u-v.To) < px {
			edge = true
		}
		if u >= v.From && u <= v.To {
			class = 1 + slices.Index(evidence.VeilKinds, v.Kind)
		}
	}
	return class, edge
}

// reportVeils counts veils found, missed and invented, those in truth of a
// millimetre and more, and the kinds told rightly.
func reportVeils(m *evidence.Model, samples []sample) {
	var there, found, kind, invented int
	var length float64
	for i := range samples {
		s := &samples[i]
		got := s.Span.Veils
		length += (s.Span.To - s.Span.From) / s.PerMM
		for _, v := range s.Veils {
			if v.To-v.From < s.PerMM || v.To > s.Span.To || v.From < s.Span.From {
				continue
			}
			there++
			for _, g := range got {
				if math.Min(v.To, g.To)-math.Max(v.From, g.From) > 0.5*(v.To-v.From) {
					found++
					if g.Kind == v.Kind {
						kind++
					}
					break
				}
			}
		}
		for _, g := range got {
			if !slices.ContainsFunc(s.Veils, func(v veil) bool { return v.From < g.To && g.From < v.To }) {
				invented++
			}
		}
	}
	fmt.Printf("hidden stretches of 1 mm and more: %d of %d found, %d of the right kind; %d invented on %.0f mm\n", found, there, kind, invented, length)
}
