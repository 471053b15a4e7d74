package vision

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"sort"
	"strconv"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
)

// reduce is the overview of pixels that come from no file.
func reduce(px raster.Pixels, maxSide int) Overview {
	f := (max(px.Width, px.Height) + maxSide - 1) / maxSide
	o := Overview{raster.Pixels{Width: px.Width / f, Height: px.Height / f, Channels: px.Channels}, f}
	o.U8 = make([]uint8, o.Width*o.Height*o.Channels)
	for y := range o.Height {
		for x := range o.Width {
			for c := range o.Channels {
				var sum float32
				for dy := range f {
					for dx := range f {
						sum += px.At(x*f+dx, y*f+dy, c)
					}
				}
				o.U8[(y*o.Width+x)*o.Channels+c] = uint8(sum/float32(f*f) + 0.5)
			}
		}
	}
	return o
}

// trueEnds gives the mean places of the two ragged ends of a core, bark
// included: the outline of a piece runs along the upper rim, over 7 points of
// its far end, back along the lower rim and over 7 points of its near end.
func trueEnds(c phantom.CoreTruth) [2]measure.Point {
	mean := func(ps ...measure.Point) (m measure.Point) {
		for _, p := range ps {
			m[0], m[1] = m[0]+p[0]/float64(len(ps)), m[1]+p[1]/float64(len(ps))
		}
		return m
	}
	first, last := c.PiecesPx[0], c.PiecesPx[len(c.PiecesPx)-1]
	n, m := (len(first)-14)/2, (len(last)-14)/2
	near := append(slices.Clone(first[len(first)-7:]), first[0], first[2*n+6])
	return [2]measure.Point{mean(near...), mean(last[m-1 : m+8]...)}
}

// score compares the cores found with the truth.
type score struct {
	True, Found, Missed, Invented int
	Axis, Breadth                 []float64 // parts of the breadth
	End                           []float64 // mm
	GapsTrue, GapsFound, GapsHit  int
	GapsInvented                  int
	Order                         int // scans with cores in another order
	notes                         []string
}

func (s *score) add(name string, truth phantom.Truth, cores []raster.Core) {
	used := make([]bool, len(cores))
	s.True += len(truth.Cores)
	s.Found += len(cores)
	last, disorder := -1, false
	note := func(format string, a ...any) { s.notes = append(s.notes, name+": "+fmt.Sprintf(format, a...)) }
	for _, w := range truth.Cores {
		pxPerMM := 1 / w.MMPerPx[0]
		want := w.WidthMM * pxPerMM
		hit := -1
		for i, c := range cores {
			if used[i] {
				continue
			}
			near := 0
			for _, p := range w.CentrelinePx {
				if distanceTo(p, c.AxisPx) < 0.4*want {
					near++
				}
			}
			if 2*near > len(w.CentrelinePx) && c.BreadthPx < 1.6*want {
				hit = i
				break
			}
		}
		if hit < 0 {
			s.Missed++
			note("core %d missed", w.Position)
			continue
		}
		used[hit] = true
		if hit < last {
			disorder = true
		}
		last = hit
		c := cores[hit]
		var off []float64
		for _, p := range w.CentrelinePx {
			off = append(off, distanceTo(p, c.AxisPx)/want)
		}
		axis := quantile(off, 0.9)
		s.Axis = append(s.Axis, axis)
		breadth := c.BreadthPx/want - 1
		s.Breadth = append(s.Breadth, math.Abs(breadth))
		if axis > 0.05 || math.Abs(breadth) > 0.05 {
			note("core %d axis off %.3f, breadth %+.3f", w.Position, axis, breadth)
		}
		ends := trueEnds(w)
		a, b := c.AxisPx[0], c.AxisPx[len(c.AxisPx)-1]
		d0, d1 := math.Hypot(a[0]-ends[0][0], a[1]-ends[0][1]), math.Hypot(b[0]-ends[1][0], b[1]-ends[1][1])
		e0, e1 := math.Hypot(b[0]-ends[0][0], b[1]-ends[0][1]), math.Hypot(a[0]-ends[1][0], a[1]-ends[1][1])
		if e0+e1 < d0+d1 {
			d0, d1 = e0, e1
		}
		s.End = append(s.End, d0/pxPerMM, d1/pxPerMM)
		if math.Max(d0, d1)/pxPerMM > 0.5 {
			note("core %d ends off %.2f %.2f mm (bark %.1f)", w.Position, d0/pxPerMM, d1/pxPerMM, w.BarkMM)
		}
		s.gaps(w, c, note)
	}
	if disorder {
		s.Order++
		note("order differs")
	}
	for i, u := range used {
		if !u {
			s.Invented++
			x, y := middle(cores[i])
			note("invented at %.0f %.0f, breadth %.0f", x, y, cores[i].BreadthPx)
		}
	}
}

