package vision

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	"pithward/vision/raster"
)

// bench lays cores on a small dark tray at 600 dpi.
type bench struct {
	t    *testing.T
	tray phantom.Tray
	r    *rand.Rand
	seed uint64
}

func newBench(t *testing.T, seed uint64) *bench {
	b := &bench{t: t, r: rand.New(rand.NewPCG(seed, 5)), seed: seed}
	b.tray = phantom.Tray{Name: fmt.Sprintf("bench-%d", seed), WidthPx: 2600, HeightPx: 900, DPI: 600,
		Ground:  phantom.Ground{Colour: phantom.RGB{24, 24, 26}, Blotch: 1, Grain: 1, Shadow: 0.3},
		Scanner: phantom.Scanner{BlurPx: 0.7, Noise: 1, PixelNoise: 0.8}}
	return b
}

// core draws a core of the given wood and bore, about 60 mm long.
func (b *bench) core(wood measure.Wood, bore float64) phantom.Core {
	c := phantom.RandomCore(b.r, wood, phantom.Options{Plain: true, LengthMM: 60})
	c.BoreMM, c.FlatMM, c.BowMM, c.BarkMM, c.OuterLostMM, c.Partial = bore, 0.92*bore, 0, 0, 0, 0
	c.LengthMM, c.PithMissMM = 55, 1
	return c
}

// lay puts a bare core down with its middle at x, y mm.
func (b *bench) lay(c phantom.Core, x, y, angle float64) {
	c.CentreMM, c.AngleDeg = [2]float64{x, y}, angle
	b.tray.Cores = append(b.tray.Cores, c)
}

// mount lays cores side by side on one mount, in grooves that end beyond mm
// past them (the mount's own ends with a negative number), each shifted along
// by its share of stagger mm.
func (b *bench) mount(y, beyond, stagger, dark float64, cores ...phantom.Core) {
	m := phantom.Mount{CentreMM: [2]float64{55, y}, LengthMM: 90, BreadthMM: 8, Colour: phantom.RGB{196, 158, 116},
		Grain: 0.03, Glue: phantom.RGB{168, 138, 92}, GlueMM: 0.05}
	sum := 0.0
	for _, c := range cores {
		sum += c.FlatMM
	}
	m.BreadthMM += sum
	q := -sum / 2
	for i, c := range cores {
		c.Marks.Mounted = true
		c.BoreMM = c.FlatMM
		q += c.BoreMM / 2
		p := stagger * (float64(i) - float64(len(cores)-1)/2)
		half := (c.LengthMM + c.BarkMM) / 2
		b.lay(c, 55+p+c.BarkMM/2, y+q, 0)
		g := phantom.Groove{OffMM: q, FromMM: p - half - beyond, ToMM: p + half + beyond, CoreMM: [2]float64{p - half, p + half}, BreadthMM: c.BoreMM, Dark: dark}
		if beyond < 0 {
			g.FromMM, g.ToMM = -46, 46
		}
		m.Grooves = append(m.Grooves, g)
		q += c.BoreMM / 2
	}
	b.tray.Mounts = append(b.tray.Mounts, m)
}

// score finds the cores and compares them with the truth.
func (b *bench) score(name string) score {
	b.t.Helper()
	pic, truth := phantom.Render(b.tray, b.seed)
	o := reduce(pic.Pixels(), 1800)
	mm := [2]float64{25.4 / 600, 25.4 / 600}
	cores, _, err := FindCores(pic.Pixels(), o, Hints{MMPerPx: &mm})
	if err != nil {
		b.t.Fatal(err)
	}
	draw(b.t, o, cores, name)
	var s score
	s.add(name, truth, cores)
	for _, n := range s.notes {
		b.t.Log(n)
	}
	return s
}

// all fails the test unless every core is found, none invented, and all ends
// lie within off mm of the true ones.
func (s score) all(t *testing.T, off float64) {
	t.Helper()
	if s.Missed > 0 || s.Invented > 0 {
		t.Errorf("%d of %d cores missed, %d invented", s.Missed, s.True, s.Invented)
	}
	for _, d := range s.End {
		if d > off {
			t.Errorf("an end is %.2f mm off, limit %.2f", d, off)
		}
	}
}

