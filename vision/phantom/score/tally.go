package score

import (
	"math"
)

// Tally adds up judgements.
type Tally struct {
	Cores, Wood, BarkEnd, Bark, Pith int // cores found, and how many were told rightly
	True, Right, Wrong, AtFalse      int // boundaries
	Touch                            int
	CountErr, CountErrAbs, CountHit  int // found less true; cores with the right count
	Widths                           Errors
	Places                           Errors      // of right boundaries
	Said                             Reliability // boundaries accepted
	Spare                            Reliability // candidates
	Expected                         Expectation
	Veils                            Veils
}

// Add adds a core.
func (t *Tally) Add(c *Core) {
	t.Cores++
	count := func(ok bool, n *int) {
		if ok {
			*n++
		}
	}
	count(c.WoodRight, &t.Wood)
	count(c.BarkEndRight, &t.BarkEnd)
	count(c.BarkRight, &t.Bark)
	count(c.PithRight, &t.Pith)
	for _, b := range c.Boundaries {
		t.addBoundary(b)
	}
	t.True += c.True
	t.Touch += c.Touch
	d := len(c.Boundaries) - c.True
	t.CountErr += d
	t.CountErrAbs += max(d, -d)
	count(d == 0, &t.CountHit)
	for _, w := range c.Widths {
		t.Widths.add(w.FoundMM-w.TrueMM, w.SDMM)
	}
	for _, s := range c.Spare {
		t.Spare.add(s)
	}
	t.Veils.True += c.Veils.True
	t.Veils.Found += c.Veils.Found
	t.Veils.Invented += c.Veils.Invented
	t.Veils.InventedMM += c.Veils.InventedMM
	if c.HasExpectation {
		t.Expected.add(c.ExpectedErr, c.ExpectedSD)
	}
}

func (t *Tally) addBoundary(b Boundary) {
	if b.Right {
		t.Right++
		t.Places.add(b.OffMM, b.SDMM)
	} else {
		t.Wrong++
	}
	if b.AtFalse {
		t.AtFalse++
	}
	t.Said.add(b.Statement)
}

// Precision is the share of the found boundaries that are right.
func (t *Tally) Precision() float64 { return ratio(t.Right, t.Right+t.Wrong) }

// Recall is the share of the true boundaries that were found.
func (t *Tally) Recall() float64 { return ratio(t.Right, t.True) }

// F1 is the harmonic mean of precision and recall.
func (t *Tally) F1() float64 { return ratio(2*t.Right, t.Right+t.Wrong+t.True) }

func ratio(a, b int) float64 {
	if b == 0 {
		return math.NaN()
	}
	return float64(a) / float64(b)
}

// Errors gathers errors of lengths, with the standard uncertainties stated for
// them.
type Errors struct {
	N, WithSD   int
	Covered     int // within 1.96 deviations
	held68      int // within one
	sum, square float64
}

func (w *Errors) add(e, sd float64) {
	w.N++
	w.sum += e
	w.square += e * e
	if sd > 0 {
		w.WithSD++
		if math.Abs(e) <= sd {
			w.held68++
		}
		if math.Abs(e) <= 1.96*sd {
			w.Covered++
		}
	}
}

// Bias is the mean error, found less true, in mm.
func (w *Errors) Bias() float64 { return w.sum / float64(w.N) }

// RMSE is the root of the mean squared error in mm.
func (w *Errors) RMSE() float64 { return math.Sqrt(w.square / float64(w.N)) }

// Coverage is the share of the 95 % intervals that hold the truth.
func (w *Errors) Coverage() float64 { return ratio(w.Covered, w.WithSD) }

// Coverage68 is the share within one standard deviation: 68 % of normal errors.
func (w *Errors) Coverage68() float64 { return ratio(w.held68, w.WithSD) }

// Bins is the number of equal bins of probability in a Reliability.
const Bins = 10

// Reliability gathers stated probabilities and what came of them.
type Reliability struct {
	N      [Bins]int
	Right  [Bins]int
	Stated [Bins]float64 // sum
	square float64
}

func (r *Reliability) add(s Statement) {
	b := min(Bins-1, max(0, int(s.Probability*Bins)))
	r.N[b]++
	r.Stated[b] += s.Probability
	truth := 0.0
	if s.Right {
		r.Right[b]++
		truth = 1
	}
	r.square += (s.Probability - truth) * (s.Probability - truth)
}

// Total returns the number of statements.
func (r *Reliability) Total() int {
	n := 0
	for _, k := range r.N {
		n += k
	}
	return n
}

// ECE is the expected calibration error: the mean over the bins, weighted by
// their number, of |share right - mean stated| (Naeini et al. 2015).
func (r *Reliability) ECE() float64 {
	var sum float64
	for b, n := range r.N {
		if n > 0 {
			sum += math.Abs(float64(r.Right[b]) - r.Stated[b])
		}
	}
	return sum / float64(r.Total())
}

// Brier is the mean squared difference of probability and outcome (Brier 1950).
func (r *Reliability) Brier() float64 { return r.square / float64(r.Total()) }

// Expectation gathers errors of the expected counts.
type Expectation struct {
	N, Covered  int
	sum, sumAbs float64
}

func (e *Expectation) add(err, sd float64) {
	e.N++
	e.sum += err
	e.sumAbs += math.Abs(err)
	if math.Abs(err) <= 1.96*sd+0.5 { // counts are whole numbers
		e.Covered++
	}
}

// Bias is the mean error, expected less true.
func (e *Expectation) Bias() float64 { return e.sum / float64(e.N) }

// Mean is the mean absolute error.
func (e *Expectation) Mean() float64 { return e.sumAbs / float64(e.N) }

// Coverage is the share within 1.96 standard deviations (and half a ring).
func (e *Expectation) Coverage() float64 { return ratio(e.Covered, e.N) }

// Classes are the upper limits, in mm, of the classes of ring width; a last
// class holds what is wider.
func Classes() []float64 { return []float64{0.2, 0.3, 0.5, 1, 2} }

// Class returns the class of a ring width.
func Class(mm float64) int {
	limits := Classes()
	for i, l := range limits {
		if mm < l {
			return i
		}
	}
	return len(limits)
}

// ByClass sorts a core's boundaries into tallies by the width of the narrower
// ring beside them; only the boundary figures of these tallies are meant.
func ByClass(tallies []Tally, c *Core) {
	for _, b := range c.Boundaries {
		t := &tallies[Class(b.RingMM)]
		t.addBoundary(b)
		if b.Right {
			t.True++
		}
	}
	for _, m := range c.Missed {
		tallies[Class(m.RingMM)].True++
	}
}
