package calib

import (
	"math"
	"math/cmplx"
	"slices"

	"pithward/vision/raster"
)

// axis is a ruler's own frame in a view: s along it, t across it, both in px.
// The point s = 0, t = 0 lies at (u, v).
type axis struct {
	view     view
	u, v     float64
	cos, sin float64
	pitch    float64 // px, first approximate
	lo, hi   float64 // t of the zone that all ticks cross
}

// at turns ruler coordinates into view coordinates.
func (a axis) at(s, t float64) (u, v float64) {
	return a.u + s*a.cos - t*a.sin, a.v + s*a.sin + t*a.cos
}

// sample adds to dst the gray at s, s+1, s+2 ... at t.
func (a axis) sample(dst []float32, s, t float64) {
	u, v := a.at(s, t)
	a.view.sample(dst, u, v, a.cos, a.sin)
}

const (
	maxTan      = 0.14 // a ruler is turned by at most 8 degrees
	rowsAPer    = 6    // rows looked at per tick step across the ruler
	nearPer     = 4    // a tick runs within so many tick steps of a strip that shows it
	reachPer    = 12   // how far from the comb's middle its ticks may reach, tick steps
	demodPers   = 16   // tick steps in a window
	samplesAPer = 12   // places looked at per tick step along it, while searching
)

// newAxis finds the turn of a comb's ticks and the zone across which all of
// them run. Short ticks fix their own turn badly, and a short row its own
// course: of what both say, and of no turn at all, it takes the one along which
// the ticks stand out most.
func newAxis(v view, c comb) (axis, bool) {
	hits := c.strongest(8)
	from, to := c.course()
	var best axis
	var top float64
	for _, tan := range []float64{tilt(v, hits, c.pitch, from, to), c.tan, 0} {
		if tan < from || tan > to || top > 0 && math.Abs(tan-best.sin/best.cos) < 0.004 {
			continue
		}
		a := axisThrough(v, hits, c.pitch, tan)
		if peak := a.findZone(c, 2.5); peak > top {
			best, top = a, peak
		}
	}
	return best, top > 0 && best.wide()
}

// axisThrough lays an axis of the given turn through hits. The median keeps a
// stray one out.
func axisThrough(v view, hits []hit, pitch, tan float64) axis {
	norm := math.Hypot(1, tan)
	a := axis{view: v, cos: 1 / norm, sin: tan / norm, pitch: pitch}
	var us, offs []float64
	for _, h := range hits {
		us = append(us, h.u)
		offs = append(offs, h.v-tan*h.u)
	}
	a.u = median(us)
	a.v = median(offs) + tan*a.u
	return a
}

// wide tells that the zone is deep enough for ticks.
func (a axis) wide() bool { return a.hi-a.lo >= 0.4*a.pitch }

// course bounds the tangent of a comb's turn: near the slope of its hits where
// they lie far apart, else anything a ruler may have.
func (c comb) course() (from, to float64) {
	lo, hi := c.hits[0].u, c.hits[0].u
	for _, h := range c.hits {
		lo, hi = min(lo, h.u), max(hi, h.u)
	}
	if hi-lo < 24*c.pitch {
		return -maxTan, maxTan
	}
	return c.tan - 0.02, c.tan + 0.02
}

// tilt returns the tangent of the ruler's turn between two bounds: each row's
// phase at the ticks' frequency moves by 2 pi tan/pitch a row, so that the
// turned rows add up.
func tilt(v view, hits []hit, pitch, from, to float64) float64 {
	step := max(1, pitch/rowsAPer)
	n := nearPer * rowsAPer
	z := make([][]complex128, len(hits))
	raster.InParallel(len(hits), func(i int) {
		h := hits[i]
		z[i] = make([]complex128, 2*n+1)
		for r := range z[i] {
			z[i][r] = demodulate(v, h.u, h.v+float64(r-n)*step, 1, 0, h.pitch)
		}
	})
	power := func(tan float64) float64 {
		var sum float64
		turn := cmplx.Exp(complex(0, -2*math.Pi*step*tan/pitch))
		for _, row := range z {
			var acc complex128
			w := complex(1, 0)
			for _, zr := range row {
				acc += zr * w
				w *= turn
			}
			sum += real(acc)*real(acc) + imag(acc)*imag(acc)
		}
		return sum
	}
	best, at := 0.0, 0.0
	for t := from; t <= to; t += 0.004 {
		if p := power(t); p > best {
			best, at = p, t
		}
	}
	for d := 0.002; d > 1e-4; d /= 2 {
		for _, t := range []float64{at - d, at + d} {
			if p := power(t); p > best {
				best, at = p, t
			}
		}
	}
	return at
}

// demodulate returns the complex amplitude at one tick step of the gray along
// the line through (u, v) in direction (du, dv), over a tapered window centred
// there.
func demodulate(v view, u, w, du, dw, pitch float64) complex128 {
	step := max(1, pitch/samplesAPer)
	n := int(demodPers * min(pitch, float64(v.w)/demodPers) / step)
	buf := make([]float32, n)
	half := float64(n-1) / 2
	v.sample(buf, u-half*step*du, w-half*step*dw, step*du, step*dw)
	return amplitude(flatten(buf, int(pitch/step/2)), half, pitch/step)
}

// flatten takes the running mean off x and bounds it to three mean absolute
// deviations, so that edges and dirt count little beside what repeats.
func flatten(x []float32, reach int) []float32 {
	base := boxMean(x, reach)
	var dev float32
	for i := range x {
		x[i] -= base[i]
		dev += max(x[i], -x[i])
	}
	limit := 3 * dev / float32(len(x))
	for i := range x {
		x[i] = min(max(x[i], -limit), limit)
	}
	return x
}

