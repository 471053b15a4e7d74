package vision

import (
	"math"

	"pithward/measure"
)

// piece is a stretch of wood between breaks, measured on the scan.
type piece struct {
	axis      []measure.Point // scan px, both ends included, from left (top) to right (bottom)
	breadth   float64         // scan px
	near, far []measure.Point // its ends from the upper to the lower rim, in scan px
	colour    [3]float64      // medians: lightness, red-green, yellow-blue
	atEnds    [2][3]float64   // the same of the outermost breadth at either end
	agree     float64         // mean agreement of its layers across it
	windows   int             // that many windows gave it
	power     float64         // grey levels its layers share
	plain     float64         // how plain most of it is beside the rest: low for printed paper
	of        *stretch        // pieces of one stretch are of one core
	free      [2]bool         // the ground lies beside its upper, its lower rim
}

// stretch is wood followed in one go; its pieces lie in one line.
type stretch struct{ _ byte }

// length is that of the axis, in scan px.
func (p *piece) length() float64 {
	sum := 0.0
	for i := 1; i < len(p.axis); i++ {
		sum += math.Hypot(p.axis[i][0]-p.axis[i-1][0], p.axis[i][1]-p.axis[i-1][1])
	}
	return sum
}

const (
	pieceHop    = 4
	pieceWindow = 40
)

// measurePieces follows the rims of wood near the line, a polyline in scan px
// about half px from either rim, parts it at the gaps across it and finds the
// ends of each piece.
func (f *finder) measurePieces(line []measure.Point, half float64) []*piece {
	m := f.newMeasurer(line, half)
	if m == nil {
		return nil
	}
	runs := m.runs()
	if len(runs) < 2 {
		return m.pieces()
	}
	var out []*piece
	for _, r := range runs {
		if n := f.newMeasurer(m.line(r[0], r[1]), m.breadth*m.b.step/2); n != nil {
			out = append(out, n.pieces()...)
		}
	}
	return out
}

// pieces finds the ends and the narrow openings between them, and gives what
// lies between those.
func (m *measurer) pieces() []*piece {
	m.ends()
	stretch := &stretch{}
	var out []*piece
	near := m.near
	for _, c := range append(m.cuts(), cut{from: m.far}) {
		if central(c.from)-central(near) < shortest*m.breadth {
			continue // a sliver stays with its neighbour
		}
		out = append(out, m.piece(near, c.from, stretch))
		near = c.to
	}
	return out
}

// newMeasurer lays a band along the line and follows the rims in it; nil when
// it is too short.
func (f *finder) newMeasurer(line []measure.Point, half float64) *measurer {
	step := 2 * half / rowsAcross
	margin := 2.4 * half
	b := layStraight(f.px, line, 2*half, margin, step)
	f.setBackground(b)
	m := &measurer{f: f, b: b, on: f.stands(b)}
	m.u0, m.u1 = int(margin/step), b.w-int(margin/step)
	m.lo, m.hi = b.mid-rowsAcross/2, b.mid+rowsAcross/2
	m.r = newRims(b, f.ground.sd, pieceHop, pieceWindow, rimReach+1, m.lo, m.hi)
	if m.u1-m.u0 < rowsAcross/6 {
		return nil
	}
	m.tx = newTexture(b, pieceHop, 24, 0, b.w)
	m.rims()
	return m
}

// runs gives the stretches of wood between gaps that show the ground, within
// the piece.
func (m *measurer) runs() [][2]int {
	gap := max(2, int(gapRun*m.breadth))
	var out [][2]int
	from, none := -1, 0
	for u := m.u0; u <= m.u1; u++ {
		lo, hi := m.inner(min(u, m.b.w-1))
		if u < m.u1 && m.covered(u, lo, hi) >= 0.5 {
			if from < 0 {
				from = u
			}
			none = 0
			continue
		}
		if none++; from >= 0 && (none >= gap || u == m.u1) {
			if end := u + 1 - none; float64(end-from) > shortest*m.breadth {
				out = append(out, [2]int{from, end})
			}
			from = -1
		}
	}
	return out
}

// shortest is the least length of a piece, in breadths (chosen).
const shortest = 0.3

// line is the midline between two columns, on the scan.
func (m *measurer) line(u0, u1 int) []measure.Point {
	n := max(2, (u1-u0)/(rowsAcross/4))
	var out []measure.Point
	for i := range n {
		u := float64(u0) + float64(u1-1-u0)*float64(i)/float64(n-1)
		out = append(out, m.b.at(u, m.mid.at(u)))
	}
	return out
}

