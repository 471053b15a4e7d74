package strip

import (
	"math"

	"gonum.org/v1/gonum/blas/blas32"

	"pithward/vision/raster"
)

// Course is how the layers run across a strip: the layer that crosses the
// axis at column u passes at v through column u + Shift(u, v). It is known at
// knots a fixed number of columns apart.
//
// The slope and bend of the layers are those under which the bands of the
// strip agree best (semblance, Taner & Koehler 1969, as used for dipping
// layers in seismic sections), smooth along the core; each band's remaining
// deviation is then followed on its own.
type Course struct {
	Every    int         // columns between knots
	Slope    []float64   // du/dv at the axis
	Bend     []float64   // second-order term: shift = Slope v + Bend v^2
	Agree    []float64   // semblance of the best course, 0..1
	Residual [][]float64 // what is left of it, px, per knot and band
	BandV    []float64   // where the bands lie across the strip, px
}

const (
	bands      = 12
	steepest   = 0.72 // tan 36 degrees; layers turn up to 30 against the core
	slopeSteps = 49
)

// bendSteps are the shifts at the strip's edge, as parts of its half breadth,
// that are tried for the layers' bend: arcs of radius down to the breadth.
var bendSteps = []float64{-0.30, -0.18, -0.10, -0.05, -0.02, 0, 0.02, 0.05, 0.10, 0.18, 0.30}

// Follow finds the course of the layers. pxPerMM is the scale, or a guess of
// it: it sets over what length the bands are compared.
func Follow(s *Strip, pxPerMM float64) *Course {
	thin := int(math.Max(1, math.Round(pxPerMM/18))) // samples of about 0.055 mm suffice
	p := bandProfiles(s, thin, pxPerMM/float64(thin))
	c := &Course{Every: 8 * thin, BandV: p.v}
	g := searchGrid(p, 8, int(math.Round(1.2*pxPerMM/float64(thin))))
	g.trace(c)
	c.followBands(p, thin, pxPerMM)
	return c
}

// Shift returns how far the layer that crosses the axis at column u is
// displaced along the axis at v.
func (c *Course) Shift(u, v float64) float64 {
	k, f := c.knot(u)
	a := c.shiftAt(k, v)
	return a + f*(c.shiftAt(k+1, v)-a)
}

// SlopeAt returns du/dv of the layer that crosses the axis at column u.
func (c *Course) SlopeAt(u float64) float64 {
	const h = 4
	return (c.Shift(u, h) - c.Shift(u, -h)) / (2 * h)
}

func (c *Course) knot(u float64) (int, float64) {
	x := math.Max(0, math.Min(float64(len(c.Slope)-1), u/float64(c.Every)))
	k := int(x)
	if k > len(c.Slope)-2 {
		k = len(c.Slope) - 2
	}
	return k, x - float64(k)
}

func (c *Course) shiftAt(k int, v float64) float64 {
	d := c.Slope[k]*v + c.Bend[k]*v*v
	if c.Residual == nil {
		return d
	}
	step := c.BandV[1] - c.BandV[0]
	x := math.Max(0, math.Min(float64(len(c.BandV)-1), (v-c.BandV[0])/step))
	b := int(x)
	if b > len(c.BandV)-2 {
		b = len(c.BandV) - 2
	}
	f := x - float64(b)
	r := c.Residual[k]
	return d + r[b] + f*(r[b+1]-r[b])
}

// Flatten returns the strip with every layer in one column.
func (s *Strip) Flatten(c *Course) *Strip {
	out := &Strip{Rows: s.Rows, Cols: s.Cols, RowPx: s.RowPx, axis: s.axis, normal: s.normal}
	out.Light = make([]float32, len(s.Light))
	if s.Brown != nil {
		out.Brown = make([]float32, len(s.Brown))
	}
	knots, parts := make([]int, s.Cols), make([]float64, s.Cols)
	for i := range knots {
		knots[i], parts[i] = c.knot(float64(i))
	}
	last := float64(s.Cols) - 1.001
	raster.InParallel(s.Rows, func(r int) {
		v := s.Across(r)
		shift := make([]float64, len(c.Slope))
		for k := range shift {
			shift[k] = c.shiftAt(k, v)
		}
		o := r * s.Cols
		for i, k := range knots {
			u := float64(i) + shift[k] + parts[i]*(shift[k+1]-shift[k])
			u = max(0, min(last, u))
			j := int(u)
			w := float32(u - float64(j))
			out.Light[o+i] = s.Light[o+j] + w*(s.Light[o+j+1]-s.Light[o+j])
			if s.Brown != nil {
				out.Brown[o+i] = s.Brown[o+j] + w*(s.Brown[o+j+1]-s.Brown[o+j])
			}
		}
	})
	return out
}

