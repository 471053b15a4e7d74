package raster

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// InParallel calls do for 0 to n-1, in that order but on all processors, and
// returns when all calls have; each must write to its own places only. A panic
// in one of them is the caller's.
func InParallel(n int, do func(i int)) {
	var next atomic.Int64
	var fault atomic.Value
	work := func() {
		defer func() {
			if f := recover(); f != nil {
				fault.CompareAndSwap(nil, caught{f})
			}
		}()
		for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
			do(i)
		}
	}
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(work)
	}
	wg.Wait()
	if f, is := fault.Load().(caught); is {
		panic(f.value)
	}
}

// caught is what a call panicked with.
type caught struct{ value any }
