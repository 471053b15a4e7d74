package main

import (
	"math"
	"slices"

	"pithward/vision/evidence"
)

// rounded shortens a model's numbers to four decimals, so that the table stays
// small and its differences readable.
func rounded(m *evidence.Model) *evidence.Model {
	for _, n := range m.Column {
		roundNet(n)
	}
	for _, n := range m.Context {
		roundNet(n)
	}
	roundNet(m.Wood)
	roundNet(m.Bark)
	roundNet(m.Veil)
	return m
}

func roundNet(n *evidence.Net) {
	for _, p := range [][]float32{n.W1, n.B1, n.W2, n.B2} {
		for i, v := range p {
			p[i] = float32(math.Round(float64(v)*1e4) / 1e4)
		}
	}
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[len(s)/2]
}