// profiles holds the brightness along the axis of each band of the breadth,
// thinned, with slow changes taken off and local contrast evened out.
type profiles struct {
	at   [][]float32 // per band
	v    []float64   // of the bands' middles, px
	half float64     // half the breadth, px
	thin int
	n    int
}

func bandProfiles(s *Strip, thin int, samplesPerMM float64) *profiles {
	nb := min(bands, s.Rows)
	p := &profiles{thin: thin, n: (s.Cols + thin - 1) / thin, half: float64(s.Rows) / 2 * s.RowPx}
	for b := 0; b < nb; b++ {
		lo, hi := b*s.Rows/nb, (b+1)*s.Rows/nb
		prof := make([]float32, p.n)
		count := make([]float32, p.n)
		for r := lo; r < hi; r++ {
			row := s.Light[r*s.Cols : (r+1)*s.Cols]
			for i, x := range row {
				prof[i/thin] += x
				count[i/thin]++
			}
		}
		for i := range prof {
			prof[i] /= count[i]
		}
		p.at = append(p.at, evenOut(prof, samplesPerMM))
		p.v = append(p.v, (s.Across(lo)+s.Across(hi-1))/2)
	}
	return p
}

// evenOut subtracts the mean over 2 mm and divides by the deviation over 6 mm,
// and limits what is left, so that no single dark crack rules.
func evenOut(x []float32, samplesPerMM float64) []float32 {
	mean := BoxMean(x, int(samplesPerMM))
	d := make([]float32, len(x))
	sq := make([]float32, len(x))
	for i := range x {
		d[i] = x[i] - mean[i]
		sq[i] = d[i] * d[i]
	}
	dev := BoxMean(sq, int(3*samplesPerMM))
	for i := range d {
		d[i] /= float32(math.Sqrt(float64(dev[i]))) + 1
		d[i] = max(-2.5, min(2.5, d[i]))
	}
	return d
}

// BoxMean returns the running mean over 2*reach+1 samples, fewer at the ends.
func BoxMean(x []float32, reach int) []float32 {
	out := make([]float32, len(x))
	Running(nil).Of(x).Mean(out, reach)
	return out
}

// Running are the sums of a row up to each sample, from which the means over
// windows of any length come.
type Running []float64

// Of returns the sums of x, in r's memory where it is enough.
func (r Running) Of(x []float32) Running {
	if cap(r) < len(x)+1 {
		r = make(Running, len(x)+1)
	}
	r = r[:len(x)+1]
	var total float64
	r[0] = 0
	for i, rest := 0, r[1:]; i < len(x) && i < len(rest); i++ {
		total += float64(x[i])
		rest[i] = total
	}
	return r
}

// Mean fills out, as long as the row, with its running mean over 2*reach+1
// samples, fewer at the ends.
func (r Running) Mean(out []float32, reach int) {
	n := len(out)
	rim := func(i int) {
		a, b := max(0, i-reach), min(n, i+reach+1)
		out[i] = float32((r[b] - r[a]) / float64(b-a))
	}
	for i := range min(n, reach) {
		rim(i)
		rim(n - 1 - i)
	}
	if n > 2*reach {
		part := 1 / float64(2*reach+1)
		inner, before, behind := out[reach:n-reach], r, r[2*reach+1:]
		for i := range inner {
			inner[i] = float32((behind[i] - before[i]) * part)
		}
	}
}

