package grade

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"pithward/measure/archive"
)

// archived returns whole series of real archives (ITRDB, NOAA/WDS Paleo), bark
// to pith, without absent or missing rings.
func archived(t *testing.T) [][]float64 {
	files, _ := filepath.Glob("../../../shared/reference/itrdb/*.rwl")
	if len(files) == 0 {
		t.Skip("the archive series (../shared/reference/itrdb) are not here")
	}
	var all [][]float64
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		c, err := archive.Read(path, data)
		if err != nil {
			continue
		}
		for i, s := range c.Series {
			if i%7 != 0 || len(s.Widths) < 50 || len(s.Widths) > 350 {
				continue
			}
			var w []float64
			for _, x := range s.Trim().Widths {
				if x > 0 {
					w = append(w, float64(x))
				}
			}
			slices.Reverse(w)
			if len(w) >= 50 {
				all = append(all, w)
			}
		}
	}
	return all
}

// grown draws widths as wood grows: log-normal, each remembering the one before.
func grown(r *rand.Rand, n int) []float64 {
	w := make([]float64, n)
	x := 0.0
	for i := range w {
		x = 0.5*x + 0.3*r.NormFloat64()
		w[i] = math.Round(1000*1.1*math.Exp(x)) / 1000
	}
	return w
}

// spoiled returns the widths with so many boundaries taken away and put in at
// random places, then measured with noise; and what was done: boundaries missed
// (from 1, inside ring of that number) and rings split.
func spoiled(r *rand.Rand, key []float64, faults int, noise float64) (student []float64, missed, split []int) {
	type mark struct {
		at float64
		no int // of the key's boundary; -1: invented
	}
	at := axis(key)
	var marks []mark
	for j, x := range at {
		marks = append(marks, mark{x, j})
	}
	gone := map[int]bool{}
	for range faults {
		if r.IntN(2) == 0 {
			gone[1+r.IntN(len(key)-1)] = true
			continue
		}
		ring := r.IntN(len(key))
		marks = append(marks, mark{at[ring] + key[ring]*(0.15+0.7*r.Float64()), -1})
		split = append(split, ring+1)
	}
	for j := range gone {
		missed = append(missed, j)
	}
	slices.SortFunc(marks, func(a, b mark) int {
		if a.at < b.at {
			return -1
		}
		return 1
	})
	last := math.Inf(-1)
	for _, m := range marks {
		if gone[m.no] && m.no >= 0 {
			continue
		}
		if !math.IsInf(last, -1) {
			student = append(student, max(0.001, math.Round(1000*(m.at-last)*(1+noise*r.NormFloat64()))/1000))
		}
		last = m.at
	}
	slices.Sort(missed)
	slices.Sort(split)
	return student, missed, split
}

// told returns what a grading says of the same. A boundary set elsewhere is one
// missed and a ring split.
func told(f *finder, faults []Fault) (missed, split []int) {
	for _, x := range faults {
		switch x.Kind {
		case Missed:
			missed = append(missed, *x.KeyRing)
		case Invented:
			split = append(split, *x.KeyRing)
		case Displaced:
			missed = append(missed, *x.KeyRing)
		}
	}
	for i, j := range f.pair {
		if j >= 0 && f.partner[i] < 0 {
			ring := j
			if f.student[i] > f.key[j] {
				ring++
			}
			split = append(split, ring)
		}
	}
	slices.Sort(missed)
	slices.Sort(split)
	return missed, split
}

func recovered(key, student []float64, missed, split []int) bool {
	a, ok := align(key, student)
	if !ok {
		return false
	}
	kw, sw := Work{}, Work{}
	for _, x := range key {
		kw.Rings = append(kw.Rings, Ring{WidthMM: x})
	}
	for _, x := range student {
		sw.Rings = append(sw.Rings, Ring{WidthMM: x})
	}
	rule := DefaultRubric().Tolerance
	rule.MM, rule.RingShare = 0, 0 // every boundary off its place counts here
	f := newFinder(a.compare(rule), kw, sw)
	m, s := told(f, f.faults())
	return slices.Equal(m, missed) && slices.Equal(s, split)
}

// Any random set of up to one fault in ten rings, boundaries missed and rings
// split, measured with 2 % noise, is recovered, all of it, at least 97 times in
// 100: on real series, and on grown ones where those are not.
func TestFaultsRecovered(t *testing.T) {
	for _, source := range []string{"real", "grown"} {
		t.Run(source, func(t *testing.T) {
			r := rand.New(rand.NewPCG(7, 11))
			var series [][]float64
			if source == "real" {
				series = archived(t)
			} else {
				for range 60 {
					series = append(series, grown(r, 60+r.IntN(150)))
				}
			}
			n, good, most := 0, 0, 400
			if testing.Short() {
				most = 40
			}
			for len(series) > 0 && n < most {
				key := series[n%len(series)]
				faults := len(key) / 10 // every other time as many as can be
				if n%2 == 1 {
					faults = r.IntN(faults + 1)
				}
				student, missed, split := spoiled(r, key, faults, 0.02)
				n++
				if recovered(key, student, missed, split) {
					good++
				}
			}
			t.Logf("%s: %d of %d sets of faults recovered whole", source, good, n)
			if float64(good) < 0.97*float64(n) {
				t.Errorf("recovered %d of %d, want 97 in 100", good, n)
			}
		})
	}
}

// How sure an alignment is said to be is how often it is right, at small noise
// and large.
func TestCertainty(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 17))
	for _, noise := range []float64{0.02, 0.06, 0.1} {
		var said, right, n float64
		for n < 40 {
			key := grown(r, 60+r.IntN(100))
			student, missed, split := spoiled(r, key, len(key)/15, noise)
			a, _ := align(key, student)
			said += a.compare(Tolerance{}).sure
			if recovered(key, student, missed, split) {
				right++
			}
			n++
		}
		t.Logf("noise %.0f %%: said %.3f, right %.3f", 100*noise, said/n, right/n)
		if d := (said - right) / n; d > 0.15 || d < -0.15 { // two standard deviations of 40 trials at 0.7
			t.Errorf("noise %g: said %.3f, right %.3f", noise, said/n, right/n)
		}
	}
}

func BenchmarkAlign(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	key := grown(r, 300)
	student, _, _ := spoiled(r, key, 15, 0.02)
	for b.Loop() {
		a, _ := align(key, student)
		a.compare(DefaultRubric().Tolerance)
	}
}

// BenchmarkClass grades a class of thirty on a core of three hundred rings.
func BenchmarkClass(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	widths := grown(r, 300)
	k, err := NewKey(DefaultRubric(), work("key", widths, 2000))
	if err != nil {
		b.Fatal(err)
	}
	var class []Work
	for i := range 30 {
		student, _, _ := spoiled(r, widths, i/2, 0.02)
		class = append(class, work("a", student, 2000))
	}
	for b.Loop() {
		if _, err := k.Class(b.Context(), class); err != nil {
			b.Fatal(err)
		}
	}
}
