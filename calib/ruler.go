package calib

import (
	"fmt"
	"math"
	"slices"

	"pithward/measure"
	"pithward/vision/raster"
)

// maxCombs bounds how many repeating places are looked at closely.
const maxCombs = 20

// FindRulers finds the rulers of a scan, the best first. The tag is the
// declared resolution in dpi as displayed, nil where there is none; it only
// helps where a graduation is open to two readings. Where none is found, why
// says what spoke against the likeliest place, in words for the user.
func FindRulers(px raster.Pixels, tag *[2]float64) (found []RulerFit, why string) {
	if px.Width < 64 || px.Height < 16 || px.Channels < 1 {
		return nil, "the scan is too small to hold a ruler"
	}
	all := combs(reduce(px))
	best := fault{why: "nothing in the scan repeats like the ticks of a ruler"}
	for _, c := range all[:min(maxCombs, len(all))] {
		if known(found, px, c) {
			continue
		}
		r, f := readComb(px, c, tag)
		if f == nil {
			if !again(found, r) {
				found = append(found, r)
			}
		} else if f.got >= gotTicks && f.got > best.got {
			best = *f
		}
	}
	if len(found) > 0 {
		sortRulers(found)
		return agreeing(found, tag)
	}
	if best.got >= gotTicks {
		best.why = "a row of marks is like a ruler's, but " + best.why
	}
	return nil, best.why
}

// agreeing leaves out rulers that contradict the best one along the same axis,
// where the declared resolution says which of them is right. Where it does not,
// there is no telling, and none is taken.
func agreeing(found []RulerFit, tag *[2]float64) ([]RulerFit, string) {
	fits := func(r RulerFit) bool {
		return tag != nil && !isDefault(*tag) && near(tagScale(*tag)[axisOf(r)]/r.MMPerPx, 1)
	}
	for _, a := range found {
		for _, b := range found {
			if a.Upright != b.Upright || near(a.MMPerPx/b.MMPerPx, 1) {
				continue
			}
			if fits(a) == fits(b) {
				return nil, fmt.Sprintf("two rulers contradict each other: %s gives %.1f dpi, %s %.1f dpi",
					a.Graduation, MMPerInch/a.MMPerPx, b.Graduation, MMPerInch/b.MMPerPx)
			}
			found = slices.DeleteFunc(slices.Clone(found), func(r RulerFit) bool { return r.Upright == a.Upright && !fits(r) })
			return agreeing(found, tag)
		}
	}
	return found, ""
}

// fault is why a comb is no ruler that can be read, and how far it got before
// that showed: what got furthest is most like a ruler.
type fault struct {
	got int
	why string
}

// How far a comb got.
const (
	gotMarks = iota + 1 // it has marks
	gotLines            // they are straight lines
	gotTicks            // they are evenly spaced
	gotClear            // enough of them are clear
)

func faultf(got int, format string, a ...any) *fault {
	return &fault{got, fmt.Sprintf(format, a...)}
}

// known tells that a ruler found already lies at the comb: its ticks do, or its
// body and the step is the same.
func known(found []RulerFit, px raster.Pixels, c comb) bool {
	v := newView(px, c.swap)
	for _, r := range found {
		if r.Upright != c.swap {
			continue
		}
		same := math.Abs(c.pitch/r.PitchPx-1) < 0.05
		for _, h := range c.hits {
			p := v.point(h.u, h.v)
			if inQuad(p, r.ticksPx) || same && inQuad(p, r.QuadPx) {
				return true
			}
		}
	}
	return false
}

// again tells that a ruler's ticks are those of one found already: their middle
// lies among them.
func again(found []RulerFit, r RulerFit) bool {
	mid := measure.Point{(r.LinePx[0][0] + r.LinePx[1][0]) / 2, (r.LinePx[0][1] + r.LinePx[1][1]) / 2}
	return slices.ContainsFunc(found, func(f RulerFit) bool { return f.Upright == r.Upright && inQuad(mid, f.ticksPx) })
}

// readComb looks at a comb at full resolution and reads it as a ruler, or says
// why it is none.
func readComb(px raster.Pixels, c comb, tag *[2]float64) (RulerFit, *fault) {
	v := newView(px, c.swap)
	if (minTicks-1)*c.pitch > 1.1*float64(v.w) { // its pitch is known within 4 %
		return RulerFit{}, faultf(gotMarks, "the scan has no room for %d of them", minTicks)
	}
	a, ok := newAxis(v, c)
	if !ok {
		return RulerFit{}, faultf(gotMarks, "they are too short")
	}
	start, dark, ok := a.begin(c)
	if !ok {
		return RulerFit{}, faultf(gotMarks, "they are no straight lines of one kind")
	}
	ticks, f := a.settle(c, start, dark)
	if f != nil {
		return RulerFit{}, f
	}
	r := measureReach(a, ticks, dark)
	ticks, r = dropUnclear(ticks, r)
	if len(ticks) < minTicks {
		return RulerFit{}, faultf(gotTicks, "only %d of them are clear", len(ticks))
	}
	return fitRuler(a, ticks, r, tag)
}

