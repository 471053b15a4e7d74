package measure

import "math"

// square is the mean square.
func (u Unseen) square() float64 { return u.SD*u.SD + u.Mean*u.Mean }

// mostUnseen bounds how many boundaries are thought of in one veil.
const mostUnseen = 60

// darken sums up the veils before each proposal.
func (c *chain) darken() {
	if len(c.veils) == 0 {
		return
	}
	c.dark = make([]float64, len(c.p))
	for i, p := range c.p {
		c.dark[i] = c.darkTo(p.At)
	}
}

// darkTo is the length of veiled wood up to a place, mm.
func (c *chain) darkTo(at float64) float64 {
	var sum float64
	for _, v := range c.veils {
		sum += math.Max(0, math.Min(at, v.To)-v.From)
	}
	return sum
}

func (c *chain) darkBetween(i, j int) float64 {
	if c.dark == nil {
		return 0
	}
	return c.dark[j] - c.dark[i]
}

// through is link for any two proposals: between them a veil may hide
// boundaries. It gives the log weight, summed over their number, and how many
// they probably are.
//
// With n unseen boundaries the wood holds n+1 rings, whose sum scatters less
// than one ring does. All n must lie in the veil: a veil shorter than the
// scatter of a boundary's place holds it by that part only.
func (c *chain) through(i, j int) (float64, Unseen) {
	veiled := c.darkBetween(i, j)
	if veiled <= 0 || c.prior.Weight == 0 || c.lost[i] != c.lost[j] {
		return c.link(i, j), Unseen{}
	}
	w := math.Max(c.p[j].At-c.p[i].At, 1e-3)
	mean := math.Sqrt(c.local[i] * c.local[j])
	held := math.Min(0, math.Log(veiled/(2.5*c.prior.Spread*mean)))
	sum := newLogSum(c.ringWeight(math.Log(w/mean), c.prior.Spread), 0, 0)
	for n := 1.0; n <= mostUnseen && n <= veiled/(0.3*mean)+1; n++ {
		spread := math.Max(0.12, c.prior.Spread/math.Sqrt(n+1))
		sum.add(held+c.ringWeight(math.Log(w/((n+1)*mean)), spread), n, n*n)
	}
	return sum.log(), sum.unseen()
}

func (s *logSum) unseen() Unseen {
	m := s.first()
	return Unseen{m, math.Sqrt(math.Max(0, s.second()-m*m))}
}

// start is the log weight of i being the first boundary seen, and what veils
// before it hide.
func (c *chain) start(i int) (float64, Unseen) {
	if c.dark == nil {
		return c.edge(i, c.p[i].At), Unseen{}
	}
	return c.edge(i, c.p[i].At-c.dark[i]), c.beside(i, c.dark[i])
}

// end is the log weight of i being the last boundary seen, and what veils
// behind it hide, up to the end of the last veil.
func (c *chain) end(i int) (float64, Unseen) {
	last := c.p[len(c.p)-1].At
	if c.dark == nil {
		return c.edge(i, last-c.p[i].At), Unseen{}
	}
	return c.edge(i, last-c.p[i].At-c.darkBetween(i, len(c.p)-1)), c.beside(i, c.darkTo(math.Inf(1))-c.dark[i])
}

// beside is what veils between a boundary and the end of the wood hide: rings
// of the local mean, each with the prior's spread.
func (c *chain) beside(i int, veiled float64) Unseen {
	if veiled <= 0 || c.prior.Weight == 0 {
		return Unseen{}
	}
	n := veiled / c.local[i]
	return Unseen{n, math.Sqrt(1.0/12 + n*c.prior.Spread*c.prior.Spread)}
}

// unseenIn shares out, over the veils, what the reading with these boundaries
// leaves unseen between each two of them.
func (c *chain) unseenIn(accepted []int) []Unseen {
	out := make([]Unseen, len(c.veils))
	if len(accepted) == 0 {
		return out
	}
	share := func(v int, from, to float64, u Unseen, all float64) {
		part := math.Max(0, math.Min(to, c.veils[v].To)-math.Max(from, c.veils[v].From))
		if part <= 0 || all <= 0 {
			return
		}
		out[v].Mean += u.Mean * part / all
		out[v].SD = math.Hypot(out[v].SD, u.SD*math.Sqrt(part/all))
	}
	first, last := accepted[0], accepted[len(accepted)-1]
	_, before := c.start(first)
	_, behind := c.end(last)
	for v := range c.veils {
		share(v, 0, c.p[first].At, before, c.dark[first])
		share(v, c.p[last].At, math.Inf(1), behind, c.darkTo(math.Inf(1))-c.dark[last])
		for k := 1; k < len(accepted); k++ {
			i, j := accepted[k-1], accepted[k]
			if c.dark[j] > c.dark[i] {
				_, u := c.through(i, j)
				share(v, c.p[i].At, c.p[j].At, u, c.darkBetween(i, j))
			}
		}
	}
	return out
}
