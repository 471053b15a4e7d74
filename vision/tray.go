package vision

import (
	"math"
	"sort"

	"pithward/measure"
	"pithward/vision/raster"
)

// Hints are what is known before cores are looked for.
type Hints struct {
	// Avoid are polygons in scan px where no core is, such as the ruler's.
	Avoid [][]measure.Point
	// MMPerPx is the scale along x and y, nil when not known.
	MMPerPx *[2]float64
}

// FindCores finds the increment cores on a scan, and only those, in the order
// of their positions: from top to bottom, then from left to right. The
// overview is the same scan, reduced. The warnings are about the scan as a
// whole. An error is the image library's.
func FindCores(px raster.Pixels, o Overview, h Hints) ([]raster.Core, []string, error) {
	t := newTint(o.Pixels)
	avoid := newMask(t.w, t.h)
	for _, poly := range h.Avoid {
		small := make([]measure.Point, len(poly))
		for i, p := range poly {
			small[i][0], small[i][1] = o.FromScan(p[0], p[1])
		}
		avoid.fill(small)
	}
	avoid, err := avoid.morph(dilate, 5, 5)
	if err != nil {
		return nil, nil, err
	}
	f := finder{px: px, o: o, ground: findGround(t, avoid), hints: h}
	bars, err := findBars(t, f.ground, avoid)
	if err != nil {
		return nil, nil, err
	}
	var cores []raster.Core
	for _, b := range bars {
		cores = append(cores, f.coresOf(b)...)
	}
	inOrder(cores)
	return cores, nil, nil
}

// finder looks closely at the bars of one scan.
type finder struct {
	px     raster.Pixels
	o      Overview
	ground ground
	hints  Hints
}

// rowsAcross is how many rows a bar is looked at with (chosen: fine enough for
// rings of a third of a millimetre, coarse enough to be quick).
const rowsAcross = 64

// coresOf finds the cores in one bar.
func (f *finder) coresOf(b bar) []raster.Core {
	line := make([]measure.Point, len(b.mid))
	us, vs := make([]float64, len(b.mid)), make([]float64, len(b.mid))
	for i, p := range b.mid {
		us[i], vs[i] = b.along(p)
	}
	c := fitCurve(us, vs, nil, degreeFor(b.length/b.breadth))
	for i, u := range us {
		p := b.place(u, c.at(u))
		line[i][0], line[i][1] = f.o.ToScan(p[0], p[1])
	}
	wide := b.breadth * float64(f.o.Factor)
	bd := layStraight(f.px, line, 0.8*wide, wide, wide/rowsAcross)
	f.setBackground(bd)
	return f.bare(bd)
}

// degreeFor is the degree of polynomial that a core of this length, in
// breadths, may need: stubs are straight, long cores bend.
func degreeFor(breadths float64) int {
	switch {
	case breadths < 4:
		return 1
	case breadths < 10:
		return 2
	case breadths < 20:
		return 3
	}
	return 5
}

// setBackground takes the ground's colours under every column of the band.
func (f *finder) setBackground(b *band) {
	for c, ch := range b.ch {
		if ch != nil {
			b.background[c] = make([]float32, b.w)
		}
	}
	for u, p := range b.place {
		x, y := f.o.FromScan(p[0], p[1])
		x = math.Max(0, math.Min(float64(f.o.Width-1), x))
		y = math.Max(0, math.Min(float64(f.o.Height-1), y))
		for c, v := range f.ground.colour(int(x), int(y)) {
			if b.background[c] != nil {
				b.background[c][u] = float32(v)
			}
		}
	}
}

// stands returns, for every cell of the band, whether it stands out from the
// ground.
func (f *finder) stands(b *band) []bool {
	on := make([]bool, b.w*b.h)
	var inv [3]float32
	for c := range inv {
		inv[c] = float32(1 / f.ground.sd[c])
	}
	for v := range b.h {
		for u := range b.w {
			var sum float32
			for c, ch := range b.ch {
				if ch != nil {
					d := (ch[v*b.w+u] - b.background[c][u]) * inv[c]
					sum += d * d
				}
			}
			on[v*b.w+u] = sum > standsOut*standsOut
		}
	}
	return on
}

// outward favours the outer of two clear steps at a bare core's rim: the inner
// is where the sanded flat meets the round flank (chosen).
const outward = 0.25

// bare measures the one core that fills the bar.
func (f *finder) bare(b *band) []raster.Core {
	on := f.stands(b)
	lo, hi := extent(b, on)
	const hop = 8
	r := newRims(b, f.ground.sd, hop, rowsAcross/2)
	occ := occupied(b, on, lo, hi)
	u0, u1 := ends(occ)
	k0, k1 := (u0+hop-1)/hop, u1/hop
	if k1-k0 < 4 {
		return nil
	}
	reach := 0.2 * (hi - lo)
	top, ts := r.follow(func(int) float64 { return lo }, reach, -outward, k0, k1)
	bot, bs := r.follow(func(int) float64 { return hi }, reach, outward, k0, k1)
	us, mids, breadths, ws := make([]float64, len(top)), make([]float64, len(top)), make([]float64, len(top)), make([]float64, len(top))
	for i := range top {
		us[i] = float64((k0 + i) * hop)
		mids[i], breadths[i] = (top[i]+bot[i])/2, bot[i]-top[i]
		ws[i] = math.Min(ts[i], bs[i])
		ws[i] /= 1 + ws[i]
	}
	breadth := median(breadths)
	c := fitCurve(us, mids, ws, degreeFor(float64(u1-u0)/breadth))
	return []raster.Core{b.core(c, u0, u1, breadth)}
}

