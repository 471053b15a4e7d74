package vision

import (
	"math"

	"pithward/measure"
	"pithward/vision/raster"
)

// curve is a smooth line in a frame of its own: v as a polynomial of u, of
// degree 5 at most, over [from, to], carried on straight beyond.
type curve struct {
	from, to float64
	coef     [6]float64
}

// scale maps u to [-1, 1].
func (c curve) scale(u float64) float64 {
	if c.to == c.from {
		return 0
	}
	return (2*u - c.from - c.to) / (c.to - c.from)
}

// at returns v at u.
func (c curve) at(u float64) float64 {
	t := max(-1, min(1, c.scale(u)))
	v := c.coef[5]
	for i := 4; i >= 0; i-- {
		v = v*t + c.coef[i]
	}
	if s := c.scale(u); s != t {
		v += (s - t) * c.slopeScaled(t)
	}
	return v
}

func (c curve) slopeScaled(t float64) float64 {
	s := 5 * c.coef[5]
	for i := 4; i >= 1; i-- {
		s = s*t + float64(i)*c.coef[i]
	}
	return s
}

// fitCurve fits v against u by least squares with Tukey's biweight, so that
// single places do not bend it (Beaton and Tukey 1974). The weights w say how
// far to trust each point; nil: all alike.
func fitCurve(u, v, w []float64, degree int) curve {
	c := curve{from: math.Inf(1), to: math.Inf(-1)}
	for _, x := range u {
		c.from, c.to = math.Min(c.from, x), math.Max(c.to, x)
	}
	rows := make([][6]float64, len(u))
	for i, x := range u {
		p, t := 1.0, c.scale(x)
		for d := 0; d <= min(degree, 5); d++ {
			rows[i][d] = p
			p *= t
		}
	}
	weight := make([]float64, len(u))
	for i := range weight {
		weight[i] = 1
		if w != nil {
			weight[i] = w[i]
		}
	}
	res := make([]float64, len(u))
	for range 6 {
		c.coef = leastSquares(rows, v, weight)
		for i := range v {
			res[i] = math.Abs(v[i] - dot6(c.coef, rows[i]))
		}
		limit := math.Max(0.3, 4.685*1.4826*median(append([]float64(nil), res...)))
		for i := range v {
			weight[i] = 0
			if r := res[i] / limit; r < 1 {
				weight[i] = (1 - r*r) * (1 - r*r)
			}
			if w != nil {
				weight[i] *= w[i]
			}
		}
	}
	return c
}

// band is a stretch of the scan laid straight: columns along, rows across,
// both step scan px apart. Row mid lies on the line it was laid along.
type band struct {
	tint                          // nv rows of nu
	place, normal []measure.Point // of each column, in scan px
	step, mid     float64
	background    [3][]float32 // of each column, from the ground
}

// at returns the place on the scan of column u and row v, also between and
// outside them.
func (b *band) at(u, v float64) measure.Point {
	i := int(math.Max(0, math.Min(float64(b.w-2), math.Floor(u))))
	f := u - float64(i)
	p, q := b.place[i], b.place[i+1]
	n, m := b.normal[i], b.normal[i+1]
	d := (v - b.mid) * b.step
	g := math.Max(0, math.Min(1, f))
	return measure.Point{
		p[0] + f*(q[0]-p[0]) + d*(n[0]+g*(m[0]-n[0])),
		p[1] + f*(q[1]-p[1]) + d*(n[1]+g*(m[1]-n[1])),
	}
}

// layStraight samples the scan along line, which is in scan px and at least
// two points, out to half px on both sides and margin px beyond its ends.
func layStraight(px raster.Pixels, line []measure.Point, half, margin, step float64) *band {
	b := &band{step: step}
	b.place, b.normal = pace(line, margin, step)
	b.w = len(b.place)
	rows := int(math.Ceil(half / step))
	b.h = 2*rows + 1
	b.mid = float64(rows)
	channels := 1
	if px.Channels == 3 {
		channels = 3
	}
	for c := range channels {
		b.ch[c] = make([]float32, b.w*b.h)
	}
	sub := max(1, min(2, int(math.Round(step))))
	s := sampler{px, 255}
	if px.U16 != nil {
		s.full = 65535
	}
	for v := range b.h { // row by row, as the scan lies in memory
		if px.U8 != nil && channels == 3 {
			b.sampleBGR(px, v, sub)
			continue
		}
		d := (float64(v) - b.mid) * step
		for u := range b.w {
			p, n := b.place[u], b.normal[u]
			b.put(u, v, s.mean(p[0]+d*n[0], p[1]+d*n[1], n, step, sub))
		}
	}
	return b
}

