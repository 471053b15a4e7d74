package main

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestUnits: a net learned in the inputs' own units tells, of the inputs as
// they are, two classes apart that differ in a small input beside a large one
// that means nothing.
func TestUnits(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var data []example
	for i := range 400 {
		class := i % 2
		data = append(data, example{[]float32{float32(100 * rng.NormFloat64()), float32(0.5 + 0.01*float64(class) + 0.002*rng.NormFloat64())}, class, 1})
	}
	u := unitsOf(data)
	if math.Abs(float64(u.mean[1])-0.505) > 0.001 {
		t.Errorf("mean %.4f, want 0.505", u.mean[1])
	}
	n := u.back(fit(u.to(data), 2, fitting{hidden: 4, epochs: 30, rate: 3e-3, seed: 1}))
	right := 0
	for _, e := range data {
		y := make([]float32, 2)
		n.Apply(e.x, make([]float32, n.Hidden), y)
		if (y[1] > y[0]) == (e.class == 1) {
			right++
		}
	}
	if right < 380 {
		t.Errorf("%d of 400 right", right)
	}
}
