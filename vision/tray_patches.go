package vision

import "math"

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

// patches finds the parts of the band that look like cores. on tells which
// cells stand out from the ground, u0 and u1 where the object lies.
func patches(b *band, on []bool, u0, u1 int) ([]patch, error) {
	tx := newTexture(b, patchHop, patchWindow, u0, u1)
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
		if p, ok := patchOf(labels, tx.nk, f); ok && tx.plainness(b, p.inner, p.k0*patchHop, p.k1*patchHop) > paperPlain {
			out = append(out, p)
		}
	}
	return out, nil
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
	height := median(append([]float64(nil), p.bottom...)) - median(append([]float64(nil), p.top...))
	return p, p.k1-p.k0 >= 3 && float64((p.k1-p.k0)*patchHop) > shortest*height
}