// gaps counts the true gaps that a found gap overlaps, within half a mm.
func (s *score) gaps(w phantom.CoreTruth, c raster.Core, note func(string, ...any)) {
	for _, g := range w.Gaps {
		if g.ToMM-g.FromMM < 0.25 {
			continue
		}
		s.GapsTrue++
		mid := (g.FromMM + g.ToMM) / 2
		p := pointAt(w, mid)
		hit := false
		for _, f := range c.Gaps {
			q := alongLine(c.AxisPx, (f.FromPx+f.ToPx)/2)
			reach := 0.5/w.MMPerPx[0] + (f.ToPx-f.FromPx)/2
			if math.Hypot(p[0]-q[0], p[1]-q[1]) < reach {
				hit = true
			}
		}
		if hit {
			s.GapsHit++
		} else {
			note("core %d (mounted %v) %s of %.2f mm at %.1f mm missed", w.Position, w.Mounted, g.Kind, g.ToMM-g.FromMM, mid)
		}
	}
	s.GapsFound += len(c.Gaps)
	for _, f := range c.Gaps {
		q := alongLine(c.AxisPx, (f.FromPx+f.ToPx)/2)
		near := math.Inf(1)
		for _, g := range w.Gaps {
			p := pointAt(w, (g.FromMM+g.ToMM)/2)
			near = math.Min(near, math.Hypot(p[0]-q[0], p[1]-q[1])*w.MMPerPx[0])
		}
		if near > 1 {
			s.GapsInvented++
			note("core %d (mounted %v) gap of %.2f mm at %.0f %.0f invented", w.Position, w.Mounted, (f.ToPx-f.FromPx)*w.MMPerPx[0], q[0], q[1])
		}
	}
}

func pointAt(w phantom.CoreTruth, s float64) measure.Point {
	i := sort.SearchFloat64s(w.CentrelineSMM, s)
	i = max(1, min(len(w.CentrelineSMM)-1, i))
	f := (s - w.CentrelineSMM[i-1]) / (w.CentrelineSMM[i] - w.CentrelineSMM[i-1])
	a, b := w.CentrelinePx[i-1], w.CentrelinePx[i]
	return measure.Point{a[0] + f*(b[0]-a[0]), a[1] + f*(b[1]-a[1])}
}

func alongLine(line []measure.Point, s float64) measure.Point {
	for i := 1; ; i++ {
		l := math.Hypot(line[i][0]-line[i-1][0], line[i][1]-line[i-1][1])
		if s <= l || i == len(line)-1 {
			f := s / l
			return measure.Point{line[i-1][0] + f*(line[i][0]-line[i-1][0]), line[i-1][1] + f*(line[i][1]-line[i-1][1])}
		}
		s -= l
	}
}

// furnish lays the cores of a tray anew: some on mounts, alone or in pairs,
// some touching one another, with empty mounts and labels between.
func furnish(t *phantom.Tray, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 77))
	f := furnisher{r: r, t: t, y: 8}
	for _, c := range t.Cores {
		f.long = math.Max(f.long, laidLength(c))
	}
	cores := t.Cores
	t.Mounts, t.Labels = nil, nil
	for i := 0; i < len(cores); {
		n := 1
		if i+1 < len(cores) && r.Float64() < 0.3 {
			n = 2
		}
		switch p := r.Float64(); {
		case p < 0.5:
			f.mount(cores[i : i+n])
		case n == 2:
			f.touching(cores[i : i+n])
		default:
			f.bare(&cores[i])
		}
		i += n
		if r.Float64() < 0.1 {
			f.mount(nil)
		}
	}
	f.finish()
}

type furnisher struct {
	r       *rand.Rand
	t       *phantom.Tray
	y, long float64 // mm
}

func (f *furnisher) between(a, b float64) float64 { return a + (b-a)*f.r.Float64() }

// laidLength is about how long a core lies, in mm.
func laidLength(c phantom.Core) float64 {
	l := c.LengthMM
	if l <= 0 {
		l = c.PithMM + 3
		for _, w := range c.Widths {
			l += w
		}
		l *= 1 + c.Shape.Eccentric
	}
	for _, b := range c.Breaks {
		l += b.OpeningMM
	}
	return l + c.BarkMM
}

