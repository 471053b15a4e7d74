package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// every is the sum over all readings by plain enumeration: what the
// forward-backward sums must give.
type every struct {
	total, count, square float64
	marginal             []float64
	best                 float64
	accepted             []int
}

// sumOf adds two independent numbers of unseen boundaries.
func sumOf(a, b Unseen) Unseen { return Unseen{a.Mean + b.Mean, math.Hypot(a.SD, b.SD)} }

func enumerate(c *chain) every {
	n := len(c.p)
	e := every{marginal: make([]float64, n), best: math.Inf(-1)}
	last := c.p[n-1].At
	e.best = c.edge(0, last) // no boundary at all
	e.total = math.Exp(e.best)
	for set := 1; set < 1<<n; set++ {
		var chosen []int
		for i := range n {
			if set>>i&1 == 1 {
				chosen = append(chosen, i)
			}
		}
		l, count := c.start(chosen[0])
		end, more := c.end(chosen[len(chosen)-1])
		l, count = l+end, sumOf(count, more)
		for k, i := range chosen {
			l += c.odds(i)
			if k > 0 {
				link, unseen := c.through(chosen[k-1], i)
				l, count = l+link, sumOf(count, unseen)
			}
		}
		w := math.Exp(l)
		n := float64(len(chosen)) + count.Mean
		e.total += w
		e.count += w * n
		e.square += w * (n*n + count.SD*count.SD)
		for _, i := range chosen {
			e.marginal[i] += w
		}
		if l > e.best {
			e.best, e.accepted = l, chosen
		}
	}
	return e
}

func TestChainAgainstEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 9).Draw(t, "n")
		p := make([]Proposal, n)
		local := make([]float64, n)
		at := 0.0
		for i := range p {
			at += rapid.Float64Range(0.05, 1.5).Draw(t, "step")
			p[i] = Proposal{At: at, LogOdds: rapid.Float64Range(-4, 4).Draw(t, "odds")}
			local[i] = rapid.Float64Range(0.5, 1.5).Draw(t, "local")
		}
		var barriers []float64
		if rapid.Bool().Draw(t, "barrier") {
			barriers = []float64{at * 0.6}
		}
		var veils []Veil
		if rapid.Bool().Draw(t, "veil") {
			veils = []Veil{{at * 0.1, at * 0.25}, {at * 0.5, at * 0.9}}
		}
		c := newChain(p, barriers, veils, local, DefaultPrior)
		got, want := c.sums(), enumerate(c)
		got.Accepted = c.best()
		near := func(name string, a, b float64) {
			if math.Abs(a-b) > 1e-9*(1+math.Abs(b)) {
				t.Fatalf("%s: %v, by enumeration %v", name, a, b)
			}
		}
		near("log evidence", got.Score, math.Log(want.total))
		near("count", got.Count, want.count/want.total)
		mean := want.count / want.total
		if sd := math.Sqrt(math.Max(0, want.square/want.total-mean*mean)); math.Abs(got.SD-sd) > 1e-6 {
			t.Fatalf("deviation %v, by enumeration %v", got.SD, sd)
		}
		for i := range p {
			near("probability", got.Probability[i], want.marginal[i]/want.total)
		}
		var score float64 // ties aside, the best readings are the same
		for k, i := range got.Accepted {
			score += c.odds(i)
			if k > 0 {
				l, _ := c.through(got.Accepted[k-1], i)
				score += l
			}
		}
		if len(got.Accepted) == 0 {
			near("best reading", c.edge(0, p[n-1].At), want.best)
			return
		}
		a, z := got.Accepted[0], got.Accepted[len(got.Accepted)-1]
		start, _ := c.start(a)
		end, _ := c.end(z)
		near("best reading", score+start+end, want.best)
	})
}

func TestInfer(t *testing.T) {
	even := func(n int, odds float64) []Proposal {
		p := make([]Proposal, n)
		for i := range p {
			p[i] = Proposal{At: float64(i + 1), LogOdds: odds}
		}
		return p
	}
	with := func(p []Proposal, extra Proposal) []Proposal {
		var out []Proposal
		for _, x := range p {
			if x.At > extra.At && (len(out) == 0 || out[len(out)-1].At < extra.At) {
				out = append(out, extra)
			}
			out = append(out, x)
		}
		return out
	}
	weakened := even(20, 6)
	weakened[9].LogOdds = -0.5
	tests := []struct {
		name     string
		in       []Proposal
		accepted int
		certain  bool
	}{
		{"sure and even", even(20, 6), 20, true},
		{"a weak one where the width asks for it", weakened, 20, false},
		{"a weak one that would make two tiny rings", with(even(20, 6), Proposal{At: 9.1, LogOdds: -0.5}), 20, false},
		{"none likely", even(20, -6), 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inf := Infer(tt.in, nil, nil, DefaultPrior)
			if len(inf.Accepted) != tt.accepted {
				t.Errorf("%d accepted, want %d", len(inf.Accepted), tt.accepted)
			}
			if tt.certain && (math.Abs(inf.Count-20) > 0.2 || inf.SD > 0.5) {
				t.Errorf("expected %.2f +- %.2f rings, want 20 and little doubt", inf.Count, inf.SD)
			}
		})
	}
	if inf := Infer(nil, nil, nil, DefaultPrior); len(inf.Accepted) != 0 || inf.Count != 0 {
		t.Errorf("nothing proposed, yet %v", inf)
	}
}