// extent returns the first and last row that mostly stand out.
func extent(b *band, on []bool) (lo, hi float64) {
	first, last := b.h, -1
	for v := range b.h {
		n := 0
		for u := range b.w {
			if on[v*b.w+u] {
				n++
			}
		}
		if 2*n > b.w-2*rowsAcross {
			first, last = min(first, v), max(last, v)
		}
	}
	return float64(first) - 0.5, float64(last) + 0.5
}

// occupied returns for each column the part of the rows between lo and hi that
// stands out.
func occupied(b *band, on []bool, lo, hi float64) []float64 {
	v0, v1 := max(0, int(lo+1)), min(b.h, int(hi+1))
	occ := make([]float64, b.w)
	for v := v0; v < v1; v++ {
		for u := range b.w {
			if on[v*b.w+u] {
				occ[u]++
			}
		}
	}
	for u := range occ {
		occ[u] /= float64(max(1, v1-v0))
	}
	return occ
}

// ends returns the first column and the one after the last that are at least
// half occupied.
func ends(occ []float64) (u0, u1 int) {
	u0, u1 = len(occ), 0
	for u, o := range occ {
		if o >= 0.5 {
			u0, u1 = min(u0, u), u+1
		}
	}
	return u0, u1
}

// core turns a midline in the band into a core on the scan.
func (b *band) core(c curve, u0, u1 int, breadth float64) raster.Core {
	first, last := float64(u0)-0.5, float64(u1)-0.5
	n := max(2, int((last-first)/(rowsAcross/4))+1)
	var k raster.Core
	var upper, lower []measure.Point
	for i := range n {
		u := first + (last-first)*float64(i)/float64(n-1)
		v := c.at(u)
		k.AxisPx = append(k.AxisPx, b.at(u, v))
		upper = append(upper, b.at(u, v-breadth/2))
		lower = append(lower, b.at(u, v+breadth/2))
	}
	k.OutlinePx = upper
	for i := range lower {
		k.OutlinePx = append(k.OutlinePx, lower[len(lower)-1-i])
	}
	k.BreadthPx = breadth * b.step
	p, q := k.AxisPx[0], k.AxisPx[n-1]
	k.Upright = math.Abs(q[1]-p[1]) > math.Abs(q[0]-p[0])
	return k
}

// inOrder sorts cores from top to bottom and those of one row from left to
// right.
func inOrder(cores []raster.Core) {
	row := make([]int, len(cores)) // each core's row is named by its first core
	for i := range cores {
		row[i] = i
		for j := range i {
			if sameRow(cores[i], cores[j]) {
				from, to := max(row[i], row[j]), min(row[i], row[j])
				for k := range i + 1 {
					if row[k] == from {
						row[k] = to
					}
				}
			}
		}
	}
	height, size := make([]float64, len(cores)), make([]float64, len(cores))
	for i, c := range cores {
		_, y := middle(c)
		height[row[i]] += y
		size[row[i]]++
	}
	type placed struct {
		row  int
		y, x float64
		core raster.Core
	}
	list := make([]placed, len(cores))
	for i, c := range cores {
		x, _ := middle(c)
		list[i] = placed{row[i], height[row[i]] / size[row[i]], x, c}
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		switch {
		case a.row == b.row:
			return a.x < b.x
		case a.y != b.y:
			return a.y < b.y
		}
		return a.row < b.row
	})
	for i := range list {
		cores[i] = list[i].core
	}
}

// sameRow tells whether two cores lie beside each other, in x: standing ones
// share more than half of the shorter's height, lying ones carry on each
// other's line within half a breadth.
func sameRow(a, b raster.Core) bool {
	ax0, ay0, ax1, ay1 := boxOf(a)
	bx0, by0, bx1, by1 := boxOf(b)
	if a.Upright || b.Upright {
		return math.Min(ay1, by1)-math.Max(ay0, by0) > 0.5*math.Min(ay1-ay0, by1-by0)
	}
	if math.Min(ax1, bx1)-math.Max(ax0, bx0) > 0.2*math.Min(ax1-ax0, bx1-bx0) {
		return false
	}
	if bx0 < ax0 {
		a, b = b, a
	}
	return math.Abs(a.AxisPx[len(a.AxisPx)-1][1]-b.AxisPx[0][1]) < 0.5*math.Min(a.BreadthPx, b.BreadthPx)
}

// boxOf returns the bounds of a core's axis.
func boxOf(c raster.Core) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range c.AxisPx {
		x0, x1 = math.Min(x0, p[0]), math.Max(x1, p[0])
		y0, y1 = math.Min(y0, p[1]), math.Max(y1, p[1])
	}
	return x0, y0, x1, y1
}

func middle(c raster.Core) (x, y float64) {
	p, q := c.AxisPx[0], c.AxisPx[len(c.AxisPx)-1]
	return (p[0] + q[0]) / 2, (p[1] + q[1]) / 2
}