const furnishMargin = 24 // mm left and right, where labels may lie

// lay puts a core's middle at x, y, seen along the turned frame.
func (f *furnisher) lay(c *phantom.Core, x, y, angle float64) {
	c.CentreMM = [2]float64{x, y}
	c.AngleDeg = angle
	if f.r.Float64() < 0.5 {
		c.AngleDeg += 180
		c.BowMM = -c.BowMM
	}
	// The wood is laid round its middle, the bark lies outside it.
	s, k := math.Sincos(c.AngleDeg * math.Pi / 180)
	c.CentreMM[0] += k * c.BarkMM / 2
	c.CentreMM[1] -= s * c.BarkMM / 2
}

func (f *furnisher) bare(c *phantom.Core) {
	half := c.BoreMM/2 + math.Abs(c.BowMM) + f.between(1.5, 4)
	angle := f.between(-1, 1) * math.Min(1.8, 180/laidLength(*c)) * 0.6
	half += laidLength(*c) / 2 * math.Abs(math.Sin(angle*math.Pi/180))
	f.y += half
	f.lay(c, furnishMargin+f.long/2+f.slack(laidLength(*c)), f.y, angle)
	f.y += half
	f.label(f.y-half, 2*half)
}

func (f *furnisher) slack(length float64) float64 { return f.between(-0.5, 0.5) * (f.long - length) }

// touching lays two bare cores side by side.
func (f *furnisher) touching(cs []phantom.Core) {
	a, b := &cs[0], &cs[1]
	a.BowMM, b.BowMM = 0, 0
	a.Breaks, b.Breaks = nil, nil
	f.y += 3 + a.BoreMM/2
	x := furnishMargin + f.long/2
	f.lay(a, x+f.slack(laidLength(*a)), f.y, 0)
	f.y += a.BoreMM/2 + b.BoreMM/2 + f.between(0, 0.1)
	f.lay(b, x+f.slack(laidLength(*b)), f.y, 0)
	f.y += b.BoreMM/2 + 3
}

// mount lays cores, one, two or none, in grooves of a mount.
func (f *furnisher) mount(cs []phantom.Core) {
	length, breadth := 0.4*f.long, f.between(1, 5)
	for i := range cs {
		length = math.Max(length, laidLength(cs[i]))
		breadth += cs[i].BoreMM
	}
	if len(cs) == 0 {
		breadth = f.between(6, 16)
	}
	gap := 0.0
	if len(cs) == 2 && f.r.Float64() < 0.5 {
		gap = f.between(0.5, 4)
		breadth += gap
	}
	breadth += f.between(2, 6)
	length += f.between(4, 25)
	angle := f.between(-1, 1) * 0.8
	half := breadth/2 + length/2*math.Abs(math.Sin(angle*math.Pi/180)) + 1.5
	f.y += half
	m := phantom.Mount{CentreMM: [2]float64{furnishMargin + f.long/2 + f.between(-3, 3), f.y}, AngleDeg: angle,
		LengthMM: length, BreadthMM: breadth, Grain: f.between(0.02, 0.12), GlueMM: f.between(0, 0.25)}
	base := phantom.RGB{210, 178, 138}
	if len(cs) > 0 {
		base = cs[0].Look.Early
	}
	shade, dark := f.between(0.8, 1.05), f.between(0.5, 0.95)
	for i := range m.Colour {
		m.Colour[i] = math.Min(250, base[i]*shade+f.between(-8, 8))
		m.Glue[i] = m.Colour[i] * dark * f.between(0.95, 1.05)
	}
	s, k := math.Sincos(angle * math.Pi / 180)
	at := -gap / 2
	for i := range cs {
		at -= cs[i].BoreMM / 2
	}
	at += f.between(-0.5, 0.5)
	for i := range cs {
		c := &cs[i]
		c.Marks.Mounted = true
		c.BowMM = math.Max(-0.6, math.Min(0.6, c.BowMM))
		for j := range c.Breaks {
			c.Breaks[j].ShiftMM, c.Breaks[j].TurnDeg = 0.2*c.Breaks[j].ShiftMM, 0.1*c.Breaks[j].TurnDeg
		}
		l := laidLength(*c)
		p := f.between(-0.5, 0.5) * (length - l - 3)
		q := at + c.BoreMM/2
		at += c.BoreMM + gap
		// The frame's y axis points down, angles run anticlockwise.
		f.lay(c, m.CentreMM[0]+k*p+s*q, m.CentreMM[1]-s*p+k*q, angle)
		from, to := p-l/2, p+l/2
		if f.r.Float64() < 0.3 { // the groove runs through
			from, to = -length/2, length/2
		}
		m.Grooves = append(m.Grooves, phantom.Groove{OffMM: q, FromMM: from, ToMM: to, BreadthMM: c.BoreMM})
	}
	if len(cs) == 0 && f.r.Float64() < 0.5 {
		m.Grooves = append(m.Grooves, phantom.Groove{FromMM: -length * 0.45, ToMM: length * 0.45, BreadthMM: f.between(3, 6)})
	}
	f.t.Mounts = append(f.t.Mounts, m)
	if f.r.Float64() < 0.3 && len(cs) > 0 { // a label stuck on the mount's end, over nothing
		f.paper(m.CentreMM[0]+k*(length/2+3), f.y-breadth/2, f.between(10, 18), breadth*0.9)
	}
	f.y += half
	f.label(f.y-2*half, 2*half)
}

