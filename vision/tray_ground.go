package vision

import (
	"math"
	"sort"

	"pithward/measure"
	"pithward/vision/raster"
)

// tint is a picture as lightness and two opponent colours (red against green,
// yellow against blue), all in grey levels. A gray picture has no colours: nil.
type tint struct {
	w, h int
	ch   [3][]float32
}

// newTint splits an 8-bit picture.
func newTint(px raster.Pixels) tint {
	n := px.Width * px.Height
	t := tint{w: px.Width, h: px.Height}
	t.ch[0] = make([]float32, n)
	if px.Channels == 1 {
		for i, v := range px.U8 {
			t.ch[0][i] = float32(v)
		}
		return t
	}
	t.ch[1], t.ch[2] = make([]float32, n), make([]float32, n)
	for i := range n {
		t.ch[0][i], t.ch[1][i], t.ch[2][i] = opponent(float32(px.U8[3*i]), float32(px.U8[3*i+1]), float32(px.U8[3*i+2]))
	}
	return t
}

func opponent(b, g, r float32) (light, redGreen, yellowBlue float32) {
	return (r + g + b) / 3, r - g, (r+g)/2 - b
}

// ground is the background: per channel a quadratic surface over the picture,
// which follows uneven light, and the spread of the pixels round it.
type ground struct {
	w, h int
	coef [3][6]float64
	sd   [3]float64
	// weight is the inverse square of sd.
	weight [3]float32
}

// The least spread of the ground, in grey levels, for lightness and colours:
// below it, differences are no sign of an object (chosen).
const (
	minSDLight  = 2.5
	minSDColour = 2.0
)

// findGround fits the ground to the picture outside avoid. It starts from the
// commonest colour, counting the picture's rim more, since the tray's rim is
// seldom covered, and grows the fit to what agrees with it.
func findGround(t tint, avoid mask) ground {
	g := ground{w: t.w, h: t.h}
	mode := groundMode(t, avoid)
	for c := range g.coef {
		g.coef[c][0], g.sd[c] = mode[c], 5
	}
	step := max(1, int(math.Sqrt(float64(t.w*t.h)/40000)))
	for range 4 {
		g.refit(t, avoid, step)
	}
	for c, sd := range g.sd {
		g.weight[c] = float32(1 / (sd * sd))
	}
	return g
}

// groundMode returns the centre of the fullest cell of a coarse colour
// histogram.
func groundMode(t tint, avoid mask) [3]float64 {
	const cell, off = 8, 256
	type key [3]int
	count := map[key]int{}
	rim := max(2, min(t.w, t.h)/25)
	step := max(1, int(math.Sqrt(float64(t.w*t.h)/250000)))
	at := func(i int) (k key) {
		for c, ch := range t.ch {
			if ch != nil {
				k[c] = (int(ch[i]) + off) / cell
			}
		}
		return k
	}
	for y := 0; y < t.h; y += step {
		for x := 0; x < t.w; x += step {
			if avoid.on[y*t.w+x] != 0 {
				continue
			}
			weight := 1
			if x < rim || y < rim || x >= t.w-rim || y >= t.h-rim {
				weight = 5
			}
			count[at(y*t.w+x)] += weight
		}
	}
	keys := make([]key, 0, len(count))
	for k := range count {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		a, b := keys[i], keys[j]
		return a[0] < b[0] || a[0] == b[0] && (a[1] < b[1] || a[1] == b[1] && a[2] < b[2])
	})
	var best key
	most := -1
	for _, k := range keys {
		sum := 0
		for a := -1; a <= 1; a++ {
			for b := -1; b <= 1; b++ {
				for c := -1; c <= 1; c++ {
					sum += count[key{k[0] + a, k[1] + b, k[2] + c}]
				}
			}
		}
		if sum > most {
			best, most = k, sum
		}
	}
	var mode [3]float64
	for c := range mode {
		if t.ch[c] != nil {
			mode[c] = float64(best[c]*cell-off) + cell/2
		}
	}
	return mode
}

// refit fits the surfaces to the pixels within four spreads of the present
// ones and takes the spread anew from their median deviation.
func (g *ground) refit(t tint, avoid mask, step int) {
	var rows [][6]float64
	var at []int
	for y := step / 2; y < t.h; y += step {
		for x := step / 2; x < t.w; x += step {
			i := y*t.w + x
			if avoid.on[i] == 0 && g.distance(t, x, y) < 5 {
				rows = append(rows, g.basis(x, y))
				at = append(at, i)
			}
		}
	}
	if len(rows) < 60 {
		return
	}
	even := make([]float64, len(rows))
	for i := range even {
		even[i] = 1
	}
	raster.InParallel(len(t.ch), func(c int) {
		ch := t.ch[c]
		if ch == nil {
			return
		}
		z := make([]float64, len(at))
		for k, i := range at {
			z[k] = float64(ch[i])
		}
		g.coef[c] = leastSquares(rows, z, even)
		for k := range z {
			z[k] = math.Abs(z[k] - dot6(g.coef[c], rows[k]))
		}
		floor := minSDColour
		if c == 0 {
			floor = minSDLight
		}
		g.sd[c] = math.Max(floor, 1.4826*median(z)) // of the normal law
	})
}

func (g *ground) basis(x, y int) [6]float64 {
	u, v := 2*float64(x)/float64(g.w)-1, 2*float64(y)/float64(g.h)-1
	return [6]float64{1, u, v, u * u, u * v, v * v}
}

