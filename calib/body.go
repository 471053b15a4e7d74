package calib

import (
	"math"

	"pithward/measure"
)

// How the ruler's body is followed outward from its ticks.
const (
	bodyStep   = 16.  // gray levels by which the ground differs from the body, to be seen
	bodyBreak  = 1.0  // mm over which it must
	bodyAcross = 45.0 // mm from amid the ticks to the body's far edge at most
	digitsMM   = 4.0  // mm kept beyond the ticks' free ends where no edge is seen: the numbers
	footMM     = 1.0  // and beyond their feet
	insetMM    = 2.5  // mm from the feet to the edge at most
	rimMM      = 0.3  // mm added to what is seen
)

// body is a ruler's outline in its own frame, px.
type body struct{ s0, s1, t0, t1 float64 }

// outline follows the ruler's body from its ticks, which run from s0 to s1 and,
// most of them, between the ends in r, to its edges. First comes the edge at the
// ticks' feet: it must be there within a little, and how much the body differs
// from the ground there tells what the other edges must look like. Where it does
// not show, as on clear plastic, or black on black, the outline keeps to the
// ticks and their numbers.
func (a axis) outline(s0, s1 float64, r reach, mmPerPx float64) body {
	mm := 1 / mmPerPx
	t0, t1 := quantileOf(r.lo, 0.1), quantileOf(r.hi, 0.9) // a stray one is no end
	foot, dir := t0, -1.0
	if quantileOf(r.lo, 0.9)-t0 > t1-quantileOf(r.hi, 0.1) { // the feet stand in line
		foot, dir = t1, 1
	}
	near, far := foot+dir*footMM*mm, t0+t1-foot-dir*digitsMM*mm
	b := body{s0 - footMM*mm, s1 + footMM*mm, 0, 0}
	if e := a.edge(s0, s1, dir, mm, bodyStep); e.seen && math.Abs(e.at-foot) < insetMM*mm {
		near = e.at
		step := max(bodyStep, 0.4*e.step)
		if e := a.edge(s0, s1, -dir, mm, step); e.seen {
			far = e.at
		}
		b.t0, b.t1 = min(near, far), max(near, far)
		if e := a.end(s0-a.pitch/2, b.t0, b.t1, -1, mm, step); e.seen {
			b.s0 = e.at
		}
		if e := a.end(s1+a.pitch/2, b.t0, b.t1, 1, mm, step); e.seen {
			b.s1 = e.at
		}
	}
	b.t0, b.t1 = min(near, far), max(near, far)
	return b
}

// edge walks from amid the ticks in direction dir and returns where, in most
// places between s0 and s1, the gray leaves the body's for good. It looks midway
// between ticks, where the body shows.
func (a axis) edge(s0, s1, dir, mm, least float64) edge {
	const columns = 41
	steps := max(0, math.Round((s1-s0)/a.pitch)-1)
	return walk(0, dir, bodyAcross*mm, mm, least, columns, func(line []float32, t float64) bool {
		if u, v := a.at((s0+s1)/2, t); !a.view.inside(u, v) {
			return false
		}
		for i := range line {
			step := math.Round(float64(i) / (columns - 1) * steps)
			a.sample(line[i:i+1], s0+(step+0.5)*a.pitch, t)
		}
		return true
	})
}

// end walks from s in direction dir and returns where, in most rows between t0
// and t1, the gray leaves the body's for good.
func (a axis) end(s, t0, t1, dir, mm, least float64) edge {
	const rows = 21
	return walk(s, dir, math.Inf(1), mm, least, rows, func(line []float32, s float64) bool {
		u0, v0 := a.at(s, t0)
		u1, v1 := a.at(s, t1)
		if !a.view.inside((u0+u1)/2, (v0+v1)/2) {
			return false
		}
		// Across the view the nearest pixel is taken; that is good enough here.
		for i := range line {
			f := (float64(i) + 0.5) / rows
			a.view.sample(line[i:i+1], u0+f*(u1-u0), v0+f*(v1-v0), 0, 0)
		}
		return true
	})
}

// edge is where a body ends, and by how many gray levels the ground differs.
type edge struct {
	at, step float64
	seen     bool
}

// walk goes from a place in steps of a fifth of a millimetre, averages some
// lines at each, and finds where they, point by point and in the median, depart
// for a whole millimetre from the course of the last two: gloss changes slowly
// over a ruler, an edge does not. The scan's border counts as an edge.
func walk(from, dir, most, mm, least float64, n int, sample func([]float32, float64) bool) edge {
	const back, start = 10, 4 // steps of the course before, and at the start
	step := 0.2 * mm
	need := int(math.Round(bodyBreak * mm / step))
	var past [][]float32
	diff := make([]float64, n)
	sum := 0.0
	for out, d := 0, 0.0; d <= most; d += step {
		line := make([]float32, n)
		for _, sub := range []float64{-0.4, -0.2, 0, 0.2, 0.4} {
			if !sample(line, from+dir*(d+sub*step)) {
				return edge{at: from + dir*d, seen: d > 0}
			}
		}
		if len(past) >= start {
			for i := range diff {
				diff[i] = math.Abs(float64(line[i])-course(past, i, out+1)) / 5
			}
			if m := median(diff); m > least {
				sum += m
				if out++; out == need {
					return edge{at: from + dir*(d-bodyBreak*mm+rimMM*mm), step: sum / float64(need), seen: true}
				}
				continue
			}
		}
		if len(past) == back {
			past = past[1:]
		}
		out, sum = 0, 0
		past = append(past, line)
	}
	return edge{}
}

// course extends the straight line through point i of past lines by ahead
// steps, a level one while there are few.
func course(past [][]float32, i, ahead int) float64 {
	n := float64(len(past))
	mid := (n - 1) / 2
	var mean, slope float64
	for k, p := range past {
		mean += float64(p[i]) / n
		slope += (float64(k) - mid) * float64(p[i])
	}
	if slope *= 12 / (n * (n*n - 1)); n < 8 {
		return mean
	}
	return mean + slope*(n-1-mid+float64(ahead))
}

// corners returns the outline in scan pixels.
func (b body) corners(a axis) []measure.Point {
	return []measure.Point{a.place(b.s0, b.t0), a.place(b.s1, b.t0), a.place(b.s1, b.t1), a.place(b.s0, b.t1)}
}
