package raster

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// InParallel calls do for 0 to n-1, in that order but on all processors, and
// returns when all calls have; each must write to its own places only.
func InParallel(n int, do func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	wg.Wait()
}
