package calib

import (
	"math"

	"pithward/measure"
)

// How the ruler's body is followed outward from its ticks.
const (
	bodyStep   = 14.  // gray levels by which the ground differs from the body, to be seen
	bodyBreak  = 1.0  // mm over which it must
	bodyAcross = 45.0 // mm from the ticks to the body's far edge at most
	digitsMM   = 4.0  // mm kept beyond the ticks' free ends where no edge is seen: the numbers
	footMM     = 1.0  // and beyond their feet
	rimMM      = 0.3  // mm added to what is seen
)

// body is a ruler's outline in its own frame, px.
type body struct{ s0, s1, t0, t1 float64 }

// outline follows the ruler's body from its ticks, which run from s0 to s1 and
// t0 to t1, to its edges. Where none shows, as on clear plastic or a black
// ruler on black cloth, it keeps to the ticks and their numbers.
func (a axis) outline(s0, s1, t0, t1, mmPerPx float64) body {
	mm := 1 / mmPerPx
	b := body{s0 - a.pitch, s1 + a.pitch, t0 - digitsMM*mm, t1 + digitsMM*mm}
	up, okUp := a.edge(s0, s1, t0, -1, mm)
	down, okDown := a.edge(s0, s1, t1, 1, mm)
	if okUp {
		b.t0 = up
	}
	if okDown {
		b.t1 = down
	}
	if left, ok := a.end(s0-a.pitch/2, b.t0, b.t1, -1, mm); ok {
		b.s0 = left
	}
	if right, ok := a.end(s1+a.pitch/2, b.t0, b.t1, 1, mm); ok {
		b.s1 = right
	}
	return b
}

// edge walks from t in direction dir and returns where, in most places between
// s0 and s1, the gray leaves the body's for good.
func (a axis) edge(s0, s1, t, dir, mm float64) (float64, bool) {
	const columns = 41
	return walk(t, dir, bodyAcross*mm, mm, columns, func(line []float32, t float64) bool {
		u0, v0 := a.at(s0, t)
		u1, v1 := a.at(s1, t)
		if !a.view.inside((u0+u1)/2, (v0+v1)/2) {
			return false
		}
		a.view.sample(line, u0, v0, (u1-u0)/(columns-1), (v1-v0)/(columns-1))
		return true
	})
}

// end walks from s in direction dir and returns where, in most rows between t0
// and t1, the gray leaves the body's for good.
func (a axis) end(s, t0, t1, dir, mm float64) (float64, bool) {
	const rows = 21
	return walk(s, dir, math.Inf(1), mm, rows, func(line []float32, s float64) bool {
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

// walk goes from a place in steps of a fifth of a millimetre, samples a line at
// each, and finds where the line, point by point and in its median, differs
// from what it was before over a whole millimetre. The scan's border counts as
// an edge.
func walk(from, dir, most, mm float64, n int, sample func([]float32, float64) bool) (float64, bool) {
	step := 0.2 * mm
	need := int(math.Round(bodyBreak * mm / step))
	ref, line := make([]float32, n), make([]float32, n)
	if !sample(ref, from) {
		return 0, false
	}
	diff := make([]float64, n)
	out := 0
	for d := step; d <= most; d += step {
		clear(line)
		if !sample(line, from+dir*d) {
			return from + dir*d, true
		}
		for i := range line {
			diff[i] = math.Abs(float64(line[i] - ref[i]))
		}
		if median(diff) > bodyStep {
			if out++; out == need {
				return from + dir*(d-bodyBreak*mm+rimMM*mm), true
			}
			continue
		}
		out = 0
		for i := range ref { // light changes slowly along a ruler
			ref[i] += 0.1 * (line[i] - ref[i])
		}
	}
	return 0, false
}

// corners returns the outline in scan pixels.
func (b body) corners(a axis) []measure.Point {
	return []measure.Point{a.place(b.s0, b.t0), a.place(b.s1, b.t0), a.place(b.s1, b.t1), a.place(b.s0, b.t1)}
}
