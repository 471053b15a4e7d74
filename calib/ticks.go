package calib

import (
	"math"
	"math/cmplx"
	"sort"

	"pithward/vision/raster"
)

// tick is one line of the ruler.
type tick struct {
	k        int     // its number; the first found is 0
	s        float64 // place along the ruler, px
	strength float64 // how far it stands out, gray levels
	width    float64 // at half height, px
}

// row is a ruler's profile made ready for finding ticks.
type row struct {
	from  float64   // s of index 0
	gray  []float32 // averaged across the zone; negated for dark ticks, so that ticks stand up
	flat  []float32 // smoothed, less the mean over one step
	pitch float64
}

// newRow makes the profile of n places from s = from on, averaged across from
// t = lo to hi.
func newRow(a axis, from float64, n int, lo, hi float64, dark bool) row {
	r := row{from: from, gray: a.profile(from, n, lo, hi), pitch: a.pitch}
	if dark {
		for i := range r.gray {
			r.gray[i] = -r.gray[i]
		}
	}
	r.flat = boxMean(r.gray, int(a.pitch/20))
	base := boxMean(r.gray, int(a.pitch/2))
	for i := range r.flat {
		r.flat[i] -= base[i]
	}
	return r
}

// find looks for a tick within reach of s: the highest place of the flattened
// profile, then the middle between its flanks' half heights in the profile.
func (r row) find(s, reach float64) (tick, bool) {
	lo, hi := int(math.Ceil(s-reach-r.from)), int(s+reach-r.from)
	if lo < 1 || hi > len(r.flat)-2 || hi < lo {
		return tick{}, false
	}
	top := lo
	for i := lo; i <= hi; i++ {
		if r.flat[i] > r.flat[top] {
			top = i
		}
	}
	if r.flat[top] <= 0 || r.flat[top-1] > r.flat[top] || r.flat[top+1] > r.flat[top] {
		return tick{}, false
	}
	left, right, ok := r.flanks(top)
	if !ok {
		return tick{}, false
	}
	return tick{s: r.from + (left+right)/2, strength: float64(r.flat[top]), width: right - left}, true
}

// flanks returns where the profile crosses half height on both sides of its
// peak near index top, by linear interpolation. Each side has its own ground,
// the lowest place within half a step, so that a slope of light moves nothing
// by more than it must.
func (r row) flanks(top int) (left, right float64, ok bool) {
	for top > 0 && r.gray[top-1] > r.gray[top] {
		top--
	}
	for top+1 < len(r.gray) && r.gray[top+1] > r.gray[top] {
		top++
	}
	reach := int(r.pitch * 0.5)
	groundL, groundR := r.gray[top], r.gray[top]
	for i := max(0, top-reach); i < top; i++ {
		groundL = min(groundL, r.gray[i])
	}
	for i := top + 1; i < min(len(r.gray), top+reach+1); i++ {
		groundR = min(groundR, r.gray[i])
	}
	half := (r.gray[top] + (groundL+groundR)/2) / 2
	i := top
	for ; i > max(0, top-reach) && r.gray[i] > half; i-- {
	}
	j := top
	for ; j < min(len(r.gray)-1, top+reach) && r.gray[j] > half; j++ {
	}
	if r.gray[i] > half || r.gray[j] > half || i == j {
		return 0, 0, false
	}
	left = float64(i) + float64(half-r.gray[i])/float64(r.gray[i+1]-r.gray[i])
	right = float64(j) - float64(half-r.gray[j])/float64(r.gray[j-1]-r.gray[j])
	return left, right, right-left < 0.75*r.pitch
}

const (
	seedTicks   = 7    // on each side of the start
	minStrength = 0.35 // of the seed's median
)