// grid holds the semblance of every course tried at every knot.
type grid struct {
	knots  int
	states int // slope-major: slope*len(bendSteps)+bend
	agree  []float32
	half   float64
}

func slopeOf(i int) float64 {
	return steepest * (2*float64(i)/float64(slopeSteps-1) - 1)
}

func (g *grid) bendOf(j int) float64 { return bendSteps[j] / g.half }

// searchGrid measures the semblance of every slope and bend in windows of
// 2*reach+1 thinned samples, at knots `every` samples apart.
func searchGrid(p *profiles, every, reach int) *grid {
	g := &grid{knots: p.n/every + 2, states: slopeSteps * len(bendSteps), half: p.half}
	g.agree = make([]float32, g.knots*g.states)
	power := make([]float32, p.n)
	for i := range power {
		for _, prof := range p.at {
			power[i] += prof[i] * prof[i]
		}
	}
	totalPower := g.windows(power, make([]float32, p.n+1), every, reach)
	wide := p.padded()
	raster.InParallel(slopeSteps, func(s int) {
		stack, sums, got := make([]float32, p.n), make([]float32, p.n+1), make([]float32, g.knots)
		for b := range bendSteps {
			wide.stackAlong(stack, slopeOf(s), g.bendOf(b))
			for i, x := range stack {
				stack[i] = x * x
			}
			g.windowsInto(got, stack, sums, every, reach)
			for k, v := range got {
				g.agree[k*g.states+s*len(bendSteps)+b] = v / (totalPower[k]*float32(len(p.at)) + 1e-3)
			}
		}
	})
	return g
}

// windows returns the mean of x in a window round each knot; sums is scratch.
func (g *grid) windows(x, sums []float32, every, reach int) []float32 {
	out := make([]float32, g.knots)
	g.windowsInto(out, x, sums, every, reach)
	return out
}

func (g *grid) windowsInto(out, x, sums []float32, every, reach int) {
	var total float64
	for i, v := range x {
		total += float64(v)
		sums[i+1] = float32(total)
	}
	for k := range out {
		i := min(len(x)-1, k*every)
		a, b := max(0, i-reach), min(len(x), i+reach+1)
		out[k] = (sums[b] - sums[a]) / float32(b-a)
	}
}

// padded are profiles with nothing, 0, before and behind them, so that they
// can be moved by any slope and bend that is tried.
type padded struct {
	at   [][]float32
	v    []float64
	thin int
	pad  int
}

func (p *profiles) padded() padded {
	var most float64 // shift, px: a bend shifts by its part of the half breadth, at most
	for _, v := range p.v {
		most = math.Max(most, (steepest+bendSteps[len(bendSteps)-1])*math.Abs(v))
	}
	w := padded{v: p.v, thin: p.thin, pad: int(most)/p.thin + 2}
	for _, prof := range p.at {
		x := make([]float32, w.pad+p.n+w.pad)
		copy(x[w.pad:], prof)
		w.at = append(w.at, x)
	}
	return w
}

// stackAlong sums the bands along one slope and bend. Each lies between two
// samples, and so adds its share of either: whole rows, which the library adds
// by vector instructions.
func (p padded) stackAlong(stack []float32, slope, bend float64) {
	clear(stack)
	n := len(stack)
	row := func(x []float32) blas32.Vector { return blas32.Vector{N: n, Inc: 1, Data: x[:n]} }
	for b, v := range p.v {
		d := (slope*v + bend*v*v) / float64(p.thin)
		k := math.Floor(d)
		x, part := p.at[b][p.pad+int(k):], float32(d-k)
		blas32.Axpy(1-part, row(x), row(stack))
		blas32.Axpy(part, row(x[1:]), row(stack))
	}
}