// distance returns how many spreads the pixel lies off the ground.
func (g *ground) distance(t tint, x, y int) float64 {
	b := g.basis(x, y)
	sum := 0.0
	for c, ch := range t.ch {
		if ch != nil {
			d := (float64(ch[y*t.w+x]) - dot6(g.coef[c], b)) / g.sd[c]
			sum += d * d
		}
	}
	return math.Sqrt(sum)
}

// standsOut is the number of spreads off the ground from which a pixel is
// part of an object (chosen; the spread has a floor).
const standsOut = 5

// darkest is how far a shadow darkens the ground, at most.
const darkest = 0.3

// stands tells whether a colour is not that of the ground given, nor, in a
// colour picture, of the ground in shadow, which keeps its hue.
func (g *ground) stands(c, of [3]float32, coloured bool) bool {
	d := [3]float32{c[0] - of[0]}
	if coloured {
		d[1], d[2] = c[1]-of[1], c[2]-of[2]
	}
	w := &g.weight
	if d[0]*d[0]*w[0]+d[1]*d[1]*w[1]+d[2]*d[2]*w[2] <= standsOut*standsOut {
		return false
	}
	if !coloured || c[0] >= of[0] || c[0] < darkest*of[0] {
		return true
	}
	var cross, own, sum float32
	for i := range c {
		cross += c[i] * of[i] * w[i]
		own += of[i] * of[i] * w[i]
	}
	for i := range c {
		d := (c[i] - cross/own*of[i]) / float32(g.sd[i])
		sum += d * d
	}
	return sum > standsOut*standsOut
}

// colour returns the ground's channels at (x, y) of the overview.
func (g *ground) colour(x, y int) (c [3]float64) {
	b := g.basis(x, y)
	for i := range c {
		c[i] = dot6(g.coef[i], b)
	}
	return c
}

// row returns a function that gives the ground's channels along row y, by
// column.
func (g *ground) row(y int) func(x int) [3]float32 {
	b := g.basis(0, y)
	v, vv := b[2], b[5]
	var k [3][3]float64 // of 1, u and u squared
	for c, a := range g.coef {
		k[c] = [3]float64{a[0] + a[2]*v + a[5]*vv, a[1] + a[4]*v, a[3]}
	}
	step := 2 / float64(g.w)
	return func(x int) (of [3]float32) {
		u := float64(x)*step - 1
		for c := range of {
			of[c] = float32(k[c][0] + u*(k[c][1]+u*k[c][2]))
		}
		return of
	}
}

func dot6(a, b [6]float64) float64 {
	return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] + a[3]*b[3] + a[4]*b[4] + a[5]*b[5]
}

// leastSquares solves the weighted normal equations of z = rows * coef by
// Gaussian elimination with pivots. What the rows leave open becomes 0 (a
// ridge of one part in a thousand million).
func leastSquares(rows [][6]float64, z, weight []float64) (coef [6]float64) {
	var m [6][7]float64
	for k, r := range rows {
		for i := range 6 {
			wr := weight[k] * r[i]
			for j := range 6 {
				m[i][j] += wr * r[j]
			}
			m[i][6] += wr * z[k]
		}
	}
	for i := range 6 {
		m[i][i] += 1e-9*float64(len(rows)) + 1e-12
	}
	for i := range 6 {
		p := i
		for r := i + 1; r < 6; r++ {
			if math.Abs(m[r][i]) > math.Abs(m[p][i]) {
				p = r
			}
		}
		m[i], m[p] = m[p], m[i]
		for r := range 6 {
			if r == i {
				continue
			}
			f := m[r][i] / m[i][i]
			for j := i; j < 7; j++ {
				m[r][j] -= f * m[i][j]
			}
		}
	}
	for i := range 6 {
		coef[i] = m[i][6] / m[i][i]
	}
	return coef
}

// median returns the middle value of v, which it reorders; 0 for none.
func median(v []float64) float64 { return quantile(v, 0.5) }

// quantile returns the value below which the fraction q of v lies, without
// interpolation; it reorders v; 0 for none.
func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return 0
	}
	k := min(len(v)-1, int(q*float64(len(v))))
	lo, hi := 0, len(v)-1
	for lo < hi { // Hoare's selection, with the middle value as pivot
		pivot := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// fill sets the pixels of the mask whose centre lies in the polygon.
func (k mask) fill(poly []measure.Point) {
	if len(poly) < 3 {
		return
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range poly {
		lo, hi = math.Min(lo, p[1]), math.Max(hi, p[1])
	}
	for y := max(0, int(math.Ceil(lo))); y <= min(k.h-1, int(hi)); y++ {
		var cross []float64
		for i, a := range poly {
			b := poly[(i+1)%len(poly)]
			if (a[1] <= float64(y)) != (b[1] <= float64(y)) {
				cross = append(cross, a[0]+(float64(y)-a[1])/(b[1]-a[1])*(b[0]-a[0]))
			}
		}
		sort.Float64s(cross)
		for i := 0; i+1 < len(cross); i += 2 {
			for x := max(0, int(math.Ceil(cross[i]))); x <= min(k.w-1, int(math.Floor(cross[i+1]))); x++ {
				k.on[y*k.w+x] = 255
			}
		}
	}
}
