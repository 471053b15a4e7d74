package grade

import (
	"math/rand/v2"
	"testing"
)

// The key's core is told from every other of the archives, the same site's
// among them, also when it was measured along another radius (8 % noise), in
// another unit or from the wrong end.
func TestOwnCore(t *testing.T) {
	series := archived(t)
	r := rand.New(rand.NewPCG(5, 8))
	var own, other, ownWrong, otherWrong, way, wayWrong int
	for i, key := range series {
		if i >= 60 || testing.Short() && i >= 15 {
			break
		}
		k := newKey(t, work("key", key, 2000))
		student, _, _ := spoiled(r, key, len(key)/20, 0.08)
		if got := k.Student(work("a", student, 2000)); count(got, WrongCore)+count(got, Units)+count(got, Reversed) > 0 {
			ownWrong++
			t.Logf("%d rings: own core gives %v", len(key), words(got.Faults))
		}
		own++
		stranger, _, _ := spoiled(r, series[(i+1)%len(series)], 0, 0.02)
		if got := k.Student(work("a", stranger, 2000)); count(got, WrongCore) == 0 {
			otherWrong++
			t.Logf("%d rings: another core gives %v", len(key), words(got.Faults))
		}
		other++
		factor := []float64{10, 0.1, 100, 25.4, 1 / 25.4, 2, 0.5}[i%7]
		student, _, _ = spoiled(r, key, len(key)/20, 0.03)
		got := k.Student(work("a", scaledBy(student, factor), 2000))
		back := k.Student(work("a", backwards(student), 2000))
		if count(got, Units) != 1 || count(got, WrongCore) > 0 || count(back, Reversed) != 1 {
			wayWrong++
			t.Logf("%d rings: times %.3g gives %v, backwards %v", len(key), factor, words(got.Faults), words(back.Faults))
		}
		way++
	}
	t.Logf("own core taken for another %d of %d; another for it %d of %d; unit or order not told %d of %d", ownWrong, own, otherWrong, other, wayWrong, way)
	if 50*ownWrong > own || 50*otherWrong > other || 50*wayWrong > way { // 2 in 100
		t.Error("too many")
	}
}

func count(r Result, kind Kind) (n int) {
	for _, f := range r.Faults {
		if f.Kind == kind {
			n++
		}
	}
	return n
}
