package dating

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
)

// madeSeries are patterns with a common signal over the same years.
func madeSeries(count, years int, shared float64, seed uint64) []Values {
	random := rand.New(rand.NewPCG(seed, 0))
	signal := make([]float64, years)
	for t := range signal {
		signal[t] = random.NormFloat64()
	}
	out := make([]Values, count)
	for i := range out {
		out[i] = Values{FirstYear: 1500, V: make([]float64, years)}
		for t := range signal {
			out[i].V[t] = math.Sqrt(shared)*signal[t] + math.Sqrt(1-shared)*random.NormFloat64()
		}
	}
	return out
}

// Each pair's best position is what a direct search over all finds, gaps or no.
func TestPairsAgainstDirectSearch(t *testing.T) {
	series := madeSeries(6, 80, 0.4, 1)
	series[1] = Values{1530, series[1].V[10:60]} // misdated by 20 years
	series[2].V[40] = math.NaN()
	series[3].V[0] = math.NaN()
	series[4] = Values{0, make([]float64, 50)} // does not vary
	series[5] = Values{1500, series[5].V[:10]} // too short
	var got []Pair
	if err := Pairs(context.Background(), series, 20, func(p Pair) error { got = append(got, p); return nil }); err != nil {
		t.Fatal(err)
	}
	k := 0
	for a := range series {
		for b := a + 1; b < len(series); b++ {
			want := Pair{A: a, B: b, Z: math.Inf(-1)}
			for moved := -200; moved <= 2200; moved++ {
				c := Correlate(series[b].Moved(moved), series[a])
				if !c.OK || c.N < 20 {
					continue
				}
				if z := math.Atanh(c.R) * math.Sqrt(float64(c.N-3)); z > want.Z {
					want.Moved, want.Overlap, want.R, want.Z, want.OK = moved, c.N, c.R, z, true
				}
			}
			p := got[k]
			k++
			if p.A != a || p.B != b || p.OK != want.OK {
				t.Fatalf("pair %d: %+v, want %+v", k, p, want)
			}
			if p.OK && (p.Moved != want.Moved || p.Overlap != want.Overlap || math.Abs(p.R-want.R) > 1e-12) {
				t.Errorf("%d with %d: %+v, want %+v", a, b, p, want)
			}
		}
	}
	if got[0].Moved != -20 {
		t.Errorf("the misdated series is moved by %d years, want -20", got[0].Moved)
	}
}

func TestPairsStops(t *testing.T) {
	halt := errors.New("halt")
	n := 0
	err := Pairs(context.Background(), madeSeries(50, 60, 0.3, 2), 30, func(Pair) error {
		if n++; n == 100 {
			return halt
		}
		return nil
	})
	if !errors.Is(err, halt) || n != 100 {
		t.Errorf("%v after %d pairs", err, n)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := Pairs(ctx, madeSeries(50, 60, 0.3, 2), 30, func(Pair) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v after the end of the context", err)
	}
}

// What is held grows with the number of series, not with that of pairs.
func TestPairsMemory(t *testing.T) {
	held := func(count int) uint64 {
		series := madeSeries(count, 300, 0.3, 4)
		var before, now runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		n, most := 0, uint64(0)
		err := Pairs(context.Background(), series, 280, func(Pair) error {
			if n++; n%(count*count/20) == 0 {
				runtime.GC()
				runtime.ReadMemStats(&now)
				most = max(most, now.HeapAlloc-min(before.HeapAlloc, now.HeapAlloc))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		runtime.KeepAlive(series)
		return most
	}
	few, many := held(60), held(240)
	t.Logf("60 series hold %d kB, 240 hold %d kB", few>>10, many>>10)
	if many > 5*few {
		t.Errorf("four times the series hold %.1f times the memory", float64(many)/float64(few))
	}
}

// BenchmarkPairs500 is to take under 10 s on two processors, with memory linear
// in the number of series (design: figures to reach).
func BenchmarkPairs500(b *testing.B) {
	series := madeSeries(500, 500, 0.3, 3)
	b.ReportAllocs()
	for range b.N {
		n := 0
		if err := Pairs(context.Background(), series, 50, func(Pair) error { n++; return nil }); err != nil {
			b.Fatal(err)
		}
		if n != 500*499/2 {
			b.Fatalf("%d pairs", n)
		}
	}
}