// trace finds the smoothest well-agreeing course along the core by dynamic
// programming and refines it between the grid's slopes.
func (g *grid) trace(c *Course) {
	nb := len(bendSteps)
	gain := func(k, st int) float32 { return g.agree[k*g.states+st] }
	score := make([]float32, g.states)
	next := make([]float32, g.states)
	bent := make([]float32, g.states)
	bentFrom := make([]int16, g.states)
	from := make([]int16, g.knots*g.states)
	copy(score, g.agree[:g.states])
	for k := 1; k < g.knots; k++ {
		bestBend(bent, bentFrom, score)
		bestSlope(next, from[k*g.states:(k+1)*g.states], bent, bentFrom)
		for st, v := range g.agree[k*g.states : (k+1)*g.states] {
			next[st] += v
		}
		score, next = next, score
	}
	st := 0
	for i, v := range score {
		if v > score[st] {
			st = i
		}
	}
	c.Slope = make([]float64, g.knots)
	c.Bend = make([]float64, g.knots)
	c.Agree = make([]float64, g.knots)
	for k := g.knots - 1; k >= 0; k-- {
		s, b := st/nb, st%nb
		c.Slope[k] = slopeOf(s) + g.between(k, st, nb)*(slopeOf(1)-slopeOf(0))
		c.Bend[k] = g.bendOf(b)
		c.Agree[k] = float64(gain(k, st))
		st = int(from[k*g.states+st])
	}
	smooth(c.Slope, 3)
	smooth(c.Bend, 4)
}

// What a change of course from knot to knot costs, for each step of the grid.
const slopePenalty, bendPenalty = 0.06, 0.03

// bestBend sets, for each state, the best score that can be come from by
// changing the bend by one step or none, its cost taken off, and the state that
// it is of.
func bestBend(best []float32, from []int16, score []float32) {
	nb := len(bendSteps)
	for o := 0; o < len(score); o += nb {
		for b := range nb {
			st := o + b
			v, arg := score[st], st
			if b > 0 && score[st-1]-bendPenalty > v {
				v, arg = score[st-1]-bendPenalty, st-1
			}
			if b < nb-1 && score[st+1]-bendPenalty > v {
				v, arg = score[st+1]-bendPenalty, st+1
			}
			best[st], from[st] = v, int16(arg)
		}
	}
}

// bestSlope goes on from bestBend: the slope may change by two steps, at the
// square of the cost of one.
func bestSlope(best []float32, from []int16, bent []float32, bentFrom []int16) {
	nb := len(bendSteps)
	copy(best, bent)
	copy(from, bentFrom)
	for _, ds := range []int{-1, 1, -2, 2} {
		cost := slopePenalty * float32(ds*ds)
		lo, hi := max(0, -ds*nb), min(len(bent), len(bent)-ds*nb)
		for st := lo; st < hi; st++ {
			if v := bent[st+ds*nb] - cost; v > best[st] {
				best[st], from[st] = v, bentFrom[st+ds*nb]
			}
		}
	}
}

// between returns the place of the parabola's peak through the semblance at a
// state and its two neighbours `stride` states away, within half a step.
func (g *grid) between(k, st, stride int) float64 {
	if st-stride < 0 || st+stride >= g.states {
		return 0
	}
	o := k * g.states
	return peak(float64(g.agree[o+st-stride]), float64(g.agree[o+st]), float64(g.agree[o+st+stride]))
}

// peak returns the offset, within half a step, of the top of the parabola
// through three equally spaced values; 0 where there is no top.
func peak(a, b, c float64) float64 {
	d := a - 2*b + c
	if d >= 0 {
		return 0
	}
	return math.Max(-0.5, math.Min(0.5, 0.5*(a-c)/d))
}

// smooth replaces x by its running mean over 2*reach+1 values, twice.
func smooth(x []float64, reach int) {
	for pass := 0; pass < 2; pass++ {
		sum := make([]float64, len(x)+1)
		for i, v := range x {
			sum[i+1] = sum[i] + v
		}
		for i := range x {
			a, b := max(0, i-reach), min(len(x), i+reach+1)
			x[i] = (sum[b] - sum[a]) / float64(b-a)
		}
	}
}

