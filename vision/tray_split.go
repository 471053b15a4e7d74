package vision

import (
	"math"
	"slices"
)

// seam is a line along a patch that may part two cores lying side by side.
type seam struct {
	k0       int       // first hop
	rows     []float64 // its row at each hop
	strength float64   // how clear the step along it is, 0 to 1, the mean along it
	within   float64   // how far layers agree on either side of it
	through  float64   // and how far from one side to the other
	shoulder float64   // how far the patch goes on beyond it on one side alone, in breadths of the narrower side
	step     float64   // the difference of mean colour from one side to the other, in grey levels
	narrow   float64   // the narrower side, as a part of the patch's breadth
}

// What makes a seam (chosen on rendered trays, where across true seams layers
// agree by less than 0.4, beside them by 0.25 more; within cores the clearest
// line has a strength below 0.8 and layers agree across it as beside it).
const (
	seamRows    = 9 // least rows on either side
	seamClear   = 0.6
	seamThrough = 0.45
	seamLess    = 0.2
	seamAlone   = 0.88 // so clear that it needs no rings
)

// Two cores seldom begin and end together: where only one of them lies, the
// patch has a rim where the seam would go on. With such a shoulder, and unlike
// colours on its sides, less makes a seam (chosen on 288 rendered cores, where all
// 27 touching pairs have a strength of 0.76 and a colour step of 4.6 at least;
// lines within bowed cores may have shoulders, but no step above 2.5).
const (
	seamShoulder = 1.0 // breadths
	seamStepped  = 0.7
	seamColour   = 3.5
	seamNarrow   = 0.22 // the least part of the patch's breadth on either side
)

// broadPatch is from how many times the breadth of the tray's other cores on a
// patch is broad: it may be two cores, or a core with its mount, and needs no
// shoulder. It is one thick core where its layers agree across the line as beside
// it, and a mount where the sides are of other stuff (chosen: lines within 12 mm
// cores have a colour step of 5 at most and layers that agree by 0.03 less across).
const (
	broadPatch = 1.6
	broadLess  = 0.08
	otherStuff = 25
)

// parts tells whether the seam parts two cores. broad tells that it lies in a
// broad patch.
func (s *seam) parts(broad bool) bool {
	switch {
	case s.through < seamThrough && s.within-s.through > seamLess:
		return true
	case s.through > s.within+0.05:
		return false
	case s.strength > seamAlone:
		return true
	case s.strength < seamStepped || s.through > seamThrough || s.step < seamColour:
		return false
	}
	return s.shoulder > seamShoulder || broad && (s.step > otherStuff || s.narrow > seamNarrow && s.within-s.through > broadLess)
}

// weight orders seams by how surely they part.
func (s *seam) weight() float64 { return s.strength + s.within - s.through }

// breadths are what is known of those of cores, in rows: the least, and that of
// the tray's other cores, 0 where not known.
type breadths struct{ least, usual float64 }

// splitPatch parts a patch along its seams, if any.
func splitPatch(b *band, r *rims, p patch, known breadths) []patch {
	s, ok := bestSeam(b, r, p, known)
	if !ok {
		return []patch{p}
	}
	var out []patch
	for side := range 2 {
		if q, ok := p.beside(s, side); ok {
			out = append(out, splitPatch(b, r, q, known)...)
		}
	}
	return out
}

// bestSeam finds the surest seam of a patch that leaves wood enough for a core on
// either side.
func bestSeam(b *band, r *rims, p patch, known breadths) (best seam, ok bool) {
	if len(p.top) < 8 {
		return seam{}, false
	}
	broad := known.usual > 0 && p.height()+2*patchErosion > broadPatch*known.usual
	side := math.Max(seamRows, math.Ceil(known.least-patchErosion))
	first, last := slices.Min(p.top), slices.Max(p.bottom)
	for row := first + side; row <= last-side; row += 3 {
		k0, k1 := p.around(row, side)
		if k1-k0 < 8 || float64((k1-k0)*patchHop) < seamLength*(last-first)/2 {
			continue
		}
		s := seam{k0: k0}
		var strength []float64
		s.rows, strength = r.follow(func(int) float64 { return row }, 3, 0, k0, k1)
		for _, e := range strength {
			s.strength += e / (e + clearStep) / float64(len(strength))
		}
		if s.strength < seamClear {
			continue
		}
		s.within, s.through = agreementAt(b, s)
		s.narrow = p.narrower(s)
		s.shoulder, s.step = p.shoulder(s), colourStep(b, s)
		if s.parts(broad) && s.weight() > best.weight() {
			best, ok = s, true
		}
	}
	return best, ok
}

// seamLength is how long a seam must be, in half breadths of its patch.
const seamLength = 2

// narrower is the narrower side of the seam's middle, as a part of the patch's
// breadth there.
func (p *patch) narrower(s seam) float64 {
	i, at := s.k0-p.k0+len(s.rows)/2, s.rows[len(s.rows)/2]
	return math.Min(at-p.top[i], p.bottom[i]-at) / (p.bottom[i] - p.top[i])
}

