// Package match pairs the boundaries of two readings of one core.
package match

import "math"

// InOrder matches two lists that run in the same order, one to one and without
// crossings, so that the sum of gains is greatest. gain returns a positive
// number where i of the first and j of the second may be matched, else 0. It
// returns for each of the first its partner, or -1. It takes n*m steps.
func InOrder(n, m int, gain func(i, j int) float64) []int {
	best := make([]float64, (n+1)*(m+1)) // of the first i and the first j
	at := func(i, j int) *float64 { return &best[i*(m+1)+j] }
	for i := 1; i <= n; i++ {
		for j := 1; j <= m; j++ {
			b := max(*at(i-1, j), *at(i, j-1))
			if g := gain(i-1, j-1); g > 0 {
				b = max(b, *at(i-1, j-1)+g)
			}
			*at(i, j) = b
		}
	}
	partner := make([]int, n)
	for i := range partner {
		partner[i] = -1
	}
	for i, j := n, m; i > 0 && j > 0; {
		switch b := *at(i, j); {
		case b == *at(i-1, j):
			i--
		case b == *at(i, j-1):
			j--
		default:
			partner[i-1] = j - 1
			i, j = i-1, j-1
		}
	}
	return partner
}

// Within matches the places of two lists, each rising, one to one: as many as
// lie within the tolerance of each other and, of all ways to match that many,
// the nearest. tolerance gives how far i of the first and j of the second may
// lie apart. It returns for each of the first its partner, or -1.
func Within(a, b []float64, tolerance func(i, j int) float64) []int {
	most := float64(min(len(a), len(b)) + 1) // outweighs the nearness of all others together
	return InOrder(len(a), len(b), func(i, j int) float64 {
		d, tol := math.Abs(a[i]-b[j]), tolerance(i, j)
		if !(d <= tol) {
			return 0
		}
		if tol == 0 {
			return most
		}
		return most - d/tol
	})
}

// Tolerance is how far from a boundary another reading of it may lie, mm: the
// larger of 2 px and the smaller of 0.10 mm and a quarter of the narrower ring
// beside it (chosen). pxMM is the size of a pixel.
func Tolerance(pxMM, ringMM float64) float64 {
	return math.Max(2*pxMM, math.Min(0.10, ringMM/4))
}
