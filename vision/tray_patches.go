package vision

import (
	"math"
	"slices"
	"sort"
)

// patch is a part of a band where the texture is that of a core: rings or
// pores, not the grain of a mount that runs along it.
type patch struct {
	k0, k1      int       // hops, from k0 up to k1
	top, bottom []float64 // its first and last row at each hop
}

// crossWood parts the texture of cores from that of mounts: 95 % of cells on
// rendered cores lie above, 95 % of those on mounts below (TestCrossWood).
const crossWood = -0.68

const (
	patchHop    = 8
	patchWindow = 32
)

// patches finds the parts of the band that look like cores, the longest first.
// on tells which cells stand out from the ground.
func patches(b *band, tx *texture, on []bool) ([]patch, error) {
	tx.average()
	cells := newMask(tx.nk, tx.rows)
	for v := range tx.rows {
		for k := range tx.nk {
			if stood(b, on, k*patchHop, v, patchHop) && tx.cross(k, v, 2) > crossWood {
				cells.on[v*tx.nk+k] = 255
			}
		}
	}
	// A core is at least some millimetres broad and longer than broad.
	cells, err := cells.closed(3, 3)
	if err != nil {
		return nil, err
	}
	if cells, err = cells.opened(3, 5); err != nil {
		return nil, err
	}
	labels, found, err := cells.blobs(24)
	if err != nil {
		return nil, err
	}
	var out []patch
	for _, f := range found {
		if p, ok := patchOf(labels, tx.nk, f); ok {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return len(out[i].top) > len(out[j].top) })
	return out, nil
}

// holds tells whether the middle of another patch lies on p.
func (p *patch) holds(q patch) bool {
	k := (q.k0 + q.k1) / 2
	row := (q.top[k-q.k0] + q.bottom[k-q.k0]) / 2
	return k >= p.k0 && k < p.k1 && p.top[k-p.k0] < row && row < p.bottom[k-p.k0]
}

// What a bare core's patch leaves to its rims at most, and how far a rim may
// shift from hop to hop, in rows (chosen).
const (
	bareSlack = 2 * patchErosion
	rimShift  = 2
)

// carriedOn carries the patch of a bare core on to where its rims end: smooth
// wood there has no more texture than a mount, but it stands out from the ground
// as broad as the rest. A stub may be a mount's end and is left as it is.
func (p patch) carriedOn(b *band, on []bool) patch {
	n, bare := len(p.top), 0
	if float64(n*patchHop) < minSlim*(p.bottom[n/2]-p.top[n/2]) {
		return p
	}
	for i := range n {
		lo, hi := standing(b, on, p.k0+i, int(p.top[i]+p.bottom[i])/2)
		if p.top[i]-float64(lo) <= bareSlack && float64(hi)-p.bottom[i] <= bareSlack {
			bare++
		}
	}
	if 4*bare < 3*n {
		return p
	}
	ends := [2]int{p.k0 + n/8, p.k1 - 1 - n/8} // a patch's own ends are ragged
	for side, step := range []int{-1, 1} {
		k := ends[side]
		lo, hi := standing(b, on, k, int(p.top[k-p.k0]+p.bottom[k-p.k0])/2)
		for k += step; k >= 0 && k*patchHop < b.w; k += step {
			l, h := standing(b, on, k, (lo+hi)/2)
			if abs(l-lo) > rimShift || abs(h-hi) > rimShift {
				break
			}
			lo, hi = l, h
			switch {
			case k < p.k0:
				p.k0--
				p.top = append([]float64{float64(lo + patchErosion)}, p.top...)
				p.bottom = append([]float64{float64(hi - patchErosion)}, p.bottom...)
			case k >= p.k1:
				p.k1++
				p.top, p.bottom = append(p.top, float64(lo+patchErosion)), append(p.bottom, float64(hi-patchErosion))
			}
		}
	}
	return p
}

// standing gives the first and last row, round row v at hop k, that stand out;
// hi is below lo where v does not.
func standing(b *band, on []bool, k, v int) (lo, hi int) {
	lo, hi = v, v
	for lo > 0 && stood(b, on, k*patchHop, lo-1, patchHop) {
		lo--
	}
	for hi < b.h-1 && stood(b, on, k*patchHop, hi+1, patchHop) {
		hi++
	}
	if !stood(b, on, k*patchHop, v, patchHop) {
		return v, v - 1
	}
	return lo, hi
}

