package vision

import (
	"errors"
	"math"
	"slices"
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
	f := finder{px: px, o: o, hints: h}
	var spread []float32
	raster.InParallel(2, func(i int) {
		if i == 0 {
			f.ground = findGround(t, avoid)
		} else {
			spread = roughSpread(t)
		}
	})
	objects, err := f.ground.objects(t, spread, avoid)
	if err != nil {
		return nil, nil, err
	}
	if f.sure, err = surely(objects); err != nil {
		return nil, nil, err
	}
	bars, err := findBars(objects, strokeOf(t))
	if err != nil {
		return nil, nil, err
	}
	found := make([][]*piece, len(bars))
	failed := make([]error, len(bars))
	raster.InParallel(len(bars), func(i int) { found[i], failed[i] = f.piecesOf(bars[i], 0) })
	if err := errors.Join(failed...); err != nil {
		return nil, nil, err
	}
	for i, usual := range f.broadBars(found) {
		if found[i], err = f.piecesOf(bars[i], usual); err != nil {
			return nil, nil, err
		}
	}
	pieces := slices.Concat(found...)
	var cores []raster.Core
	pieces = apart(pieces)
	f.meet(pieces)
	for _, c := range joinPieces(pieces) {
		if f.isCore(c) {
			cores = append(cores, assemble(c))
		}
	}
	inOrder(cores)
	return cores, nil, nil
}

// finder looks closely at the bars of one scan.
type finder struct {
	px     raster.Pixels
	o      Overview
	ground ground
	sure   mask // of the overview, as surely tells
	hints  Hints
}

// atRim marks the pixels of the overview at the rims of objects, inside and out.
const atRim = 1

// surely returns the mask of objects less their rims, which become atRim.
func surely(objects mask) (mask, error) {
	inside, err := objects.morph(erode, 7, 7)
	if err != nil {
		return mask{}, err
	}
	around, err := objects.morph(dilate, 3, 3)
	for i, v := range around.on {
		if v != 0 && inside.on[i] == 0 {
			inside.on[i] = atRim
		}
	}
	return inside, err
}

// rowsAcross is how many rows a bar is looked at with (chosen: fine enough for
// rings of a third of a millimetre, coarse enough to be quick).
const rowsAcross = 64

// broadBars gives the bars with something much broader than the cores in the
// others are, and those cores' usual breadth in scan px.
func (f *finder) broadBars(found [][]*piece) map[int]float64 {
	breadths := make([][]float64, len(found))
	for i, pieces := range found {
		for _, p := range pieces {
			if f.isCore([]*piece{p}) {
				breadths[i] = append(breadths[i], p.breadth)
			}
		}
	}
	broad := map[int]float64{}
	for i := range found {
		others := slices.Concat(slices.Concat(breadths[:i]...), slices.Concat(breadths[i+1:]...))
		if usual := median(others); len(others) >= leastOthers && slices.ContainsFunc(breadths[i], func(b float64) bool { return b > broadPatch*usual }) {
			broad[i] = usual
		}
	}
	return broad
}

// leastOthers is how many cores say what breadth is usual on a tray (chosen).
const leastOthers = 2

// piecesOf finds the pieces of cores in one bar. usual is the breadth of other
// cores on the tray in scan px, 0 where not known.
func (f *finder) piecesOf(b bar, usual float64) ([]*piece, error) {
	bd := f.lay(b)
	on := f.stands(bd)
	u0, u1 := f.reach(b, bd)
	tx := newTexture(bd, patchHop, patchWindow, u0, u1)
	found, err := patches(bd, &tx, on)
	if err != nil {
		return nil, err
	}
	r := newRims(bd, f.ground.sd, patchHop, 40, bd.mid, bd.mid)
	var out []*piece
	var alone []patch
	for _, whole := range found {
		if whole.isPrint(bd, &tx) || slices.ContainsFunc(alone, func(p patch) bool { return p.holds(whole) }) {
			continue
		}
		doubtful := whole.isMarked(bd, &tx)
		parts := splitPatch(bd, &r, whole, breadths{least: f.slimmest() / bd.step, usual: usual / bd.step})
		if len(parts) == 1 {
			parts[0] = parts[0].carriedOn(bd, on)
			alone = append(alone, parts[0])
		}
		for _, p := range parts {
			if doubtful && p.isPaper(bd, &tx) {
				continue
			}
			line, half := p.line(bd)
			out = append(out, f.measurePieces(line, half)...)
		}
	}
	return out, nil
}

