package measure

import (
	"cmp"
	"fmt"
	"slices"
)

// Open is a doubt that a person has still to settle. Target names what an
// event that settles it is aimed at: a boundary or candidate by its id, or
// "bark-end" or "wood".
type Open struct {
	Target      string   `json:"target"`
	Kind        string   `json:"kind"` // boundary, candidate, bark-end, wood, or a doubt about years
	PointPx     *Point   `json:"point_px"`
	AtMM        *float64 `json:"at_mm"`
	Probability *float64 `json:"probability"` // of the boundary being there
	Cost        float64  `json:"cost"`        // expected number of rings that are misdated if nobody looks
	Detail      string   `json:"detail"`
}

// NotableFrom is the probability from which a rejected candidate is a doubt
// for a person to settle: chosen, as in the pictures.
const NotableFrom = 0.2

// open lists a core's open doubts, the costliest first. What a wrong answer
// costs is the number of rings it misdates: all that lie inward of the place.
func (c *editing) open() []Open {
	if c.state.Blank {
		return []Open{}
	}
	var list []Open
	rings := float64(len(c.Rings))
	at := c.places()
	for i, b := range c.Boundaries {
		if b.Doubtful() {
			p := b.Probability
			list = append(list, Open{b.ID, "boundary", &c.Boundaries[i].PointPx, b.AtMM, &p, (1 - p) * (rings - float64(i) + 1), boundaryWords(b)})
		}
	}
	for i, x := range c.Candidates {
		if x.Probability <= NotableFrom {
			continue
		}
		p := x.Probability
		inward := 0.0
		for _, b := range c.Boundaries {
			if at(b.AtMM, b.PointPx) > at(x.AtMM, x.PointPx) {
				inward++
			}
		}
		list = append(list, Open{x.ID, "candidate", &c.Candidates[i].PointPx, x.AtMM, &p, p * (inward + 1), fmt.Sprintf("perhaps a boundary, %.0f %%", 100*p)})
	}
	for _, d := range c.Doubts {
		switch d.Kind {
		case "bark-end":
			list = append(list, Open{Target: d.Kind, Kind: d.Kind, Cost: (1 - or(c.BarkEndProbability, 0.5)) * (rings + 1), Detail: d.Detail})
		case "wood":
			list = append(list, Open{Target: d.Kind, Kind: d.Kind, Cost: (1 - or(c.WoodProbability, 0.5)) * (rings + 1) / 10, Detail: d.Detail})
		}
	}
	slices.SortStableFunc(list, func(a, b Open) int { return cmp.Compare(b.Cost, a.Cost) })
	return list
}

func or(p *float64, instead float64) float64 {
	if p == nil {
		return instead
	}
	return *p
}

func boundaryWords(b Boundary) string {
	what := "boundary"
	switch b.Kind {
	case Outer:
		what = "outer end under bark"
	case Inner:
		what = "pith"
	}
	return fmt.Sprintf("%s, %.0f %%", what, 100*b.Probability)
}

// count tells how many of the reading's doubts are settled.
func (c *editing) count() {
	if c.state.Blank {
		return
	}
	before := newEditing(c.read)
	all := before.open()
	c.state.Doubtful = len(all)
	for _, d := range all {
		still := slices.ContainsFunc(c.state.Open, func(o Open) bool { return o.Target == d.Target })
		if !still {
			c.state.Settled++
		}
	}
	// Places that an edit has made doubtful count too.
	for _, o := range c.state.Open {
		if !slices.ContainsFunc(all, func(d Open) bool { return d.Target == o.Target }) {
			c.state.Doubtful++
		}
	}
	c.Doubts = slices.DeleteFunc(c.Doubts, func(d Doubt) bool {
		return c.touched && (d.Kind == "boundary" || d.Kind == "candidate") &&
			!slices.ContainsFunc(c.state.Open, func(o Open) bool { return o.Kind == d.Kind && same(o.AtMM, d.AtMM) })
	})
}

func same(a, b *float64) bool { return a == b || a != nil && b != nil && *a == *b }
