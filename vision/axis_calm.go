package vision

import "math"

// A mount's face and its empty grooves are calm along the core: their grain
// runs with it. Wood and bark are not. How calm depends on the scan's noise
// and on the mount, so the mount's own face, beside the core, is the measure.

// The strips in which lightness is averaged before it is compared along the
// core, and over how many columns.
const (
	calmStrip = 12 // rows: a fifth of the breadth
	calmLag   = 3  // columns from one place compared to the other
	calmHalf  = 2  // columns either side, over which the change is averaged
	calmRun   = 4  // columns: the least length of groove that is seen as such
)

// stirred is from how many times the mount's change on, as a logarithm, a
// column belongs to the core; it is sure stirredSlack above and below
// (chosen on rendered trays, where columns of grooves and mounts lie below 0.9, of wood and bark
// above 2).
const (
	stirred      = 1.3
	stirredSlack = 0.5
)

// stir tells of each column how much more its lightness changes along the
// core, strip by strip, than that of the mount beside it usually does, as a
// logarithm; nil where no calm mount lies beside.
func (m *measurer) stir() []float64 {
	half := m.breadth / 2
	calm := m.calmest(calmStrip, half+6, half+6+calmStrip)
	if math.IsInf(calm, 1) { // a thick core may leave little of its mount
		calm = m.calmest(calmStrip/2, half+4, half+4+calmStrip/2)
	}
	if math.IsInf(calm, 1) {
		return nil
	}
	out := make([]float64, m.b.w)
	n := 0.0
	for v := -0.38 * m.breadth; v+calmStrip <= 0.38*m.breadth+1; v += calmStrip {
		for u, x := range m.change(v, calmStrip).at {
			out[u] += x
		}
		n++
	}
	var inside []float64
	for u := range out {
		out[u] = math.Log((out[u]/n + leastStir) / (calm + leastStir))
		if u >= m.u0 && u < m.u1 {
			inside = append(inside, out[u])
		}
	}
	if median(inside) < stirred+1 {
		return nil // what lies beside is a core too, or this is none
	}
	return out
}

// calmest is the usual change of the calmest of the strips, of so many rows each,
// that begin so far out on either side of the midline and show the mount; +Inf
// where none does.
func (m *measurer) calmest(rows int, outward ...float64) float64 {
	calm := math.Inf(1)
	for _, out := range outward {
		for _, v := range []float64{-out - float64(rows), out} {
			c := m.change(v, rows)
			var on []float64
			for u := range c.at {
				if c.wood[u] > 0.9 {
					on = append(on, c.at[u])
				}
			}
			if 3*len(on) > m.u1-m.u0 {
				calm = math.Min(calm, median(on))
			}
		}
	}
	return calm
}

// What of a core is looked at for calm wood of its own, and how much of that must
// look as a calm column does for it to be such wood (chosen: less may be a break
// that shows the groove's floor).
const (
	ownMiddle = 0.2 // left out at either end, and
	ownReach  = 1.2 // as many breadths at least, where a groove's floor may lie
	ownShare  = 0.05
	ownLike   = 2 // least spreads
)

// stirOwn lifts the stir of calm columns that look as calm columns in the core's
// middle do: broad clean rings change no more than a mount, but have the wood's
// colour. What is calm for a whole breadth is none of them.
func (m *measurer) stirOwn(stir []float64) {
	from, to := lively(stir, m.u0, m.u1, int(m.breadth))
	skip := int(math.Max(ownMiddle*float64(to-from), ownReach*m.breadth))
	if to-from <= 2*skip {
		return
	}
	f, near := m.features(), leastSpread()
	var own []feature
	for u := from + skip; u < to-skip; u++ {
		first := u
		for u < to-skip && stir[u] <= stirred {
			u++
		}
		if float64(u-first) < m.breadth {
			own = append(own, f[first:u]...)
		}
	}
	least := ownShare * float64(to-from-2*skip)
	alike := func(a, b feature) bool {
		for c := range 3 {
			if math.Abs(a[c]-b[c]) > ownLike*near[c] {
				return false
			}
		}
		return true
	}
	for u := range stir {
		if stir[u] > stirred {
			continue
		}
		n := 0.0
		for _, o := range own {
			if alike(f[u], o) {
				n++
			}
		}
		if n > least {
			stir[u] = stirred + stirredSlack
		}
	}
}

// lively narrows the columns from u0 up to u1 to where most of a window of them
// at either end changes more than the mount beside: a smooth, painted mount may
// have been followed beyond the core in its groove.
func lively(stir []float64, u0, u1, window int) (from, to int) {
	most := func(lo, hi int) bool {
		n := 0
		for u := max(0, lo); u < min(len(stir), hi); u++ {
			if stir[u] > stirred {
				n++
			}
		}
		return 2*n >= hi-lo
	}
	from, to = u0, u1
	for from+window < to && !most(from, from+window) {
		from++
	}
	for to-window > from && !most(to-window, to) {
		to--
	}
	if to-from <= window {
		return u0, u1 // calm all along: nothing to go by
	}
	return from, to
}

// pastWall moves an end, a column, inwards past what a groove shows of its own
// at its end: a wall in shade, then a run of calm floor. side is -1 for the
// near end.
func pastWall(stir []float64, at, side, reach int) int {
	run, end := 0, at
	for d := range reach {
		u := at - side*d
		if u < 0 || u >= len(stir) {
			break
		}
		if stir[u] > stirred {
			run = 0
			continue
		}
		if run++; run >= calmRun {
			end = u - side*(calmLag/2+calmHalf) // the change is seen before the face
		}
	}
	return end
}

// floorFrom is the column from which on, outwards of an end, calm floor lies:
// the face of no part of the core lies beyond.
func floorFrom(stir []float64, at, side int) int {
	run := 0
	for u := at; u >= 0 && u < len(stir); u += side {
		if run++; stir[u] > stirred {
			run = 0
		}
		if run >= calmRun {
			return u - side*(run-1)
		}
	}
	return side * math.MaxInt32
}

// leastStir, in square grey levels, is the change that counts as none: what
// rounding to whole grey levels leaves (1/12, of two places).
const leastStir = 1.0 / 6

// change is how much the lightness of one strip changes along the core, in
// square grey levels, and which part of it stands out from the ground.
type change struct{ at, wood []float64 }

// change looks at so many rows from v off the midline on, averaged over calmHalf
// columns either side.
func (m *measurer) change(v float64, rows int) change {
	w := m.b.w
	mean, on := make([]float64, w), make([]float64, w)
	for u := range w {
		lo := int(math.Round(m.mid.at(float64(u)) + v))
		for row := max(0, lo); row < min(m.b.h, lo+rows); row++ {
			mean[u] += float64(m.b.ch[0][row*w+u]) / float64(rows)
			if m.on[row*w+u] {
				on[u] += 1 / float64(rows)
			}
		}
	}
	sum, cover := make([]float64, w+1), make([]float64, w+1)
	for u := range w {
		d := mean[min(w-1, u+calmLag-1)] - mean[max(0, u-1)]
		sum[u+1], cover[u+1] = sum[u]+d*d, cover[u]+on[u]
	}
	for u := range w {
		lo, hi := max(0, u-calmHalf), min(w, u+calmHalf+1)
		mean[u], on[u] = (sum[hi]-sum[lo])/float64(hi-lo), (cover[hi]-cover[lo])/float64(hi-lo)
	}
	return change{mean, on}
}