// measurer is the work on one piece: its band, and what was found so far.
type measurer struct {
	f         *finder
	b         *band
	on        []bool
	r         rims
	tx        texture
	u0, u1    int     // columns of the piece
	lo, hi    float64 // rows of its rims, about
	mid       curve   // of columns
	breadth   float64 // rows
	free      [2]bool
	near, far []float64 // columns of the ends at equal steps across
	sums      []float32 // of woodness down the rows
}

// freeSides tells on which sides the core lies free on the ground, instead of
// beside a mount or another core. The ground must show within freeBeyond rows
// of the rim, since the round flank lies between; so may the rim of a mount,
// but its grain shows, or it is as light as the wood.
func (m *measurer) freeSides() (free [2]bool) {
	rim, out := [2]float64{m.lo, m.hi}, [2]int{-1, 1}
	for i := range free {
		d := 1
		for d <= freeBeyond && !m.bare(rim[i]+float64(out[i]*d)) {
			d++
		}
		free[i] = d <= freeBeyond
		if d >= 2*rimClear && m.grainy(rim[i]+float64(out[i]*d)/2, 1) && m.lightAt(rim[i]+float64(out[i]*d)/2) > 0.8*m.lightAt((m.lo+m.hi)/2) {
			free[i] = false
		}
	}
	for i := range free {
		if free[i] && !free[1-i] && m.bare(rim[1-i]+float64(out[1-i]*(freeBeyond+6))) {
			return [2]bool{true, true} // a deep shadow
		}
		if free[i] && !free[1-i] && m.grainy(rim[1-i]+float64(out[1-i]*(freeBeyond+6)), 4) {
			return [2]bool{} // a mount on one side is one on the other, be it narrow
		}
	}
	return free
}

// freeBeyond is how many rows, of rowsAcross, a flank may be broad.
const freeBeyond = 14

// lightAt is the mean lightness of a row along the piece.
func (m *measurer) lightAt(row float64) float64 {
	v := max(0, min(m.b.h-1, int(math.Round(row))))
	sum := 0.0
	for u := m.u0; u < m.u1; u++ {
		sum += float64(m.b.ch[0][v*m.b.w+u])
	}
	return sum / float64(m.u1-m.u0)
}

// rims follows both rims between u0 and u1 and sets the midline and breadth.
func (m *measurer) rims() {
	m.free = m.freeSides()
	if !m.free[0] || !m.free[1] {
		m.sumWood()
	}
	k0, k1 := m.u0/pieceHop, max(m.u1/pieceHop, m.u0/pieceHop+2)
	top, ts := m.follow(0, m.lo, k0, k1)
	bot, bs := m.follow(1, m.hi, k0, k1)
	n := len(top)
	us, mids, breadths, ws := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		us[i] = float64((k0 + i) * pieceHop)
		mids[i], breadths[i] = (top[i]+bot[i])/2, bot[i]-top[i]
		ws[i] = 0.05 + math.Min(ts[i]/(clearStep+ts[i]), bs[i]/(clearStep+bs[i]))
	}
	m.breadth = median(breadths)
	m.mid = fitCurve(us, mids, ws, degreeFor(float64(m.u1-m.u0)/m.breadth))
}

// follow follows one rim, side 0 the upper, near the row given: a clear step
// with wood on its inner side and none on its outer.
func (m *measurer) follow(side int, row float64, k0, k1 int) (rows, strength []float64) {
	favour := 0.0
	if m.free[side] {
		favour = outward
	}
	in := 1
	if side == 1 {
		in = -1
	}
	m.r.extra = func(k, v int) float64 {
		if m.free[side] {
			return 0 // the texture of the round flank is lost between two rims
		}
		return woodStep * (m.woodness(k, v+in*rimClear, v+in*2*rimClear) - m.woodness(k, v-in*rimClear, v-in*2*rimClear))
	}
	return m.r.follow(func(int) float64 { return row }, rimReach, -favour*float64(in), k0, k1)
}

// A rim is looked for so many rows from where it should be; rimClear is how many
// rows from it the texture is free of its step, and woodStep what wood on one side
// alone is worth beside a clear step (chosen).
const (
	rimReach = rowsAcross / 5
	rimClear = 4
	woodStep = 0.8
)

