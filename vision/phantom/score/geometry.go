package score

import (
	"math"

	"pithward/measure"
)

// plane turns px into mm, x and y apart.
type plane [2]float64

func (m plane) mm(p measure.Point) measure.Point { return measure.Point{p[0] * m[0], p[1] * m[1]} }

func (m plane) line(ps []measure.Point) []measure.Point {
	out := make([]measure.Point, len(ps))
	for i, p := range ps {
		out[i] = m.mm(p)
	}
	return out
}

// project returns the length along the polyline of the place nearest to p, and
// the distance to it. Beyond its ends the line runs straight on, so that the
// length may be negative or beyond the whole.
func project(line []measure.Point, p measure.Point) (s, distance float64) {
	distance = math.Inf(1)
	var before float64
	last := len(line) - 2
	for i := 0; i <= last; i++ {
		dx, dy := line[i+1][0]-line[i][0], line[i+1][1]-line[i][1]
		n := math.Hypot(dx, dy)
		if n == 0 {
			continue
		}
		t := ((p[0]-line[i][0])*dx + (p[1]-line[i][1])*dy) / (n * n)
		if i > 0 {
			t = math.Max(t, 0)
		}
		if i < last {
			t = math.Min(t, 1)
		}
		if d := math.Hypot(p[0]-line[i][0]-t*dx, p[1]-line[i][1]-t*dy); d < distance {
			s, distance = before+t*n, d
		}
		before += n
	}
	return s, distance
}

// inside tells whether p lies in the polygon (ray crossing, even-odd).
func inside(polygon []measure.Point, p measure.Point) bool {
	in := false
	for i, j := 0, len(polygon)-1; i < len(polygon); j, i = i, i+1 {
		a, b := polygon[i], polygon[j]
		if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0]-a[0])*(p[1]-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}

// sample returns n places spread evenly along a polyline.
func sample(line []measure.Point, n int) []measure.Point {
	if len(line) == 0 {
		return nil
	}
	at := make([]float64, len(line))
	for i := 1; i < len(line); i++ {
		at[i] = at[i-1] + math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1])
	}
	total := at[len(at)-1]
	out := make([]measure.Point, 0, n)
	k := 0
	for i := range n {
		s := total * (float64(i) + 0.5) / float64(n)
		for k < len(line)-2 && at[k+1] < s {
			k++
		}
		if len(line) == 1 || at[k+1] == at[k] {
			out = append(out, line[k])
			continue
		}
		t := (s - at[k]) / (at[k+1] - at[k])
		out = append(out, measure.Point{line[k][0] + t*(line[k+1][0]-line[k][0]), line[k][1] + t*(line[k+1][1]-line[k][1])})
	}
	return out
}

func length(line []measure.Point) float64 {
	var l float64
	for i := 1; i < len(line); i++ {
		l += math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1])
	}
	return l
}