// shoulder tells how far the patch goes on beyond an end of the seam with a
// rim along the seam's own line, in breadths of the narrower side; 0 for a
// seam that leaves next to nothing on one side.
func (p *patch) shoulder(s seam) float64 {
	if s.narrow < seamNarrow {
		return 0
	}
	i := s.k0 - p.k0 + len(s.rows)/2
	narrow := s.narrow * (p.bottom[i] - p.top[i])
	run := func(k, step int, row float64) (n int) {
		all := 0
		for ; k >= p.k0 && k < p.k1; k += step {
			all++
			if math.Abs(p.top[k-p.k0]-row) < seamRows/2+1 || math.Abs(p.bottom[k-p.k0]-row) < seamRows/2+1 {
				n++
			}
		}
		if 10*n < 7*all {
			return 0
		}
		return n
	}
	longest := max(run(s.k0-1, -1, s.rows[0]), run(s.k0+len(s.rows), 1, s.rows[len(s.rows)-1]))
	return float64(longest*patchHop) / narrow
}

// colourStep compares the mean colours of the rows next to the seam.
func colourStep(b *band, s seam) float64 {
	const near, far = 2, 9 // rows from the seam
	sum := 0.0
	for _, ch := range b.ch {
		if ch == nil {
			continue
		}
		d, n := 0.0, 0.0
		for u := s.k0 * patchHop; u < min(b.w, (s.k0+len(s.rows))*patchHop); u++ {
			row := int(math.Round(s.rows[u/patchHop-s.k0]))
			for v := near; v < far && row-v >= 0 && row+v < b.h; v++ {
				d += float64(ch[(row+v)*b.w+u] - ch[(row-v)*b.w+u])
				n++
			}
		}
		sum += d / math.Max(1, n) * d / math.Max(1, n)
	}
	return math.Sqrt(sum)
}

// around gives the longest run of hops at which the patch has so many rows on
// either side of the row.
func (p *patch) around(row, side float64) (k0, k1 int) {
	from := -1
	for i := 0; i <= len(p.top); i++ {
		in := i < len(p.top) && p.top[i]+side <= row && p.bottom[i]-side >= row
		if in && from < 0 {
			from = i
		}
		if !in && from >= 0 {
			if i-from > k1-k0 {
				k0, k1 = from, i
			}
			from = -1
		}
	}
	return p.k0 + k0, p.k0 + k1
}

// beside is the part of the patch above (side 0) or below the seam, which is
// carried on level beyond its ends: the longest run of hops in which it is about
// as high as it is where it is high, since of two cores one seldom lies beside the
// other all along.
func (p *patch) beside(s seam, side int) (patch, bool) {
	q := patch{k0: p.k0, k1: p.k1, top: slices.Clone(p.top), bottom: slices.Clone(p.bottom)}
	heights := make([]float64, len(p.top))
	for i := range p.top {
		at := s.rows[max(0, min(len(s.rows)-1, p.k0+i-s.k0))]
		if side == 0 {
			q.bottom[i] = math.Min(p.bottom[i], at-patchErosion)
		} else {
			q.top[i] = math.Max(p.top[i], at+patchErosion)
		}
		heights[i] = q.bottom[i] - q.top[i]
	}
	least := math.Max(4, besideLeast*quantile(slices.Clone(heights), 0.8))
	from, to := 0, 0
	for first, i := 0, 0; i < len(heights); i++ {
		if heights[i] < least {
			first = i + 1
		} else if i+1-first > to-from {
			from, to = first, i+1
		}
	}
	q.top, q.bottom = q.top[from:to], q.bottom[from:to]
	q.k0, q.k1 = p.k0+from, p.k0+to
	return q, to-from >= 3
}

// besideLeast is the least height beside a seam, as a part of the usual one
// (chosen: what is less is the ragged edge of the core on the other side).
const besideLeast = 0.4

// agreementAt compares strips beside a seam: their correlation at the best
// tilt, on one side of it and from one side to the other.
func agreementAt(b *band, s seam) (within, through float64) {
	const thick = 4.0 // rows of a strip
	const apart = 8.0 // rows from one strip's middle to the next
	u0, u1 := s.k0*patchHop, min(b.w, (s.k0+len(s.rows))*patchHop)
	mids := make([]float64, u1-u0)
	for i := range mids {
		mids[i] = s.rows[min(len(s.rows)-1, i/patchHop)]
	}
	window := min(rowsAcross, u1-u0)
	var strip [4][]float64
	for i := range strip {
		v := (float64(i) - 1.5) * apart
		strip[i] = stripSignal(b, mids, v-thick/2, v+thick/2, u0, window/3)
	}
	lags := int(math.Ceil(maxTilt * apart))
	n := 0.0
	for at := 0; at+window <= u1-u0; at += window / 2 {
		best := [3]float64{-1, -1, -1}
		for lag := -lags; lag <= lags; lag++ {
			for i := range best {
				c, _ := lagged(strip[i], strip[i+1], at, at+window, lag)
				best[i] = math.Max(best[i], c)
			}
		}
		within += (best[0] + best[2]) / 2
		through += best[1]
		n++
	}
	return within / n, through / n
}