// apart leaves out pieces that lie on a larger one.
func apart(pieces []*piece) []*piece {
	sort.SliceStable(pieces, func(i, j int) bool {
		return pieces[i].length()*pieces[i].breadth > pieces[j].length()*pieces[j].breadth
	})
	var out []*piece
	for _, p := range pieces {
		covered := false
		for _, q := range out {
			covered = covered || q.covers(p)
		}
		if !covered {
			out = append(out, p)
		}
	}
	return out
}

// covers tells whether more than half of q's axis lies on p.
func (p *piece) covers(q *piece) bool {
	x0, y0, x1, y1 := boxOf(p.axis)
	reach := p.breadth / 2
	n := 0
	for _, at := range q.axis {
		if at[0] < x0-reach || at[1] < y0-reach || at[0] > x1+reach || at[1] > y1+reach {
			continue // most pieces lie far apart
		}
		if distanceTo(at, p.axis) < reach {
			n++
		}
	}
	return 2*n > len(q.axis)
}

// distanceTo is the distance of p from the polyline.
func distanceTo(p measure.Point, line []measure.Point) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		dx, dy := b[0]-a[0], b[1]-a[1]
		s := ((p[0]-a[0])*dx + (p[1]-a[1])*dy) / math.Max(1e-9, dx*dx+dy*dy)
		s = math.Max(0, math.Min(1, s))
		best = math.Min(best, math.Hypot(p[0]-a[0]-s*dx, p[1]-a[1]-s*dy))
	}
	return best
}

// lay lays a bar straight along its axis.
func (f *finder) lay(b bar) *band {
	mid := (b.upper + b.lower) / 2
	var line []measure.Point
	for _, u := range []float64{b.first, b.last} {
		p := b.place(u, mid)
		x, y := f.o.ToScan(p[0], p[1])
		line = append(line, measure.Point{x, y})
	}
	factor := float64(f.o.Factor)
	step := math.Max(0.4*factor, math.Min(factor, b.breadth*factor/rowsAcross))
	rim := 12 * step
	bd := layStraight(f.px, line, (b.lower-b.upper)/2*factor+rim, rim, step)
	f.setBackground(bd)
	return bd
}

// reach gives the columns of the band between which the bar lies.
func (f *finder) reach(b bar, bd *band) (u0, u1 int) {
	return 12, bd.w - 12
}

// line is the midline of a patch in scan px, and half its breadth.
func (p *patch) line(b *band) ([]measure.Point, float64) {
	n := len(p.top)
	us, mids, halves := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		us[i] = float64((p.k0 + i) * patchHop)
		mids[i], halves[i] = (p.top[i]+p.bottom[i])/2, (p.bottom[i]-p.top[i])/2
	}
	half := median(halves) + patchErosion
	degree := degreeFor(float64(n*patchHop) / (2 * half))
	if float64(n*patchHop) < 3*half {
		degree = 0 // a stub lies as its bar does
	}
	c := fitCurve(us, mids, nil, degree)
	var line []measure.Point
	m := max(2, n/2)
	for i := range m {
		u := us[0] + (us[n-1]-us[0])*float64(i)/float64(m-1)
		line = append(line, b.at(u, c.at(u)))
	}
	return line, half * b.step
}

// patchErosion is by how many rows a patch falls short of the rim, whose step
// across looks like grain.
const patchErosion = 3

// isCore tells whether joined pieces are a core: long, broad enough, and not
// printed paper, tape or writing.
func (f *finder) isCore(pieces []*piece) bool {
	length, plain, agree, power, windows := 0.0, 0.0, 0.0, 0.0, 0
	for _, p := range pieces {
		length += p.length()
		plain += p.length() * p.plain
		power += p.length() * p.power
		agree += float64(p.windows) * p.agree
		windows += p.windows
	}
	plain, power, agree = plain/length, power/length, agree/float64(max(1, windows))
	breadth := longest(pieces).breadth
	if length < minSlim*breadth || !f.broadAsCore(breadth) {
		return false
	}
	if windows < 8 {
		agree = 0 // too few to tell
	}
	rings := agree / ringedAgree
	rough := plain / writtenPlain
	if plain < paperPlain || power < leastPower && !f.bareWood(pieces) && !(power > smoothPower && plain > smoothPlain && f.woodHued(pieces)) {
		return false
	}
	return rings*rings+rough*rough > 1
}

// bareWood tells whether pieces without layers are wood all the same, and no
// paint or paper: free on the ground, and of wood's colour. A gray picture does
// not tell.
func (f *finder) bareWood(pieces []*piece) bool {
	if f.px.Channels == 1 {
		return true
	}
	p := longest(pieces)
	return p.free[0] && p.free[1] && f.woodHued(pieces)
}