// TestInferProbabilities: whatever is proposed, probabilities are
// probabilities and nothing is NaN.
func TestInferProbabilities(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		at := 0.0
		p := make([]Proposal, n)
		for i := range p {
			at += rapid.Float64Range(0, 3).Draw(t, "step")
			p[i] = Proposal{At: at, LogOdds: rapid.Float64Range(-30, 30).Draw(t, "odds")}
		}
		inf := Infer(p, []float64{at / 2}, nil, DefaultPrior)
		for i, q := range inf.Probability {
			if !(q >= 0 && q <= 1) {
				t.Fatalf("proposal %d has probability %v", i, q)
			}
		}
		if !(inf.Count >= 0 && inf.SD >= 0) || math.IsInf(inf.Score, 0) || math.IsNaN(inf.Score) {
			t.Fatalf("count %v, deviation %v, score %v", inf.Count, inf.SD, inf.Score)
		}
	})
}

// TestUnseen: forty even rings with a stretch covered that holds some of them.
func TestUnseen(t *testing.T) {
	for _, hidden := range []float64{0, 1, 3, 8} {
		veil := Veil{10.5, 10.5 + math.Max(hidden, 0.2) - 0.1}
		if hidden > 0 {
			veil = Veil{10.2, 10.8 + hidden}
		}
		var p []Proposal
		for at := 1.0; at <= 40; at++ {
			if hidden == 0 || at < veil.From || at > veil.To {
				p = append(p, Proposal{at, 8})
			}
		}
		inf := Infer(p, nil, []Veil{veil}, DefaultPrior)
		if got := inf.Unseen[0]; math.Abs(got.Mean-hidden) > 0.3 || hidden > 0 && got.SD < 0.1 {
			t.Errorf("%v hidden: %.2f thought of, deviation %.2f", hidden, got.Mean, got.SD)
		}
		if math.Abs(inf.Count-40) > 0.5 {
			t.Errorf("%v hidden: %.2f boundaries expected, there are 40", hidden, inf.Count)
		}
	}
}

// BenchmarkInfer reads a core of 500 rings with three proposals a ring.
func BenchmarkInfer(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var p []Proposal
	for at := 0.0; len(p) < 1500; at += 0.5 * math.Exp(0.3*rng.NormFloat64()) {
		p = append(p, Proposal{at, 3 + 2*rng.NormFloat64()}, Proposal{at + 0.1, -4 + rng.NormFloat64()}, Proposal{at + 0.2, -5 + rng.NormFloat64()})
	}
	for b.Loop() {
		Infer(p, nil, nil, DefaultPrior)
	}
}

// TestMiddleAt: widths that shrink by a tenth each ring are followed to their
// ends, widths of one mean are not led astray by their scatter, nor by one
// ring that is far off.
func TestMiddleAt(t *testing.T) {
	falling := make([]float64, 12)
	for i := range falling {
		falling[i] = -0.1 * float64(i)
	}
	level := []float64{0.2, -0.3, 0.1, 0, -0.2, 0.3, -0.1, 0.2, 0, -0.2, 0.1}
	odd := slices.Clone(falling)
	odd[6] += 2
	for _, tt := range []struct {
		name   string
		widths []float64
		k      int
		want   float64
		near   float64
	}{
		{"falling, first", falling, 0, 0, 0.12},
		{"falling, in between", falling, 5, -0.5, 0.01},
		{"falling, last", falling, 11, -1.1, 0.12},
		{"level, first", level, 0, 0, 0.15},
		{"level, last", level, 10, 0, 0.15},
		{"one far off", odd, 6, -0.6, 0.12},
		{"alone", []float64{0.4}, 0, 0.4, 0},
	} {
		if got := middleAt(tt.widths, tt.k); math.Abs(got-tt.want) > tt.near {
			t.Errorf("%s: %.3f, want %.3f within %.2f", tt.name, got, tt.want, tt.near)
		}
	}
}