func (b *band) put(u, v int, c [3]float32) {
	i := v*b.w + u
	if b.ch[1] == nil {
		b.ch[0][i] = c[0]
		return
	}
	b.ch[0][i], b.ch[1][i], b.ch[2][i] = opponent(c[0], c[1], c[2])
}

// sampleBGR fills row v from an 8-bit colour scan, as sampler.mean would: of the
// pixel at each cell's centre, or of those at the centres of its quarters.
func (b *band) sampleBGR(px raster.Pixels, v, sub int) {
	d := (float64(v) - b.mid) * b.step
	lastX, lastY := px.Width-1, px.Height-1
	farX, farY := float64(lastX)-b.step, float64(lastY)-b.step
	inside := false
	at := func(x, y float64) int {
		ix, iy := int(x+0.5), int(y+0.5)
		if !inside {
			ix, iy = max(0, min(lastX, ix)), max(0, min(lastY, iy))
		}
		return 3 * (iy*px.Width + ix)
	}
	light, redGreen, yellowBlue := b.ch[0][v*b.w:][:b.w], b.ch[1][v*b.w:][:b.w], b.ch[2][v*b.w:][:b.w]
	for u, n := range b.normal {
		x, y := b.place[u][0]+d*n[0], b.place[u][1]+d*n[1]
		inside = x > b.step && y > b.step && x < farX && y < farY
		if sub == 1 {
			p := px.U8[at(x, y):][:3]
			light[u], redGreen[u], yellowBlue[u] = opponent(float32(p[0]), float32(p[1]), float32(p[2]))
			continue
		}
		du, dv := b.step/4*n[0], b.step/4*n[1]
		left, right, up, down := x-dv, x+dv, y+du, y-du
		i, j, k, l := at(left-du, up-dv), at(left+du, up+dv), at(right-du, down-dv), at(right+du, down+dv)
		p, q, r, s := px.U8[i:i+3:i+3], px.U8[j:j+3:j+3], px.U8[k:k+3:k+3], px.U8[l:l+3:l+3]
		blue := int(p[0]) + int(q[0]) + int(r[0]) + int(s[0])
		green := int(p[1]) + int(q[1]) + int(r[1]) + int(s[1])
		red := int(p[2]) + int(q[2]) + int(r[2]) + int(s[2])
		light[u], redGreen[u], yellowBlue[u] = opponent(float32(blue)/4, float32(green)/4, float32(red)/4)
	}
}

// pace walks along the line at equal steps, beyond both ends by margin, and
// gives places and unit normals (to the right of the way as displayed).
func pace(line []measure.Point, margin, step float64) (place, normal []measure.Point) {
	at := []float64{0}
	for i := 1; i < len(line); i++ {
		at = append(at, at[i-1]+math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1]))
	}
	n := int((at[len(at)-1]+2*margin)/step) + 1
	k := 0
	for i := range max(n, 2) {
		s := float64(i)*step - margin
		for k+2 < len(line) && at[k+1] < s {
			k++
		}
		l := at[k+1] - at[k]
		d := measure.Point{(line[k+1][0] - line[k][0]) / l, (line[k+1][1] - line[k][1]) / l}
		place = append(place, measure.Point{line[k][0] + (s-at[k])*d[0], line[k][1] + (s-at[k])*d[1]})
		normal = append(normal, measure.Point{-d[1], d[0]})
	}
	return place, normal
}

// sampler takes means of the scan's pixels; outside it repeats the rim.
type sampler struct {
	px   raster.Pixels
	full float32
}

// mean averages sub by sub places of a square cell, step wide, at (x, y).
func (s *sampler) mean(x, y float64, n measure.Point, step float64, sub int) (sum [3]float32) {
	ch := s.px.Channels
	for i := range sub {
		a := (float64(i) - float64(sub-1)/2) * step / float64(sub)
		x, y := x+a*n[1], y-a*n[0]
		for j := range sub {
			d := (float64(j) - float64(sub-1)/2) * step / float64(sub)
			ix := max(0, min(s.px.Width-1, int(x+d*n[0]+0.5)))
			iy := max(0, min(s.px.Height-1, int(y+d*n[1]+0.5)))
			at := (iy*s.px.Width + ix) * ch
			for c := range ch {
				if s.px.U8 != nil {
					sum[c] += float32(s.px.U8[at+c])
				} else {
					sum[c] += float32(s.px.U16[at+c])
				}
			}
		}
	}
	k := 255 / (s.full * float32(sub*sub))
	for c := range ch {
		sum[c] *= k
	}
	return sum
}
