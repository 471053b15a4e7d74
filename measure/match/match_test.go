package match

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestInOrderIsBest compares the dynamic programme with trying everything.
func TestInOrderIsBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(0, 5).Draw(t, "n"), rapid.IntRange(0, 5).Draw(t, "m")
		g := make([][]float64, n)
		for i := range g {
			g[i] = make([]float64, m)
			for j := range g[i] {
				g[i][j] = float64(rapid.IntRange(0, 4).Draw(t, "g"))
			}
		}
		gain := func(i, j int) float64 { return g[i][j] }
		var try func(i, j int) float64
		try = func(i, j int) float64 {
			if i == n {
				return 0
			}
			best := try(i+1, j)
			for k := j; k < m; k++ {
				if g[i][k] > 0 {
					best = max(best, g[i][k]+try(i+1, k+1))
				}
			}
			return best
		}
		var sum float64
		last := -1
		for i, j := range InOrder(n, m, gain) {
			if j < 0 {
				continue
			}
			if j <= last || g[i][j] == 0 {
				t.Fatalf("partner %d of %d is out of order or not allowed", j, i)
			}
			last = j
			sum += g[i][j]
		}
		if want := try(0, 0); sum != want {
			t.Fatalf("gain %g, want %g", sum, want)
		}
	})
}

func TestWithin(t *testing.T) {
	for _, tt := range []struct {
		name string
		a, b []float64
		tol  float64
		want []int
	}{
		{"the nearer of two", []float64{1}, []float64{0.8, 1.1}, 0.3, []int{1}},
		{"one missed, one extra", []float64{1, 2, 3}, []float64{1, 3, 4}, 0.2, []int{0, -1, 1}},
		{"as many as can be, though one is nearer to another's", []float64{1, 1.2}, []float64{1.15, 1.4}, 0.25, []int{0, 1}},
		{"at the very tolerance", []float64{1}, []float64{1.5}, 0.5, []int{0}},
		{"no tolerance: the same place", []float64{1, 2}, []float64{1, 2.001}, 0, []int{0, -1}},
		{"nothing", nil, []float64{1}, 1, []int{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := Within(tt.a, tt.b, func(_, _ int) float64 { return tt.tol })
			if !slices.Equal(got, tt.want) {
				t.Errorf("partners %v, want %v", got, tt.want)
			}
		})
	}
}
