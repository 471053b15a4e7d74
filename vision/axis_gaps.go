package vision

import "math"

// cut is an opening across a piece: at equal steps across it, the columns of
// the band where it begins and ends.
type cut struct {
	from, to []float64
}

// What makes an opening (chosen): along a line from rim to rim, bent by 45
// degrees at most, nearly all cells show what lies under the core; looked at
// coarsely first, then px by px.
const (
	cutCoarse = 0.25 // the greatest part of cells that do not, coarsely
	cutFine   = 0.12
	cutReach  = 0.35 // how far round a coarse find is looked, in breadths
	cutSpace  = 0.12 // the least wood between two, in breadths
	// seeThrough is the greatest part of a core's cells that may look like
	// what lies under it by chance, for openings to be told at all.
	seeThrough = 0.05
)

// under tells whether a colour is what lies under the core, given the ground's
// there.
type under func(c, ground [3]float32) bool

// below returns that test. Only a free core's openings show the ground; in a
// mount they are as dark as a ring, and left to the closer look at the wood.
func (m *measurer) below() under {
	coloured := m.b.ch[1] != nil
	return func(c, ground [3]float32) bool { return !m.f.ground.stands(c, ground, coloured) }
}

// cuts finds the openings of a piece, from left to right.
func (m *measurer) cuts() []cut {
	if !m.free[0] && !m.free[1] || m.b.ch[1] == nil && m.asLightAsGround() {
		return nil
	}
	is := m.below()
	v1 := int(0.92 * m.breadth)
	open := make([][]bool, m.u1-m.u0)
	n, all := 0, 0 // open cells, those of columns mostly closed and of all
	for i := range open {
		open[i] = make([]bool, v1)
		column := 0
		u := m.u0 + i
		v0, under := int(m.mid.at(float64(u))-0.46*m.breadth), m.b.groundAt(u)
		for j := range v1 {
			v := max(0, min(m.b.h-1, v0+j))
			if open[i][j] = is(m.b.colourAt(u, v), under); open[i][j] {
				column++
			}
		}
		if all += column; 2*column < v1 {
			n += column
		}
	}
	if float64(n) > seeThrough*float64(len(open)*v1) || float64(all) < (1-cutCoarse)*float64(v1) {
		return nil
	}
	var out []cut
	for _, s := range seams(open, cutCoarse, int(cutSpace*m.breadth)) {
		if c, ok := m.verify(m.u0+s[len(s)/2], is); ok {
			out = append(out, c)
		}
	}
	return out
}

// asLightAsGround tells whether the wood has tones of the ground, so that in a
// gray picture its rings cannot be told from openings.
func (m *measurer) asLightAsGround() bool {
	var wood, ground []float64
	for u := m.u0; u < m.u1; u += 2 {
		v0, v1 := m.inner(u)
		for v := max(0, v0); v < min(m.b.h, v1); v += 4 {
			wood = append(wood, float64(m.b.ch[0][v*m.b.w+u]))
		}
		ground = append(ground, float64(m.b.background[0][u]))
	}
	g, apart := median(ground), 3*m.f.ground.sd[0]
	return g > quantile(wood, 0.02)-apart && g < quantile(wood, 0.98)+apart
}

func (b *band) colourAt(u, v int) (c [3]float32) {
	for i, ch := range b.ch {
		if ch != nil {
			c[i] = ch[v*b.w+u]
		}
	}
	return c
}

func (b *band) groundAt(u int) (c [3]float32) {
	for i, ch := range b.background {
		if ch != nil {
			c[i] = ch[u]
		}
	}
	return c
}

// seams finds lines across the columns of a picture along which at most the
// part worst of cells are not open, at least space columns apart; each gives
// its column at every row.
func seams(open [][]bool, worst float64, space int) [][]int {
	if len(open) == 0 || len(open[0]) == 0 {
		return nil
	}
	w, h := len(open), len(open[0])
	cost := make([]float64, w)
	from := make([][]int8, h)
	for j := range h {
		from[j] = make([]int8, w)
		next := make([]float64, w)
		for i := range w {
			best, arg := cost[i], 0
			if j > 0 {
				for d := -1; d <= 1; d += 2 {
					if k := i + d; k >= 0 && k < w && cost[k]+0.05 < best {
						best, arg = cost[k]+0.05, d
					}
				}
			}
			next[i], from[j][i] = best, int8(arg)
			if !open[i][j] {
				next[i]++
			}
		}
		cost = next
	}
	var out [][]int
	for {
		best := 0
		for i := range cost {
			if cost[i] < cost[best] {
				best = i
			}
		}
		if cost[best] > worst*float64(h) {
			return out
		}
		path := make([]int, h)
		for j, i := h-1, best; j >= 0; j-- {
			path[j] = i
			i += int(from[j][i])
		}
		out = append(out, path)
		lo, hi := best, best // past this opening, all along it
		for lo > 0 && open[lo-1][h-1] {
			lo--
		}
		for hi < w-1 && open[hi+1][h-1] {
			hi++
		}
		for i := max(0, lo-space); i <= min(w-1, hi+space); i++ {
			cost[i] = math.Inf(1)
		}
	}
}

// verify looks at a coarse find px by px and places its faces.
func (m *measurer) verify(u int, is under) (cut, bool) {
	reach := cutReach * m.breadth
	line := m.line(max(0, u-int(reach)), min(m.b.w, u+int(reach)+1))
	step := math.Max(1, m.breadth*m.b.step/400)
	b := layStraight(m.f.px, line, 0.46*m.breadth*m.b.step, 0, step)
	m.f.setBackground(b)
	open := make([][]bool, b.w)
	for i := range open {
		open[i] = make([]bool, b.h)
		for j := range open[i] {
			open[i][j] = is(b.colourAt(i, j), b.groundAt(i))
		}
	}
	found := seams(open, cutFine, b.w)
	if len(found) == 0 {
		return cut{}, false
	}
	from, to := faces(open, found[0])
	if from == nil {
		return cut{}, false
	}
	c := cut{}
	first := float64(max(0, u-int(reach)))
	for i := range from {
		c.from = append(c.from, first+(from[i]-0.5)*step/m.b.step)
		c.to = append(c.to, first+(to[i]+0.5)*step/m.b.step)
	}
	return c, true
}

// faces gives where an opening begins and ends, at endSteps places across: the
// medians of the open runs that a seam crosses.
func faces(open [][]bool, path []int) (from, to []float64) {
	h := len(path)
	for s := range endSteps {
		var a, b []float64
		for j := s * h / endSteps; j < (s+1)*h/endSteps; j++ {
			i := path[j]
			if !open[i][j] {
				continue
			}
			lo, hi := i, i
			for lo > 0 && open[lo-1][j] {
				lo--
			}
			for hi < len(open)-1 && open[hi+1][j] {
				hi++
			}
			a, b = append(a, float64(lo)), append(b, float64(hi))
		}
		if len(a) == 0 {
			if len(from) == 0 {
				continue
			}
			from, to = append(from, from[len(from)-1]), append(to, to[len(to)-1])
			continue
		}
		from, to = append(from, median(a)), append(to, median(b))
	}
	for len(from) > 0 && len(from) < endSteps { // the upper strips without a cell
		from, to = append([]float64{from[0]}, from...), append([]float64{to[0]}, to...)
	}
	return from, to
}