// woodness is the part of the cells at hop k between two rows, in either
// order, that are off the ground and have a core's texture.
func (m *measurer) woodness(k, v, w int) float64 {
	v, w = min(v, w), max(v, w)
	if v < 0 || w >= m.b.h {
		return 0
	}
	return float64(m.sums[(w+1)*m.tx.nk+k]-m.sums[v*m.tx.nk+k]) / float64(w+1-v)
}

// sumWood prepares woodness: sums of wood over the rows above.
func (m *measurer) sumWood() {
	m.tx.average()
	nk := m.tx.nk
	m.sums = make([]float32, nk*(m.b.h+1))
	for v := range m.b.h {
		for k := range nk {
			w := 0.0
			if stood(m.b, m.on, k*pieceHop, v, pieceHop) {
				w = math.Max(0, math.Min(1, 0.5+(m.tx.cross(k, v, 1)-crossWood)/0.3))
			}
			m.sums[(v+1)*nk+k] = m.sums[v*nk+k] + float32(w)
		}
	}
}

// bare tells whether the ground lies along a row.
func (m *measurer) bare(row float64) bool {
	v := int(math.Round(row))
	if v < 0 || v >= m.b.h {
		return true
	}
	n := 0
	for u := m.u0; u < m.u1; u++ {
		if m.on[v*m.b.w+u] {
			n++
		}
	}
	return 2*n < m.u1-m.u0
}

// grainy tells whether the grain of a mount runs along a row and those within
// reach of it.
func (m *measurer) grainy(row float64, reach int) bool {
	m.tx.average()
	var at []float64
	v := int(math.Round(row))
	for k := m.u0 / pieceHop; k < m.u1/pieceHop; k++ {
		if k >= 0 && k < m.tx.nk && v-reach >= 2 && v+reach < m.b.h-2 && stood(m.b, m.on, k*pieceHop, v, pieceHop) {
			at = append(at, m.tx.cross(k, v, reach))
		}
	}
	return 2*len(at)*pieceHop > m.u1-m.u0 && median(at) < crossWood
}

// endSteps is across how many strips an end is followed.
const endSteps = 12

// The weighing of an end (chosen): a face that stands clear in all strips is
// worth faceWorth breadths of wood or none; how oblique a face may be, and how
// much the outer of two faces is favoured, since rings and bark lie within.
const (
	faceWorth   = 0.5
	faceReach   = 0.3
	endOutward  = 0.2
	groundStep  = 0.8 // what ground on one side alone is worth beside a clear face
	faceClear   = 4   // columns
	endSearchIn = 2.5
	wallReach   = 0.9 // how far inwards a groove's floor is looked for
	beyondFloor = -4  // of a face beyond the floor that lies before the core
)

// ends finds the two ends of the piece, at endSteps places across.
func (m *measurer) ends() {
	var stir []float64
	if !m.free[0] || !m.free[1] {
		stir = m.stir()
	}
	if stir != nil {
		m.stirOwn(stir)
		m.u0, m.u1 = lively(stir, m.u0, m.u1, int(m.breadth))
	}
	is := m.wood(stir)
	m.near = m.end(is, stir, m.u0, -1)
	m.far = m.end(is, stir, m.u1, +1)
}

// wood judges each column of the band: 1 where it looks like wood or bark of
// this core from rim to rim, -1 where like ground, mount or an empty groove.
// stir, where known, says how they change along the core beside the mount.
func (m *measurer) wood(stir []float64) []float64 {
	is := make([]float64, m.b.w)
	free := m.free[0] && m.free[1]
	var f []feature
	var near, far beyond
	if !free && stir == nil {
		f = m.features()
		near, far = m.beyond(f, m.u0, -1), m.beyond(f, m.u1, +1)
	}
	middle := (m.u0 + m.u1) / 2
	for u := range is {
		outside := &far
		if u < middle {
			outside = &near
		}
		lo, hi := m.inner(u)
		switch {
		case m.covered(u, lo, hi) < 0.5:
			is[u] = -1
		case free:
			is[u] = 1 // bark has a texture of its own
		case stir != nil:
			is[u] = clamp1((stir[u] - stirred) / stirredSlack)
		default:
			is[u] = outside.judge(f[u])
		}
	}
	if !free {
		m.softenFaces(is)
	}
	return is
}

// softenFaces takes the say from columns beside the ground: the face of a
// mount makes them change along, as rings do.
func (m *measurer) softenFaces(is []float64) {
	n := int(0.15 * m.breadth)
	bare := func(u int) bool {
		lo, hi := m.inner(u)
		return m.covered(u, lo, hi) < 0.5
	}
	for u := 1; u < len(is); u++ {
		if bare(u) == bare(u-1) {
			continue
		}
		for x := max(0, u-n); x < min(len(is), u+n); x++ {
			if !bare(x) {
				is[x] = math.Min(is[x], 0)
			}
		}
	}
}