// followBands finds, band by band, how far the layers deviate from slope and
// bend: the lag at which a band agrees best with the mean of the others.
func (c *Course) followBands(p *profiles, thin int, pxPerMM float64) {
	if len(p.at) < 3 {
		return
	}
	flat := c.flatBands(p)
	stack := make([]float32, p.n)
	for _, x := range flat {
		for i, v := range x {
			stack[i] += v
		}
	}
	const lags = 5 // thinned samples each way, about 0.2 mm
	reach := int(0.6 * pxPerMM / float64(thin))
	knots := len(c.Slope)
	lag := make([][]float64, len(flat))
	weight := make([][]float64, len(flat))
	for b, x := range flat {
		lag[b], weight[b] = bandLags(x, stack, lags, reach, 8, knots)
	}
	c.Residual = smoothLags(lag, weight, float64(thin))
	c.holdAxis()
}

// holdAxis takes off what all bands are shifted by at the axis, where the
// layers' places are counted: bands that agree on some other shift would carry
// every boundary along.
func (c *Course) holdAxis() {
	for k, r := range c.Residual {
		off := c.shiftAt(k, 0)
		for b := range r {
			r[b] -= off
		}
	}
}

// flatBands returns the band profiles moved along the course.
func (c *Course) flatBands(p *profiles) [][]float32 {
	out := make([][]float32, len(p.at))
	for b, x := range p.at {
		out[b] = make([]float32, p.n)
		for i := range out[b] {
			u := float64(i) + c.Shift(float64(i*p.thin), p.v[b])/float64(p.thin)
			u = math.Max(0, math.Min(float64(p.n)-1.001, u))
			j := int(u)
			f := float32(u - float64(j))
			out[b][i] = x[j] + f*(x[min(j+1, p.n-1)]-x[j])
		}
	}
	return out
}

// bandLags returns for each knot the lag (samples, between -lags and lags) at
// which x agrees best with the stack of all bands without x, and how sure.
func bandLags(x, stack []float32, lags, reach, every, knots int) (lag, weight []float64) {
	n := len(x)
	corr := make([][]float32, 2*lags+1)
	prod, once := make([]float32, n), make([]float32, n)
	var sums Running
	for l := -lags; l <= lags; l++ {
		for i := range prod {
			j := min(n-1, max(0, i+l))
			prod[i] = x[j] * (stack[i] - x[i])
		}
		sums = sums.Of(prod)
		sums.Mean(once, reach)
		sums = sums.Of(once)
		corr[l+lags] = make([]float32, n)
		sums.Mean(corr[l+lags], reach/2)
	}
	lag = make([]float64, knots)
	weight = make([]float64, knots)
	for k := range lag {
		i := min(n-1, k*every)
		best, sum := 0, float32(0)
		for l := range corr {
			if corr[l][i] > corr[best][i] {
				best = l
			}
			sum += corr[l][i]
		}
		mean := sum / float32(len(corr))
		if best == 0 || best == len(corr)-1 || corr[best][i] <= 0 {
			continue
		}
		lag[k] = float64(best-lags) + peak(float64(corr[best-1][i]), float64(corr[best][i]), float64(corr[best+1][i]))
		weight[k] = float64(corr[best][i] - mean)
	}
	return lag, weight
}

// smoothLags smooths the lags along the core and across the bands, each with
// its weight, pulled to zero where little is known, and returns them in px,
// per knot and band.
func smoothLags(lag, weight [][]float64, thin float64) [][]float64 {
	nb, nk := len(lag), len(lag[0])
	out := make([][]float64, nk)
	var mean float64
	for b := range weight {
		for _, w := range weight[b] {
			mean += w / float64(nb*nk)
		}
	}
	for k := range out {
		out[k] = make([]float64, nb)
		for b := range out[k] {
			var num, den float64
			for dk := -4; dk <= 4; dk++ {
				for db := -2; db <= 2; db++ {
					kk, bb := k+dk, b+db
					if kk < 0 || kk >= nk || bb < 0 || bb >= nb {
						continue
					}
					g := math.Exp(-0.5 * (float64(dk*dk)/6 + float64(db*db)/1.2))
					num += g * weight[bb][kk] * lag[bb][kk]
					den += g * (weight[bb][kk] + 0.3*mean)
				}
			}
			if den > 0 {
				out[k][b] = thin * num / den
			}
		}
	}
	return out
}