// begin picks a place to start numbering the ticks: one of the comb's clearest
// where most ticks nearby are straight lines across the zone. It also tells
// whether they are dark.
func (a axis) begin(c comb) (start float64, dark, ok bool) {
	n := int((2*seedTicks + 4) * a.pitch)
	for _, h := range c.strongest(4) {
		start = (h.u - a.u) / a.cos
		from := start - float64(n)/2
		dark = newRow(a, from, n, a.lo, a.hi, false).polarity()
		ticks := newRow(a, from, n, a.lo, a.hi, dark).seed(start)
		r := measureWithin(a, ticks, dark, a.hi)
		clear := 0
		for _, lo := range r.lo {
			if !math.IsNaN(lo) {
				clear++
			}
		}
		if clear > seedTicks {
			return start, dark, true
		}
	}
	return 0, false, false
}

// localSteps is how many tick steps round the start are looked at before the
// whole length.
const localSteps = 64

// settle numbers the ticks and turns the axis square to them: first near the
// start, again and again until it stays, since where the zone lies depends on
// the turn; then along the whole ruler.
func (a *axis) settle(c comb, start float64, dark bool) (ticks []tick, f *fault) {
	for range 4 {
		from, n := a.extent()
		if local := int(localSteps * a.pitch); n > local {
			from, n = min(max(from, start-float64(local)/2), from+float64(n-local)), local
		}
		if ticks, f = a.number(from, n, start, dark); f != nil {
			return nil, f
		}
		if a.straighten(from, n, ticks, dark) < 1e-3 {
			break
		}
		if a.findZone(c, 1); !a.wide() {
			return nil, faultf(gotLines, "they are too short")
		}
	}
	for range 3 {
		from, n := a.extent()
		if ticks, f = a.number(from, n, start, dark); f != nil {
			return nil, f
		}
		if a.straighten(from, n, ticks, dark) < 2e-4 {
			break
		}
	}
	return ticks, nil
}

// number tracks the ticks among the n places from s = from on and takes their
// step for the axis's pitch.
func (a *axis) number(from float64, n int, start float64, dark bool) ([]tick, *fault) {
	ticks := newRow(*a, from, n, a.lo, a.hi, dark).track(start)
	if len(ticks) < minTicks {
		return nil, faultf(gotLines, "only %d of them are evenly spaced", len(ticks))
	}
	_, f, keep, ok := fitPlaces(ticks)
	if !ok || f.residual > maxResidual*f.b || f.n < len(keep)*3/5 {
		return nil, faultf(gotLines, "they are not evenly spaced")
	}
	a.pitch = f.b
	return ticks, nil
}

// maxResidual is how far ticks may stray from even spacing, as a share of it:
// worn and dirty ones do by 2 %, the rings of an even-grown core by 10 %.
const maxResidual = 0.06

// straighten turns the axis so that the upper and lower halves of the ticks
// agree, and returns by how much (rad).
func (a *axis) straighten(from float64, n int, ticks []tick, dark bool) float64 {
	mid := (a.lo + a.hi) / 2
	upper, lower := newRow(*a, from, n, a.lo, mid, dark), newRow(*a, from, n, mid, a.hi, dark)
	var shift []float64
	for _, t := range ticks {
		p, ok1 := upper.find(t.s, 0.2*a.pitch)
		q, ok2 := lower.find(t.s, 0.2*a.pitch)
		if ok1 && ok2 {
			shift = append(shift, q.s-p.s)
		}
	}
	if len(shift) < len(ticks)/2 {
		return 0
	}
	// A tick that moves towards larger s with t means the axis is turned too far clockwise.
	turn := math.Atan(median(shift) / ((a.hi - a.lo) / 2))
	a.sin, a.cos = math.Sincos(math.Atan2(a.sin, a.cos) - turn)
	return math.Abs(turn)
}