// feature says what the rows of a column, well between the rims, look like:
// lightness, two colours, and the logarithms of the change along and across.
type feature [5]float64

// features gives those of each column, over a few columns round it.
func (m *measurer) features() []feature {
	const half = 3
	sums := make([]feature, m.b.w+1)
	out := make([]feature, m.b.w)
	for u := range m.b.w {
		var f feature
		v0, v1 := m.inner(u)
		v0, v1 = max(0, v0), min(m.b.h, v1)
		for v := v0; v < v1; v++ {
			i := v*m.b.w + u
			for c, ch := range m.b.ch {
				if ch != nil {
					f[c] += float64(ch[i])
				}
			}
			f[3] += float64(m.tx.along[i])
			f[4] += float64(m.tx.across[i])
		}
		for c := range f {
			sums[u+1][c] = sums[u][c] + f[c]/float64(max(1, v1-v0))
		}
	}
	for u := range out {
		lo, hi := max(0, u-half), min(m.b.w, u+half+1)
		for c := range out[u] {
			out[u][c] = (sums[hi][c] - sums[lo][c]) / float64(hi-lo)
		}
		for c := 3; c < 5; c++ {
			out[u][c] = math.Log(out[u][c] + 0.1)
		}
	}
	return out
}

// beyond is what lies past an end of a core on a mount: the usual features of
// a stretch there, and their spread. Too short a stretch says nothing.
type beyond struct {
	known         bool
	usual, spread feature
}

// leastSpread gives the least spreads: grey levels, and of the logarithms
// (chosen).
func leastSpread() feature { return feature{4, 3, 3, 0.35, 0.35} }

// beyond looks at the outermost columns within some breadths of column u, an
// end, that still show wood of some kind.
func (m *measurer) beyond(f []feature, u, side int) beyond {
	last := u
	for x := u; x >= 0 && x < m.b.w && math.Abs(float64(x-u)) < beyondReach*m.breadth; x += side {
		if lo, hi := m.inner(x); m.covered(x, lo, hi) < 0.9 {
			break
		}
		last = x
	}
	from, to := u+side*int(0.12*m.breadth), last-side*int(0.06*m.breadth)
	if side*(to-from) > int(m.breadth) {
		from = to - side*int(m.breadth)
	}
	var at [5][]float64
	for x := from; side*(to-x) > 0; x += side {
		for c := range at {
			at[c] = append(at[c], f[x][c])
		}
	}
	var out beyond
	if out.known = float64(len(at[0])) > 0.12*m.breadth; !out.known {
		return out
	}
	for c := range at {
		out.usual[c] = median(at[c])
		for i := range at[c] {
			at[c][i] = math.Abs(at[c][i] - out.usual[c])
		}
		out.spread[c] = math.Max(leastSpread()[c], 1.4826*median(at[c]))
	}
	out.known = out.distance(m.usual(f)) > unlike
	return out
}

// unlike is from how many spreads on what lies beyond is not the core itself,
// seen where the search began too far within.
const unlike = 3.5

// usual are the medians of the features over the piece.
func (m *measurer) usual(f []feature) (out feature) {
	for c := range out {
		var all []float64
		for u := max(0, m.u0); u < min(m.b.w, m.u1); u += 3 {
			all = append(all, f[u][c])
		}
		out[c] = median(all)
	}
	return out
}

// distance is how far features are from what is usual beyond, in spreads.
func (b *beyond) distance(f feature) float64 {
	d := 0.0
	for c := range f {
		z := (f[c] - b.usual[c]) / b.spread[c]
		d += z * z
	}
	return math.Sqrt(d)
}

// beyondReach is how far past an end, in breadths, the mount is looked at.
const beyondReach = 2.2

// judge tells wood (1) from what lies beyond (-1): wood has a core's texture
// and differs from what was seen beyond, where an empty groove may be.
func (b *beyond) judge(f feature) float64 {
	along, across := math.Exp(f[3]), math.Exp(f[4])
	texture := clamp1((crossOf(float32(along), float32(across)) - crossWood) / 0.15)
	if !b.known {
		return texture
	}
	return math.Min(texture, clamp1((b.distance(f)-4.5)/2))
}