// track numbers the ticks, going outward from s = start, where the comb is
// clear. Where ticks are covered the numbering goes on by the line fitted to
// all ticks so far: with n of them it errs by far less than half a step over a
// gap as long as they span.
func (r row) track(start float64) []tick {
	ticks := r.seed(start)
	if len(ticks) < seedTicks {
		return nil
	}
	var strengths []float64
	for _, t := range ticks {
		strengths = append(strengths, t.strength)
	}
	least := minStrength * median(strengths)
	f, ok := fitSoFar(ticks)
	if !ok {
		return nil
	}
	first, last := int(math.Floor((r.from-f.a)/f.b)), int(math.Ceil((r.from+float64(len(r.gray))-f.a)/f.b))
	for _, dir := range []int{1, -1} {
		for k := dir * (seedTicks + 1); k >= first && k <= last; k += dir {
			t, ok := r.find(f.at(float64(k)), 0.2*f.b)
			if !ok || t.strength < least {
				continue
			}
			t.k = k
			ticks = append(ticks, t)
			if g, ok := fitSoFar(ticks); ok {
				f = g
			}
		}
	}
	sort.Slice(ticks, func(i, j int) bool { return ticks[i].k < ticks[j].k })
	kept := ticks[:0]
	for _, t := range ticks {
		if t.strength >= least {
			kept = append(kept, t)
		}
	}
	return kept
}

// seed finds the ticks nearest to s = start, numbered from there.
func (r row) seed(start float64) []tick {
	pitch, s0 := r.lock(start)
	var ticks []tick
	for k := -seedTicks; k <= seedTicks; k++ {
		if t, ok := r.find(s0+float64(k)*pitch, 0.3*pitch); ok {
			t.k = k
			ticks = append(ticks, t)
		}
	}
	return ticks
}

// lock finds the exact step and a tick's place near s = start: the period of
// the largest amplitude, and its phase.
func (r row) lock(start float64) (pitch, s float64) {
	n := min(int(demodPers*r.pitch), len(r.flat))
	i := min(max(0, int(start-r.from)-n/2), len(r.flat)-n)
	x := r.flat[i : i+n]
	mid := float64(n-1) / 2
	var pitches []float64
	for d := -0.04; d <= 0.0401; d += 0.0025 {
		pitches = append(pitches, r.pitch*(1+d))
	}
	z := make([]complex128, len(pitches))
	raster.InParallel(len(z), func(i int) { z[i] = amplitude(x, mid, pitches[i]) })
	var best complex128
	for i, z := range z {
		if cmplx.Abs(z) > cmplx.Abs(best) {
			best, pitch = z, pitches[i]
		}
	}
	if pitch == 0 {
		return r.pitch, start
	}
	return pitch, r.from + float64(i) + mid - cmplx.Phase(best)*pitch/(2*math.Pi)
}

// fitPlaces fits the ticks' places to their numbers x, in rising order, and says
// which it kept; see fitRobust. Nothing within a quarter of a pixel is left out.
func fitPlaces(ticks []tick) (x []float64, f line, keep []float64, ok bool) {
	x = make([]float64, len(ticks))
	y := make([]float64, len(ticks))
	for i, t := range ticks {
		x[i], y[i] = float64(t.k), t.s
	}
	f, keep, ok = fitRobust(x, y, 0.25)
	return x, f, keep, ok
}

// fitSoFar is the line through the ticks tracked so far, in any order. Of many,
// a stray one does no harm.
func fitSoFar(ticks []tick) (line, bool) {
	x, y := make([]float64, len(ticks)), make([]float64, len(ticks))
	for i, t := range ticks {
		x[i], y[i] = float64(t.k), t.s
	}
	if len(ticks) > 40 {
		return fitLine(x, y, nil)
	}
	sort.Sort(byX{x, y})
	f, _, ok := fitRobust(x, y, 0.05*math.Abs(y[len(y)-1]-y[0])/math.Max(1, x[len(x)-1]-x[0]))
	return f, ok
}

type byX struct{ x, y []float64 }

func (b byX) Len() int           { return len(b.x) }
func (b byX) Less(i, j int) bool { return b.x[i] < b.x[j] }
func (b byX) Swap(i, j int)      { b.x[i], b.x[j] = b.x[j], b.x[i]; b.y[i], b.y[j] = b.y[j], b.y[i] }

// polarity tells whether the ticks in the row are dark: the narrow side of the
// profile is theirs.
func (r row) polarity() (dark bool) {
	var m3 float64
	for _, x := range r.flat {
		m3 += float64(x) * float64(x) * float64(x)
	}
	return m3 < 0
}

// reach holds, for each tick, how far it runs across the ruler.
type reach struct {
	lo, hi   []float64 // t of its two ends; NaN where the tick is not clear
	contrast []float64 // its own within the zone
}