// label may put a label left of what lies between y and y+height.
func (f *furnisher) label(y, height float64) {
	if f.r.Float64() < 0.35 {
		f.paper(f.between(2, 5), y, f.between(10, 16), math.Min(height, f.between(4, 9)))
	}
}

func (f *furnisher) paper(x, y, w, h float64) {
	f.t.Labels = append(f.t.Labels, phantom.Label{AtMM: [2]float64{x, y}, AngleDeg: f.between(-3, 3), LengthMM: w, BreadthMM: h,
		Paper: phantom.RGB{f.between(225, 250), f.between(225, 248), f.between(205, 245)}, Ink: phantom.RGB{20, 20, 40}, Lines: []string{"HRB-07", "plot 3"}})
}

// finish puts the ruler below and turns a standing tray.
func (f *furnisher) finish() {
	t := f.t
	w := f.long + 2*furnishMargin
	f.y += 4
	if t.Ruler != nil {
		t.Ruler.AtMM = [2]float64{10, f.y + 4}
		t.Ruler.AngleDeg = 0
		f.y += t.Ruler.BreadthMM + 8
		w = math.Max(w, t.Ruler.LengthMM+2*t.Ruler.MarginMM+20)
	}
	h := f.y + 6
	if t.Upright {
		turn := func(p *[2]float64, a *float64) { *p, *a = [2]float64{p[1], w - p[0]}, *a+90 }
		for i := range t.Cores {
			turn(&t.Cores[i].CentreMM, &t.Cores[i].AngleDeg)
		}
		for i := range t.Mounts {
			turn(&t.Mounts[i].CentreMM, &t.Mounts[i].AngleDeg)
		}
		for i := range t.Labels {
			turn(&t.Labels[i].AtMM, &t.Labels[i].AngleDeg)
		}
		if t.Ruler != nil {
			turn(&t.Ruler.AtMM, &t.Ruler.AngleDeg)
		}
		w, h = h, w
	}
	t.WidthPx, t.HeightPx = int(w/t.MMPerPx[0]), int(h/t.MMPerPx[1])
}

func avoidOf(t phantom.Truth) [][]measure.Point {
	if t.Ruler == nil {
		return nil
	}
	b := t.Ruler.BoxPx
	return [][]measure.Point{{{b[0], b[1]}, {b[2], b[1]}, {b[2], b[3]}, {b[0], b[3]}}}
}

// seeds are the phantoms looked at: a few, or PITHWARD_SEEDS=from-to.
func seeds(t testing.TB, from, to uint64) (uint64, uint64) {
	if s := os.Getenv("PITHWARD_SEEDS"); s != "" {
		if _, err := fmt.Sscanf(s, "%d-%d", &from, &to); err != nil {
			t.Fatal(err)
		}
	}
	return from, to
}

