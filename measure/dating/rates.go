package dating

import "math"

// rates says how many times likelier faults are in a core than its picture, and
// what is usual, say: readers do worse on one core than on the next, and on which
// the other trees tell.
type rates struct {
	missed   float64 // a boundary at a rejected candidate
	unseen   float64 // a boundary where the picture shows nothing
	invented float64 // an accepted boundary that is none
	absent   float64
}

func asUsual() rates { return rates{1, 1, 1, 1} }

// How far cores differ from their site, and sites from what is usual: the shape of
// the gamma distribution that the factors follow. Measured on the cores of
// cmd/evaluate-dating/rendered.json: 0.7 fits the counts of unseen boundaries best,
// 2.4 those of invented ones, 8.7 those of candidates that are boundaries. The last
// is taken as 1, since pictures unlike the rendered ones may be misjudged by far
// more; absent rings differ from site to site by even more.
func shapes() rates { return rates{missed: 1, unseen: 0.7, invented: 2.4, absent: 0.4} }

// counts are the faults found in the light of time, and those expected without it
// where rates are as usual.
type counts struct{ found, expected rates }

func (n *counts) add(o counts) {
	n.found = n.found.with(o.found, func(a, b float64) float64 { return a + b })
	n.expected = n.expected.with(o.expected, func(a, b float64) float64 { return a + b })
}

func (r rates) with(o rates, f func(a, b float64) float64) rates {
	return rates{f(r.missed, o.missed), f(r.unseen, o.unseen), f(r.invented, o.invented), f(r.absent, o.absent)}
}

// rates are the mean of what the factors can be after the counting, usual being
// their mean before: a gamma distribution stays one when counts are Poisson.
func (n counts) rates(usual rates) rates {
	found := n.found.with(shapes(), func(f, shape float64) float64 { return f + shape })
	expected := n.expected.with(shapes().with(usual, func(shape, u float64) float64 { return shape / u }), func(e, rate float64) float64 { return e + rate })
	return found.with(expected, func(f, e float64) float64 { return math.Max(0.2, math.Min(30, f/e)) })
}

// near tells whether no factor differs by more than a twentieth.
func (r rates) near(o rates) bool {
	d := r.with(o, func(a, b float64) float64 { return math.Abs(math.Log(a / b)) })
	return math.Max(math.Max(d.missed, d.unseen), math.Max(d.invented, d.absent)) < 0.05
}

// odds of a boundary at place i.
func (c *chain) odds(i int) float64 {
	p := c.q.places[i]
	switch {
	case p.fixed || p.surely():
		return p.odds
	case p.veiled != nil && c.q.yearInward(i) < c.asRead:
		return 1 / sureOdds
	case p.veiled != nil: // each number has its own, see steps
		return 1
	case c.q.yearInward(i) < c.asRead && p.on:
		return sureOdds
	case c.q.yearInward(i) < c.asRead:
		return 1 / sureOdds
	case p.on:
		return p.odds / c.faults.invented
	case p.guess() && c.guesses == oneGuess:
		return p.whole * c.faults.unseen
	case p.guess():
		return p.odds * c.faults.unseen
	}
	return p.odds * c.faults.missed
}

// surely tells of a boundary that a person has set or confirmed.
func (p place) surely() bool { return p.seen != nil && p.seen.ByPerson }

// count counts the faults that a reading found.
func (c *chain) count(a *alignment) (n counts) {
	for _, i := range c.index {
		p, o := c.q.places[i], c.odds(i)
		switch {
		case p.fixed || p.surely() || p.veiled != nil || c.q.yearInward(i) < c.asRead:
		case p.on:
			n.found.invented += 1 - a.on[i]
			n.expected.invented += 1 / (1 + o) / c.faults.invented
			n.found.absent += a.absent[i]
			n.expected.absent += c.missing(c.q.yearInward(i)) / c.faults.absent
		case p.guess():
			n.found.unseen += a.on[i]
			n.expected.unseen += p.plain
			if c.guesses == oneGuess {
				n.expected.unseen += p.plain * float64(len(guessShares())-1)
			}
		default:
			n.found.missed += a.on[i]
			n.expected.missed += o / (1 + o) / c.faults.missed
		}
	}
	return n
}