// measureReach follows each tick across the ruler. A row belongs to the tick
// while it stands out from both sides by half of what it does in the zone.
func measureReach(a axis, ticks []tick, dark bool) reach {
	return measureWithin(a, ticks, dark, reachPer*a.pitch+(a.hi-a.lo)/2)
}

// measureWithin is measureReach no further than limit from t = 0.
func measureWithin(a axis, ticks []tick, dark bool, limit float64) reach {
	step := max(1, a.pitch/8)
	rows := int(limit / step)
	out := reach{make([]float64, len(ticks)), make([]float64, len(ticks)), make([]float64, len(ticks))}
	var widths []float64
	for _, t := range ticks {
		widths = append(widths, t.width)
	}
	width := median(widths)
	raster.InParallel(len(ticks), func(i int) {
		p := newProbe(a, width, dark)
		stands := func(row int) float64 { return p.contrast(ticks[i].s, float64(row)*step) }
		out.lo[i], out.hi[i], out.contrast[i] = ends(stands, rows, step, a.lo, a.hi)
	})
	return out
}

// ends finds the ends of a tick by how far it stands out in each row, from -rows
// to rows; row zero is t = 0. It looks at the zone and from there only as far as
// the tick runs.
func ends(stands func(row int) float64, rows int, step, zoneLo, zoneHi float64) (lo, hi, contrast float64) {
	from, to := max(-rows, int(zoneLo/step)), min(rows, int(zoneHi/step))
	var zone []float64
	for j := from; j <= to; j++ {
		zone = append(zone, stands(j))
	}
	at := func(row int) float64 {
		if row >= from && row <= to {
			return zone[row-from]
		}
		return stands(row)
	}
	contrast = medianOf(zone)
	half := contrast / 2
	var clear int
	for _, c := range zone {
		if c > half*0.8 {
			clear++
		}
	}
	if contrast <= 0 || 4*clear < 3*len(zone) {
		return math.NaN(), math.NaN(), contrast
	}
	walk := func(dir int) float64 {
		end, last, next := 0, at(0), 0.0 // of the tick; how far it stands out there, and in the row after
		for j, misses := 0, 0; misses < 2 && abs(j) <= rows; j += dir {
			c := at(j)
			if j == end+dir {
				next = c
			}
			if c >= half {
				end, last, misses = j, c, 0
			} else {
				misses++
			}
		}
		t := float64(end) * step
		if abs(end) < rows && last > next {
			t += float64(dir) * step * min(1, (last-half)/(last-next))
		}
		return t
	}
	return walk(-1), walk(1), contrast
}

// probe measures how far a tick stands out at one place.
type probe struct {
	a        axis
	core     float64 // half breadth of the core looked at, px
	from, to float64 // flank on each side, px from the middle
	sign     float64
	buf      []float32
}

func newProbe(a axis, width float64, dark bool) *probe {
	p := &probe{a: a, core: max(0.5, 0.35*width), sign: 1}
	gap := a.pitch - width
	p.from = width/2 + max(0.25*gap, 0.5)
	p.to = max(p.from+1, 0.5*a.pitch)
	if dark {
		p.sign = -1
	}
	p.buf = make([]float32, 2*int(math.Ceil(p.to))+1)
	return p
}

// contrast is the mean of the core less the higher of its two flanks, at
// (s, t): positive where a tick is, about zero at an edge.
func (p *probe) contrast(s, t float64) float64 {
	clear(p.buf)
	mid := len(p.buf) / 2
	p.a.sample(p.buf, s-float64(mid), t)
	var sum [3]float64 // left flank, core, right flank
	var n [3]float64
	for i, g := range p.buf {
		d := float64(i - mid)
		switch w := math.Abs(d); {
		case w <= p.core:
			sum[1] += float64(g)
			n[1]++
		case w >= p.from && w <= p.to && d < 0:
			sum[0] += float64(g)
			n[0]++
		case w >= p.from && w <= p.to:
			sum[2] += float64(g)
			n[2]++
		}
	}
	for i := range sum {
		if n[i] == 0 {
			return 0
		}
		sum[i] *= p.sign / n[i]
	}
	return sum[1] - max(sum[0], sum[2])
}