// dropUnclear leaves only ticks that run straight through the zone and have
// company: five of the nine places round each.
func dropUnclear(ticks []tick, r reach) ([]tick, reach) {
	var contrast []float64
	for i := range ticks {
		if !math.IsNaN(r.lo[i]) {
			contrast = append(contrast, r.contrast[i])
		}
	}
	least := 0.35 * median(contrast)
	good := map[int]bool{}
	for i, t := range ticks {
		if !math.IsNaN(r.lo[i]) && r.contrast[i] >= least {
			good[t.k] = true
		}
	}
	var out []tick
	var kept reach
	for i, t := range ticks {
		company := 0
		for d := -4; d <= 4; d++ {
			if good[t.k+d] {
				company++
			}
		}
		if good[t.k] && company >= 5 {
			out = append(out, t)
			kept.lo, kept.hi = append(kept.lo, r.lo[i]), append(kept.hi, r.hi[i])
			kept.contrast = append(kept.contrast, r.contrast[i])
		}
	}
	return out, kept
}

// fitRuler reads the graduation and fits the ticks' places to their numbers.
func fitRuler(a axis, ticks []tick, r reach, tag *[2]float64) (RulerFit, *fault) {
	x, f, keep, ok := fitPlaces(ticks)
	if !ok || f.n < minTicks || f.n < len(ticks)*3/5 {
		return RulerFit{}, faultf(gotTicks, "they are not evenly spaced")
	}
	if f.residual > maxResidual*f.b {
		return RulerFit{}, faultf(gotTicks, "they stray from even spacing by %.0f %%", 100*f.residual/f.b)
	}
	p, why := readLengths(a, ticks, r, keep, a.declared(f.b, tag))
	if why != "" {
		return RulerFit{}, faultf(gotClear, "%s", why)
	}
	first, last := -1, 0
	for i := range ticks {
		if keep[i] > 0 {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	out := RulerFit{
		Unit: p.unit, TickMM: p.tickMM, Graduation: p.name,
		Ticks: f.n, Span: ticks[last].k - ticks[first].k,
		Upright: a.view.swap, AngleDeg: a.angleDeg(),
		PitchPx: f.b, MMPerPx: p.tickMM / f.b,
		FitRelative: f.seB / f.b, RMSResidualPx: f.residual,
		LinePx: [2]measure.Point{a.place(f.at(x[first]), 0), a.place(f.at(x[last]), 0)},
	}
	s0, s1 := f.at(x[first]), f.at(x[last])
	out.ticksPx = body{s0 - a.pitch, s1 + a.pitch, quantileOf(r.lo, 0.1), quantileOf(r.hi, 0.9)}.corners(a)
	out.QuadPx = a.outline(s0, s1, r, out.MMPerPx).corners(a)
	return out, nil
}

// declared is the tick step in mm by the resolution tag, 0 without one.
func (a axis) declared(pitch float64, tag *[2]float64) float64 {
	if tag == nil || isDefault(*tag) {
		return 0
	}
	along := tag[0]
	if a.view.swap {
		along = tag[1]
	}
	return pitch / along * MMPerInch
}

// readLengths reads the graduation from whichever side the ticks' lengths show it.
func readLengths(a axis, ticks []tick, r reach, keep []float64, declared float64) (pattern, string) {
	sides := []lengths{{}, {}, {}}
	for i, t := range ticks {
		if keep[i] == 0 {
			continue
		}
		for s, l := range []float64{r.hi[i] - a.lo, a.hi - r.lo[i], r.hi[i] - r.lo[i]} {
			sides[s].k = append(sides[s].k, t.k)
			sides[s].l = append(sides[s].l, l)
		}
	}
	best, fault, gain := pattern{}, "", math.Inf(-1)
	for _, d := range sides {
		d.floor = 0.04 * a.pitch
		d.within = reachPer * a.pitch
		p, why := d.read(declared)
		if fault == "" {
			fault = why
		}
		if g := d.flat() - p.bic; why == "" && g > gain {
			best, gain = p, g
		}
	}
	if math.IsInf(gain, -1) {
		return pattern{}, fault
	}
	return best, ""
}

// angleDeg is the ruler's turn to its axis, clockwise as displayed.
func (a axis) angleDeg() float64 {
	deg := math.Atan2(a.sin, a.cos) * 180 / math.Pi
	if a.view.swap { // exchanging x and y mirrors the picture
		return -deg
	}
	return deg
}

// place turns ruler coordinates into scan pixels.
func (a axis) place(s, t float64) measure.Point { return a.view.point(a.at(s, t)) }

func quantileOf(v []float64, q float64) float64 { return quantile(append([]float64(nil), v...), q) }

// inQuad tells whether p lies within a convex polygon, whichever way it turns.
func inQuad(p measure.Point, q []measure.Point) bool {
	var pos, neg bool
	for i, a := range q {
		b := q[(i+1)%len(q)]
		cross := (b[0]-a[0])*(p[1]-a[1]) - (b[1]-a[1])*(p[0]-a[0])
		pos = pos || cross > 0
		neg = neg || cross < 0
	}
	return !(pos && neg)
}