func abs(x int) int { return max(x, -x) }

// isPrint tells whether a patch is plain but for some strong marks, and not of
// wood's colours: a label.
func (p *patch) isPrint(b *band, tx *texture) bool {
	return p.isMarked(b, tx) && b.hue(p.inner, p.k0*patchHop, p.k1*patchHop) < leastHue
}

// isMarked tells whether a patch is plain but for some strong marks.
func (p *patch) isMarked(b *band, tx *texture) bool {
	plain, _ := tx.plainIn(b, p.inner, p.k0*patchHop, p.k1*patchHop)
	return plain < paperPlain
}

// isPaper looks more closely at what isMarked: a strip of tape across a core is
// such a mark, and so are the rims of a painted mount; and clean wide rings
// leave wood plain between them.
func (p *patch) isPaper(b *band, tx *texture) bool {
	return p.isMarked(b, tx) && tx.plainness(b, p.inner, p.k0*patchHop, p.k1*patchHop) < paperPlain && !p.ringed(b)
}

// ringed tells whether layers run across the patch from side to side.
func (p *patch) ringed(b *band) bool {
	i := len(p.top) / 2
	half := 0.4 * (p.bottom[i] - p.top[i])
	mid := func(u float64) float64 {
		v0, v1 := p.inner(int(u))
		return float64(v0+v1) / 2
	}
	a := newAgreement(b, mid, -half, half, p.k0*patchHop, min(b.w, p.k1*patchHop))
	return len(a.r) >= 2 && median(a.r) > ringedAgree
}

// ringedAgree is the agreement of layers across it from which wood shows rings
// (chosen: grain, paper and paint lie below 0.3).
const ringedAgree = 0.6

// hue is the colour of the more colourful part of a stretch of the band, since
// painted mounts are none; 0 for a gray picture.
func (b *band) hue(row func(u int) (v0, v1 int), u0, u1 int) float64 {
	if b.ch[1] == nil {
		return 0
	}
	var all []float64
	for u := max(0, u0); u < min(b.w, u1); u += 3 {
		v0, v1 := row(u)
		for v := max(0, v0); v < min(b.h, v1); v += 3 {
			all = append(all, hueOf(float64(b.ch[1][v*b.w+u]), float64(b.ch[2][v*b.w+u])))
		}
	}
	return quantile(all, 0.8)
}

// stood tells whether most of the hop cells round column u of row v stand out.
func stood(b *band, on []bool, u, v, hop int) bool {
	n, all := 0, 0
	for d := -hop / 2; d < hop/2; d++ {
		if x := u + d; x >= 0 && x < b.w {
			all++
			if on[v*b.w+x] {
				n++
			}
		}
	}
	return 2*n > all
}

// inner gives the rows of column u well between the patch's rims.
func (p *patch) inner(u int) (v0, v1 int) {
	i := max(0, min(len(p.top)-1, u/patchHop-p.k0))
	slack := 0.1 * (p.bottom[i] - p.top[i])
	return int(p.top[i] + slack), int(p.bottom[i] - slack)
}

// patchOf takes the rims of one blob of cells; not ok for a mere speck.
func patchOf(labels []int32, nk int, f blob) (patch, bool) {
	p := patch{k0: f.box.Min.X, k1: f.box.Max.X}
	for k := p.k0; k < p.k1; k++ {
		lo, hi := math.MaxInt, -1
		for v := f.box.Min.Y; v < f.box.Max.Y; v++ {
			if labels[v*nk+k] == f.label {
				lo, hi = min(lo, v), max(hi, v)
			}
		}
		p.top, p.bottom = append(p.top, float64(lo)), append(p.bottom, float64(hi))
	}
	return p, p.k1-p.k0 >= 3 && float64((p.k1-p.k0)*patchHop) > shortest*p.height()
}

// height is how many rows the patch is high, about.
func (p *patch) height() float64 {
	return median(slices.Clone(p.bottom)) - median(slices.Clone(p.top))
}
