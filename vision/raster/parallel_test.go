package raster

import (
	"sync/atomic"
	"testing"
)

func TestInParallel(t *testing.T) {
	for _, n := range []int{0, 1, 2, 1000} {
		got := make([]atomic.Int32, n)
		InParallel(n, func(i int) { got[i].Add(1) })
		for i := range got {
			if c := got[i].Load(); c != 1 {
				t.Errorf("%d of %d was called %d times", i, n, c)
			}
		}
	}
}

// A fault of our own in one core must reach what turns it into that core's
// warning.
func TestInParallelPanics(t *testing.T) {
	defer func() {
		if f := recover(); f != "broken" {
			t.Errorf("the caller caught %v", f)
		}
	}()
	InParallel(8, func(i int) {
		if i == 5 {
			panic("broken")
		}
	})
	t.Error("it went on")
}