// TestFindCoresPhantom finds the cores of trays as bad as the renderer draws them,
// half the resolution and no scale: no worse than this. Bare cores of two kinds that
// touch over a part of their length are what is missed on two of these trays.
// PITHWARD_SEEDS=1-30 with -v tells of others, PITHWARD_DRAW=DIR draws them.
func TestFindCoresPhantom(t *testing.T) {
	const missed, invented = 2, 1 // of 32 cores
	from, to := seeds(t, 1, 6)
	dpi := 600.0
	if v, err := strconv.ParseFloat(os.Getenv("PITHWARD_DPI"), 64); err == nil {
		dpi = v
	}
	var s score
	for seed := from; seed <= to; seed++ {
		pic, truth := phantom.Render(trayFor(seed, dpi), seed)
		px := pic.Pixels()
		o := reduce(px, 1800)
		cores, _, err := FindCores(px, o, Hints{Avoid: avoidOf(truth)})
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("seed-%d", seed)
		draw(t, o, cores, name)
		s.add(name, truth, cores)
	}
	s.report(t)
	if own := os.Getenv("PITHWARD_SEEDS") != "" || dpi != 600; !own && (s.Missed > missed || s.Invented > invented) {
		t.Errorf("%d cores missed and %d invented, written down %d and %d", s.Missed, s.Invented, missed, invented)
	}
}

// trayFor draws a tray of 1 to 8 cores, a quarter of the trays standing, a
// fifth gray.
func trayFor(seed uint64, dpi float64) phantom.Tray {
	r := rand.New(rand.NewPCG(seed, 76))
	tray := phantom.RandomTray(seed, phantom.Options{DPI: dpi, Upright: r.Float64() < 0.25, Cores: 1 + r.IntN(8)})
	tray.Gray = r.Float64() < 0.2
	furnish(&tray, seed)
	return tray
}

func (s *score) report(t *testing.T) {
	for _, n := range s.notes {
		t.Log(n)
	}
	t.Logf("%d cores, %d found, %d missed, %d invented; axis median %.4f max %.4f; breadth median %.4f max %.4f; ends median %.3f p95 %.3f max %.3f mm; gaps %d true, %d hit, %d found, %d invented; %d out of order",
		s.True, s.Found, s.Missed, s.Invented, quantile(s.Axis, 0.5), quantile(s.Axis, 1), quantile(s.Breadth, 0.5), quantile(s.Breadth, 1),
		quantile(s.End, 0.5), quantile(s.End, 0.95), quantile(s.End, 1), s.GapsTrue, s.GapsHit, s.GapsFound, s.GapsInvented, s.Order)
}

// benchTray is a large tray: ten cores of 300 mm at 1200 dpi are 14000 px
// long; here the same number of px, with shorter cores.
func benchTray(b *testing.B) (*Scan, phantom.Truth) {
	b.Helper()
	tray := trayFor(8, 1200)
	pic, truth := phantom.Render(tray, 8)
	s, err := ReadScan(savePNG(b, pic))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.Close)
	return s, truth
}

func BenchmarkOverview(b *testing.B) {
	s, _ := benchTray(b)
	for b.Loop() {
		if _, err := s.Overview(1800); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(s.Pixels().Width*s.Pixels().Height)/1e6, "Mpx")
}

func BenchmarkFindCores(b *testing.B) {
	s, truth := benchTray(b)
	o, err := s.Overview(1800)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := FindCores(s.Pixels(), o, Hints{Avoid: avoidOf(truth)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(s.Pixels().Width*s.Pixels().Height)/1e6, "Mpx")
}

func BenchmarkFindGround(b *testing.B) {
	s, truth := benchTray(b)
	o, err := s.Overview(overviewSide)
	if err != nil {
		b.Fatal(err)
	}
	t := newTint(o.Pixels)
	avoid := newMask(t.w, t.h)
	for _, poly := range avoidOf(truth) {
		for i, p := range poly {
			poly[i][0], poly[i][1] = o.FromScan(p[0], p[1])
		}
		avoid.fill(poly)
	}
	for b.Loop() {
		findGround(t, avoid)
	}
}

// BenchmarkMeasurePieces measures one core along its true axis.
func BenchmarkMeasurePieces(b *testing.B) {
	s, truth := benchTray(b)
	o, err := s.Overview(overviewSide)
	if err != nil {
		b.Fatal(err)
	}
	t := newTint(o.Pixels)
	f := finder{px: s.Pixels(), o: o, ground: findGround(t, newMask(t.w, t.h))}
	objects, err := f.ground.objects(t, roughSpread(t), newMask(t.w, t.h))
	if err != nil {
		b.Fatal(err)
	}
	if f.sure, err = surely(objects); err != nil {
		b.Fatal(err)
	}
	core := truth.Cores[0]
	b.ReportAllocs()
	for b.Loop() {
		if len(f.measurePieces(core.CentrelinePx, core.WidthMM/truth.MMPerPx[0]/2)) == 0 {
			b.Fatal("no piece")
		}
	}
}