// amplitude is the Hann-weighted Fourier coefficient of x at the given period,
// with phase zero at index origin. The mean is taken off.
func amplitude(x []float32, origin, period float64) complex128 {
	n := len(x)
	turn := cmplx.Exp(complex(0, -2*math.Pi/period))
	taper := cmplx.Exp(complex(0, 2*math.Pi/float64(n)))
	e := cmplx.Exp(complex(0, 2*math.Pi*origin/period))
	h := cmplx.Exp(complex(0, math.Pi/float64(n)))
	var sum, sumW complex128
	var mean, total float64
	for _, g := range x {
		w := 0.5 - 0.5*real(h)
		sum += complex(w*float64(g), 0) * e
		sumW += complex(w, 0) * e
		mean += w * float64(g)
		total += w
		e *= turn
		h *= taper
	}
	if total == 0 {
		return 0
	}
	return (sum - complex(mean/total, 0)*sumW) * complex(2/total, 0)
}

// findZone finds the rows across which the ticks repeat most strongly, from
// near tick steps around the origin outward, and moves the origin to their
// middle. It returns how strongly they do.
func (a *axis) findZone(c comb, near float64) (peak float64) {
	hits := c.strongest(5)
	step := max(1, a.pitch/rowsAPer)
	n := reachPer * rowsAPer
	around := int(near * rowsAPer)
	rows := newZoneRows(2*n+1, n, func(r int) float64 {
		var parts []float64
		for _, h := range hits {
			u, w := a.at((h.u-a.u)/a.cos, float64(r-n)*step)
			if a.view.inside(u, w) {
				parts = append(parts, cmplx.Abs(demodulate(a.view, u, w, a.cos, a.sin, h.pitch)))
			}
		}
		return median(parts)
	})
	top := n
	rows.need(n-around-1, n+around+1)
	for r := n - around; r <= n+around; r++ {
		if rows.smooth(r) > rows.smooth(top) {
			top = r
		}
	}
	least := 0.6 * rows.smooth(top)
	lo, hi := top, top
	for lo > 0 && rows.smooth(lo-1) > least {
		lo--
	}
	for hi < 2*n && rows.smooth(hi+1) > least {
		hi++
	}
	mid := (float64(lo+hi)/2 - float64(n)) * step
	half := float64(hi-lo) / 2 * step * 0.85
	a.u, a.v = a.at(0, mid)
	a.lo, a.hi = -half, half
	for r := max(lo, top-2); r <= min(hi, top+2); r++ {
		peak += rows.smooth(r)
	}
	return peak
}

// zoneRows says how strongly ticks repeat in rows across them. A row is looked at
// when it is asked for, and with it some beyond, on all processors.
type zoneRows struct {
	look     func(r int) float64
	seen     []float64
	from, to int // what has been looked at, to excluded
}

func newZoneRows(n, start int, look func(r int) float64) *zoneRows {
	return &zoneRows{look, make([]float64, n), start, start}
}

// need looks at the rows from..to, as far as there are any.
func (w *zoneRows) need(from, to int) {
	from, to = max(from, 0), min(to+1, len(w.seen))
	for _, part := range [][2]int{{from, w.from}, {w.to, to}} {
		raster.InParallel(part[1]-part[0], func(i int) { w.seen[part[0]+i] = w.look(part[0] + i) })
	}
	w.from, w.to = min(w.from, from), max(w.to, to)
}

// smooth is the median of row r and its neighbours; at the ends, row r alone.
func (w *zoneRows) smooth(r int) float64 {
	if r-1 < w.from || r+1 >= w.to {
		w.need(r-rowsAPer, r+rowsAPer)
	}
	if r == 0 || r == len(w.seen)-1 {
		return w.seen[r]
	}
	return median([]float64{w.seen[r-1], w.seen[r], w.seen[r+1]})
}

// profile is the gray along the ruler, averaged across from t = lo to hi;
// index i is s = from + i.
func (a axis) profile(from float64, n int, lo, hi float64) []float32 {
	rows := min(max(2, int((hi-lo)/max(1, a.pitch/6))+1), 16)
	out := make([]float32, n)
	for r := range rows {
		a.sample(out, from, lo+(hi-lo)*float64(r)/float64(rows-1))
	}
	for i := range out {
		out[i] /= float32(rows)
	}
	return out
}

// extent returns the range of s over which the ruler's line lies in the view.
func (a axis) extent() (from float64, n int) {
	from = -a.u / a.cos
	to := (float64(a.view.w-1) - a.u) / a.cos
	if a.sin != 0 { // the line may leave through the long sides
		s1, s2 := -a.v/a.sin, (float64(a.view.h-1)-a.v)/a.sin
		from, to = max(from, min(s1, s2)), min(to, max(s1, s2))
	}
	return from, max(0, int(to-from)+1)
}

// boxMean returns the running mean of x over 2 reach + 1 places, fewer at the ends.
func boxMean(x []float32, reach int) []float32 {
	out := make([]float32, len(x))
	prefix := make([]float64, len(x)+1)
	for i, v := range x {
		prefix[i+1] = prefix[i] + float64(v)
	}
	for i := range x {
		a, b := max(0, i-reach), min(len(x), i+reach+1)
		out[i] = float32((prefix[b] - prefix[a]) / float64(b-a))
	}
	return out
}

// medianOf is median that leaves its argument alone.
func medianOf(v []float64) float64 { return median(slices.Clone(v)) }