// Whatever labs do to their trays: all cores are found, and nothing else.
func TestHardTrays(t *testing.T) {
	woods := []measure.Wood{measure.Conifer, measure.RingPorous, measure.DiffusePorous}
	for name, c := range map[string]struct {
		off float64 // mm the ends may be off: none smaller than a ragged face
		lay func(b *bench)
	}{
		"pairs of smooth wood on one mount": {0.7, func(b *bench) {
			b.mount(12, -1, 12, 0.7, b.core(measure.DiffusePorous, 4.3), b.core(measure.DiffusePorous, 4.3))
			b.mount(28, 0, -9, 0.7, b.core(measure.DiffusePorous, 5.15), b.core(measure.DiffusePorous, 4.3))
		}},
		"bark in a dark groove": {0.7, func(b *bench) {
			k := b.core(measure.DiffusePorous, 5.15)
			k.BarkMM = 2.5
			b.mount(12, -1, 0, 0.6, k)
			k = b.core(measure.RingPorous, 5.15)
			k.BarkMM = 3
			b.mount(28, -1, 0, 0.5, k)
		}},
		"standing": {0.7, func(b *bench) {
			for i, w := range woods {
				b.lay(b.core(w, 5.15), 12+12*float64(i), 50, 90)
			}
			b.tray.Upright, b.tray.WidthPx, b.tray.HeightPx = true, 1100, 2400
		}},
		"fragments": {0.7, func(b *bench) {
			for i, w := range woods {
				k := b.core(w, 5.15)
				k.LengthMM = 13
				b.lay(k, 30+10*float64(i), 8+10*float64(i), 2)
			}
		}},
		"straws beside cores": {0.7, func(b *bench) {
			for i, w := range woods {
				y := 8 + 10*float64(i)
				b.lay(b.core(w, 5.15), 40, y, 0)
				b.tray.Labels = append(b.tray.Labels, phantom.Straw([2]float64{75, y - 3.2}, 0, 30, 6.4))
			}
		}},
		"tape and labels across cores": {0.7, func(b *bench) {
			for i, w := range woods {
				y := 9 + 11*float64(i)
				b.lay(b.core(w, 5.15), 45, y, 0)
				tape := phantom.Label{AtMM: [2]float64{36 + 6*float64(i), y - 4.5}, LengthMM: 8, BreadthMM: 9, Paper: phantom.RGB{214, 190, 140}}
				if i == 1 {
					tape.Paper, tape.Ink, tape.Lines = phantom.RGB{240, 240, 234}, phantom.RGB{20, 20, 40}, []string{"P 3"}
				}
				b.tray.Labels = append(b.tray.Labels, tape)
			}
		}},
		"a long stretch without rings": {0.7, func(b *bench) {
			for i, w := range woods {
				k := b.core(w, 5.15)
				k.Ringless = [2]float64{15, 45}
				b.lay(k, 40, 8+10*float64(i), 1)
			}
		}},
		// Its columns are coarse, and a clean ring at the end may go with the groove.
		"a thick core on a narrow mount": {2, func(b *bench) {
			b.mount(18, 5, 0, 0.6, b.core(measure.RingPorous, 12))
			b.tray.Mounts[0].BreadthMM -= 3.6
		}},
		"painted mounts": {0.7, func(b *bench) {
			b.mount(12, -1, 0, 0.6, b.core(measure.DiffusePorous, 5.15))
			b.mount(28, 3, 0, 0.6, b.core(measure.Conifer, 5.15))
			for i, paint := range []phantom.RGB{{60, 92, 126}, {240, 240, 236}} {
				b.tray.Mounts[i].Colour, b.tray.Mounts[i].Grain = paint, 0
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := uint64(1); seed <= 2; seed++ {
				b := newBench(t, seed)
				c.lay(b)
				b.score(fmt.Sprintf("%s %d", name, seed)).all(t, c.off)
			}
		})
	}
}

// Broad clean rings are as calm as the mount they lie on, and yet no floor of the
// groove; what is, bounds the core.
func TestEndsInGrooves(t *testing.T) {
	const dpi = 600
	pic, truth := phantom.Render(trayFor(217, dpi), 217)
	mm := [2]float64{25.4 / dpi, 25.4 / dpi}
	px := pic.Pixels()
	cores, _, err := FindCores(px, reduce(px, 1800), Hints{Avoid: avoidOf(truth), MMPerPx: &mm})
	if err != nil {
		t.Fatal(err)
	}
	var s score
	s.add("seed 217", truth, cores)
	for _, n := range s.notes {
		t.Log(n)
	}
	s.all(t, 0.7)
}

func TestFloorFrom(t *testing.T) {
	const wood, calm = 4.0, 0.0
	stretch := func(runs ...int) (stir []float64) { // wood and floor by turns
		for i, n := range runs {
			for range n {
				stir = append(stir, [2]float64{wood, calm}[i%2])
			}
		}
		return stir
	}
	none := math.MaxInt32
	for _, c := range []struct {
		name     string
		stir     []float64
		at, side int
		want     int
	}{
		{"floor just beyond", stretch(20, 10, 5), 20, 1, 20},
		{"the face reaches on to the floor", stretch(20, 10, 5), 17, 1, 20},
		{"less than a run is no floor", stretch(20, calmRun-1, 5), 20, 1, none},
		{"none at all", stretch(40), 20, 1, none},
		{"at the near end", stretch(5, 10, 20), 15, -1, 14},
		{"none at the near end", stretch(40), 20, -1, -none},
	} {
		if got := floorFrom(c.stir, c.at, c.side); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// The squares of a cutting mat are no objects; what one rim alone encloses is.
func TestFillHoles(t *testing.T) {
	frame := func(m mask, x0, y0, x1, y1 int) {
		for x := x0; x <= x1; x++ {
			m.on[y0*m.w+x], m.on[y1*m.w+x] = 255, 255
		}
		for y := y0; y <= y1; y++ {
			m.on[y*m.w+x0], m.on[y*m.w+x1] = 255, 255
		}
	}
	ruled, rimmed := newMask(200, 200), newMask(200, 200)
	for x := 10; x < 180; x += 20 {
		for y := 10; y < 180; y += 20 {
			frame(ruled, x, y, x+20, y+20)
		}
	}
	frame(rimmed, 40, 40, 120, 48)
	for _, c := range []struct {
		name string
		m    mask
		want bool
	}{{"ruled", ruled, false}, {"rimmed", rimmed, true}} {
		if err := c.m.fillHoles(newMask(200, 200), newMask(200, 200)); err != nil {
			t.Fatal(err)
		}
		if got := c.m.on[44*200+60] != 0; got != c.want {
			t.Errorf("%s: filled %v, want %v", c.name, got, c.want)
		}
	}
}

// A core broken off near its heartwood is one, as what faces the break is alike;
// pieces unlike all over are two.
func TestContinuesByColour(t *testing.T) {
	sap, heart := [3]float64{190, 30, 50}, [3]float64{140, 45, 70}
	piece := func(x0, x1 float64, whole, near, far [3]float64) []*piece {
		return []*piece{{axis: []measure.Point{{x0, 50}, {x1, 50}}, breadth: 20, colour: whole, atEnds: [2][3]float64{near, far}}}
	}
	long := piece(0, 300, heart, heart, sap)
	if _, ok := continues(long, piece(310, 400, sap, sap, sap)); !ok {
		t.Error("sapwood that meets sapwood is parted")
	}
	if _, ok := continues(piece(0, 300, heart, heart, heart), piece(310, 400, sap, sap, sap)); ok {
		t.Error("pieces unlike all over are joined")
	}
}

// A faint seam parts what is about twice as broad as the tray's other cores, and
// no core of the usual breadth; a line without unlike sides parts nothing.
func TestSeamInBroadPatch(t *testing.T) {
	faint := seam{strength: 0.82, within: 0.35, through: 0.23, step: 5.8, narrow: 0.46} // of two touching smooth cores
	thick := seam{strength: 0.81, within: 0.34, through: 0.31, step: 3.6, narrow: 0.4}  // a line along a 12 mm core
	rim := seam{strength: 0.86, within: 0.42, through: 0.27, step: 49, narrow: 0.1}     // of a mount beside porous wood
	even := seam{strength: 0.82, within: 0.35, through: 0.23, step: 2.5, narrow: 0.46}
	for _, c := range []struct {
		name  string
		seam  seam
		broad bool
		want  bool
	}{{"faint, broad", faint, true, true}, {"faint, usual", faint, false, false}, {"alike, broad", even, true, false},
		{"a thick core", thick, true, false}, {"a mount's rim", rim, true, true}} {
		if got := c.seam.parts(c.broad); got != c.want {
			t.Errorf("%s: parts %v, want %v", c.name, got, c.want)
		}
	}
}

// Of two cores side by side the shorter one's patch is only where it lies.
func TestBesideSeam(t *testing.T) {
	p := patch{k0: 10, k1: 50}
	s := seam{k0: 10}
	for k := range 40 {
		bottom := 56.0 // the longer core's ragged rim
		if k >= 22 {
			bottom = 100
		}
		p.top, p.bottom, s.rows = append(p.top, 0), append(p.bottom, bottom), append(s.rows, 48)
	}
	if q, ok := p.beside(s, 1); !ok || q.k0 != 32 || q.k1 != 50 || len(q.top) != 18 {
		t.Errorf("the shorter core's patch runs from %d to %d, want 32 to 50", q.k0, q.k1)
	}
	if q, ok := p.beside(s, 0); !ok || q.k0 != 10 || q.k1 != 50 {
		t.Errorf("the longer core's patch runs from %d to %d, want 10 to 50", q.k0, q.k1)
	}
}

// Smooth wood in a groove is a core by its colour and roughness; paint is not.
func TestSmoothWoodInGroove(t *testing.T) {
	f := finder{px: raster.Pixels{Channels: 3}, o: Overview{Factor: 4}}
	wood, paint := [3]float64{190, 30, 55}, [3]float64{180, 2, 5}
	for _, c := range []struct {
		name         string
		power, plain float64
		colour       [3]float64
		want         bool
	}{
		{"smooth wood", 1.3, 0.7, wood, true},
		{"brown paint", 0.4, 0.7, wood, false},
		{"gray paint, rough", 1.3, 0.7, paint, false},
		{"a strip of brown paper, printed", 1.3, 0.1, wood, false},
		{"wood with layers", 6, 0.3, wood, true},
	} {
		p := &piece{axis: []measure.Point{{0, 0}, {1000, 0}}, breadth: 200, agree: 0.2, windows: 20, power: c.power, plain: c.plain, colour: c.colour}
		if got := f.isCore([]*piece{p}); got != c.want {
			t.Errorf("%s: a core %v, want %v", c.name, got, c.want)
		}
	}
}