// woodHued tells whether pieces have wood's colour.
func (f *finder) woodHued(pieces []*piece) bool {
	p := longest(pieces)
	return f.px.Channels > 1 && hueOf(p.colour[1], p.colour[2]) > leastHue
}

// hueOf is how far red exceeds green and both exceed blue, in grey levels.
func hueOf(redGreen, yellowBlue float64) float64 {
	return math.Max(0, redGreen) + math.Max(0, yellowBlue)
}

// leastHue is that of wood at least (measured: wood 45 and more, white and cream
// paper below 25).
const leastHue = 30

// broadAsCore tells whether an object is as broad, in scan px, as cores are.
func (f *finder) broadAsCore(breadth float64) bool {
	if f.hints.MMPerPx == nil {
		return breadth > f.leastBreadth()
	}
	return breadth > f.leastBreadth() && breadth < maxMM/f.hints.MMPerPx[0]
}

// leastBreadth is that of a core, in scan px.
func (f *finder) leastBreadth() float64 {
	if f.hints.MMPerPx == nil {
		return minOverview * float64(f.o.Factor)
	}
	return minMM / f.hints.MMPerPx[0]
}

// slimmest is the least breadth, in scan px, of what may be a core or a piece of
// one: however far out rims are then found, it is too slim to be joined to one.
func (f *finder) slimmest() float64 {
	const broadest = float64(rowsAcross+2*rimReach+1) / rowsAcross
	return f.leastBreadth() * (1 - maxThicker) / broadest
}

// What makes a core, and no stub or label: its length in breadths (chosen), the
// agreement of its layers, and the least plainness (measured: labels lie below
// 0.04, writing on a mount below 0.09 and an agreement of 0.2; wood above 0.16,
// smooth wood with clear rings above 0.12). Its layers share some grey levels
// (measured: smooth wood 2 and more, paint, paper and tape below 0.8).
const (
	minSlim      = 2.2
	paperPlain   = 0.06
	writtenPlain = 0.12
	leastPower   = 1.5
	// Smooth wood in a groove needs less where it has wood's colour and is rough all
	// over (chosen: such wood 1.3 and more, rough 0.7; on nine rendered trays no
	// mount, tape or paint is taken for a piece of that colour so rough).
	smoothPower = 1.0
	smoothPlain = 0.5
	// The breadths of cores: with a scale in mm (borers of 4 to 12 mm, and a
	// sanded flat is narrower), else in px of the overview.
	minMM       = 2.2
	maxMM       = 14
	minOverview = 8
)

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

// stands returns, for every cell of the band, whether it is part of an object:
// as the overview says but for the objects' rims, where the cell's own colour
// decides.
func (f *finder) stands(b *band) []bool {
	on := make([]bool, b.w*b.h)
	coloured := b.ch[1] != nil
	scale := 1 / float64(f.o.Factor)
	for u := range b.w {
		n, of := b.normal[u], b.groundAt(u)
		x, y := f.o.FromScan(b.place[u][0]-b.mid*b.step*n[0], b.place[u][1]-b.mid*b.step*n[1])
		dx, dy := b.step*n[0]*scale, b.step*n[1]*scale
		for v := range b.h {
			x, y := x+float64(v)*dx+0.5, y+float64(v)*dy+0.5
			ix, iy := int(x), int(y)
			if x < 0 || y < 0 || ix >= f.sure.w || iy >= f.sure.h {
				continue
			}
			i := v*b.w + u
			switch f.sure.on[iy*f.sure.w+ix] {
			case 0:
			case atRim:
				on[i] = f.ground.stands(b.colourAt(u, v), of, coloured)
			default:
				on[i] = true
			}
		}
	}
	return on
}

// outward favours the outer of two clear steps at a bare core's rim: the inner
// is where the sanded flat meets the round flank (chosen).
const outward = 0.25

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
	ax0, ay0, ax1, ay1 := boxOf(a.AxisPx)
	bx0, by0, bx1, by1 := boxOf(b.AxisPx)
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

// boxOf returns the bounds of a line.
func boxOf(line []measure.Point) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range line {
		x0, x1 = math.Min(x0, p[0]), math.Max(x1, p[0])
		y0, y1 = math.Min(y0, p[1]), math.Max(y1, p[1])
	}
	return x0, y0, x1, y1
}

func middle(c raster.Core) (x, y float64) {
	p, q := c.AxisPx[0], c.AxisPx[len(c.AxisPx)-1]
	return (p[0] + q[0]) / 2, (p[1] + q[1]) / 2
}