func clamp1(x float64) float64 { return math.Max(-1, math.Min(1, x)) }

// covered is the part of the rows lo to hi of column u that stands out.
func (m *measurer) covered(u, lo, hi int) float64 {
	lo, hi = max(0, lo), min(m.b.h-1, hi)
	n := 0
	for v := lo; v <= hi; v++ {
		if m.on[v*m.b.w+u] {
			n++
		}
	}
	return float64(n) / float64(max(1, hi-lo+1))
}

// end finds one end near column u, side -1 the near one: where the columns
// turn from wood to none, at a clear face; then it follows the face across.
func (m *measurer) end(is, stir []float64, u, side int) []float64 {
	in := int(endSearchIn * m.breadth)
	lo, hi := max(6, u-in), min(m.b.w-7, u+int(2*m.breadth))
	if side < 0 {
		lo, hi = max(6, u-int(2*m.breadth)), min(m.b.w-7, u+in)
	}
	first, last := beforeGap(is, u, lo, hi, side, int(gapRun*m.breadth))
	if last-first < 8 {
		return []float64{float64(u)}
	}
	steps := m.faces(lo, hi)
	worth := steps.worth(int(0.08 * m.breadth))
	total := 0.0
	for x := first; x < last; x++ {
		total += is[x]
	}
	best, at, before := math.Inf(-1), u, 0.0
	for x := first; x < last; x++ {
		before += is[x]
		gain := before - (total - before) // wood on one side, none on the other
		if side < 0 {
			gain = -gain
		}
		if gain += faceWorth * m.breadth * worth[x-lo]; gain > best {
			best, at = gain, x-lo
		}
	}
	bound := side * math.MaxInt32
	if stir != nil {
		at = max(0, min(hi-lo-1, pastWall(stir, at+lo, side, int(wallReach*m.breadth))-lo))
		bound = floorFrom(stir, at+lo, side) - lo
	}
	cover := m.stripCover(lo, hi)
	steps.extra = func(i, j int) float64 {
		if side*(j-bound) > 0 {
			return beyondFloor
		}
		return groundStep * (cover(i, j-side*faceClear) - cover(i, j+side*faceClear)) / faceClear
	}
	row, _ := steps.follow(func(int) float64 { return float64(at) }, faceReach*m.breadth, endOutward*float64(side), 0, endSteps)
	for i := range row {
		row[i] += float64(lo)
	}
	return row
}

// gapRun is how long, in breadths, a run of columns without wood must be to
// part two pieces.
const gapRun = 0.05

// beforeGap narrows the columns from lo up to hi, in which an end near u is
// looked for, so that they reach at most into the first run of columns
// without wood outwards of u, or a little within.
func beforeGap(is []float64, u, lo, hi, side, run int) (int, int) {
	n := 0
	for x := max(lo, min(hi-1, u-side*4*run)); x >= lo && x < hi; x += side {
		if n++; is[x] > -0.5 {
			n = 0
		}
		if n >= run && side > 0 {
			hi = min(hi, x+2*run)
		}
		if n >= run && side < 0 {
			lo = max(lo, x-2*run)
		}
	}
	return lo, hi
}

// stripCover returns a function that tells how many columns between j and the
// face, of faceClear columns, stand out in strip i; j counts from lo.
func (m *measurer) stripCover(lo, hi int) func(i, j int) float64 {
	strip := m.breadth / (endSteps + 1)
	at := m.mid.at(float64(lo+hi) / 2)
	sums := make([][]float64, endSteps)
	for i := range sums {
		v0 := at - m.breadth/2 + (float64(i)+0.5)*strip
		sums[i] = make([]float64, hi-lo+1)
		for j := range hi - lo {
			sums[i][j+1] = sums[i][j] + m.covered(lo+j, int(v0), int(v0+strip))
		}
	}
	return func(i, j int) float64 {
		a := max(0, min(hi-lo-faceClear, j-faceClear/2))
		return sums[i][a+faceClear] - sums[i][a]
	}
}

// faces holds the steps along the band from column lo up to hi, averaged in
// strips across it: the band's rims turned by a right angle.
func (m *measurer) faces(lo, hi int) *rims {
	r := &rims{nk: endSteps, rows: hi - lo, hop: 1, e: make([]float32, endSteps*(hi-lo))}
	strip := m.breadth / (endSteps + 1)
	at := m.mid.at(float64(lo+hi) / 2)
	for i := range endSteps {
		v0 := at - m.breadth/2 + (float64(i)+0.5)*strip
		for c, ch := range m.b.ch {
			if ch == nil {
				continue
			}
			line := m.stripe(ch, v0-strip/2, v0+1.5*strip, lo-4, hi+4)
			k := 1 / m.f.ground.sd[c]
			for j := range hi - lo {
				a, p, q, z := line[j], line[j+3], line[j+5], line[j+8]
				d := (q - p - (z-q+p-a)/3) * k
				r.e[j*endSteps+i] += float32(d * d)
			}
		}
	}
	for i, e := range r.e {
		r.e[i] = float32(math.Sqrt(float64(e)))
	}
	return r
}

// worth is how clear a face is at each column, 0 to 1, all strips taken
// together, where each may lie slack columns off.
func (r *rims) worth(slack int) []float64 {
	out := make([]float64, r.rows)
	for j := range out {
		for i := range r.nk {
			top := 0.0
			for d := max(0, j-slack); d <= min(r.rows-1, j+slack); d++ {
				top = math.Max(top, r.value(i, d))
			}
			out[j] += top / (top + clearStep) / float64(r.nk)
		}
	}
	return out
}

// stripe is the mean of the rows v0 to v1 at the columns from u0 up to u1.
func (m *measurer) stripe(ch []float32, v0, v1 float64, u0, u1 int) []float64 {
	lo := max(0, min(m.b.h-1, int(math.Round(v0))))
	hi := max(lo+1, min(m.b.h, int(math.Round(v1))))
	out := make([]float64, u1-u0)
	for v := lo; v < hi; v++ {
		for i := range out {
			u := max(0, min(m.b.w-1, u0+i))
			out[i] += float64(ch[v*m.b.w+u])
		}
	}
	for i := range out {
		out[i] /= float64(hi - lo)
	}
	return out
}

// piece gives what was measured between two ends, on the scan.
func (m *measurer) piece(near, far []float64, of *stretch) *piece {
	first, last := central(near), central(far)
	p := &piece{breadth: m.breadth * m.b.step, free: m.free, of: of}
	n := max(2, int((last-first)/(m.breadth/4))+1)
	for i := range n {
		u := first + (last-first)*float64(i)/float64(n-1)
		p.axis = append(p.axis, m.b.at(u, m.mid.at(u)))
	}
	p.near, p.far = m.face(near), m.face(far)
	a := newAgreement(m.b, m.mid.at, -0.4*m.breadth, 0.4*m.breadth, max(0, int(first)), min(m.b.w, int(last)))
	for _, r := range a.r {
		p.agree += r / float64(len(a.r))
	}
	p.windows = len(a.r)
	p.power = median(append([]float64(nil), a.power...))
	p.colour = m.colour(int(first), int(last))
	p.atEnds[0] = m.colour(int(first), min(int(last), int(first+m.breadth)))
	p.atEnds[1] = m.colour(max(int(first), int(last-m.breadth)), int(last))
	p.plain = m.tx.plainness(m.b, m.inner, int(first)+8, int(last)-8)
	return p
}

// inner gives the rows of column u well between the rims.
func (m *measurer) inner(u int) (v0, v1 int) {
	v := m.mid.at(float64(u))
	return int(v - 0.38*m.breadth), int(v + 0.38*m.breadth)
}

// central is the median of the middle half.
func central(v []float64) float64 {
	return median(append([]float64(nil), v[len(v)/4:len(v)-len(v)/4]...))
}

// face places the columns of an end on the scan, from rim to rim.
func (m *measurer) face(us []float64) []measure.Point {
	var out []measure.Point
	for i := range len(us) + 2 {
		u := us[max(0, min(len(us)-1, i-1))]
		v := -0.5 + float64(i)/float64(len(us)+1)
		out = append(out, m.b.at(u, m.mid.at(u)+v*m.breadth))
	}
	return out
}

// colour is the median of each channel inside the piece.
func (m *measurer) colour(u0, u1 int) (c [3]float64) {
	for i, ch := range m.b.ch {
		if ch == nil {
			continue
		}
		var all []float64
		for u := max(0, u0); u < min(m.b.w, u1); u += 7 {
			v := m.mid.at(float64(u))
			for d := -0.35; d <= 0.35; d += 0.1 {
				if row := int(math.Round(v + d*m.breadth)); row >= 0 && row < m.b.h {
					all = append(all, float64(ch[row*m.b.w+u]))
				}
			}
		}
		c[i] = median(all)
	}
	return c
}
