package phantom

import (
	"fmt"
	"math"
	"math/rand/v2"

	"pithward/measure"
)

// Options narrow what RandomTray draws. Zero values leave it to chance.
type Options struct {
	Wood     measure.Wood // of every core; "": mixed
	DPI      float64      // 0: 1200
	Cores    int          // 0: 2 to 6
	LengthMM float64      // about how long the cores are; 0: 50 to 110
	Plain    bool         // clean wood, dark tray, true scale: nothing goes wrong
	Upright  bool
	NoRuler  bool
	Close    bool // cores close together, without ruler and labels: little but wood
	Wild     bool // wood of more kinds than trays usually hold, to learn from
}

// RandomTray draws a tray from a seed.
func RandomTray(seed uint64, o Options) Tray {
	r := newRand(seed, 10)
	t := Tray{Name: fmt.Sprintf("tray-%d", seed), DPI: o.DPI, Upright: o.Upright, Bits: 8}
	if t.DPI <= 0 {
		t.DPI = 1200
	}
	n := o.Cores
	if n <= 0 {
		n = 2 + r.IntN(5)
	}
	drawScale(r, &t, o)
	drawGround(r, &t, o)
	t.Scanner = randomScanner(r, t.DPI, o)
	for i := range n {
		wood := o.Wood
		if wood == "" {
			wood = []measure.Wood{measure.Conifer, measure.RingPorous, measure.DiffusePorous}[r.IntN(3)]
		}
		c := RandomCore(r, wood, o)
		c.ID = fmt.Sprintf("%s-%02d", t.Name, i+1)
		t.Cores = append(t.Cores, c)
	}
	Arrange(r, &t, o)
	return t
}

func drawScale(r *rand.Rand, t *Tray, o Options) {
	nominal := 25.4 / t.DPI
	t.MMPerPx, t.TagDPI = [2]float64{nominal, nominal}, [2]float64{t.DPI, t.DPI}
	if o.Plain {
		return
	}
	both := 1 + 0.001*r.NormFloat64()
	t.MMPerPx[0] *= both * (1 + between(r, -0.0012, 0.0012))
	t.MMPerPx[1] *= both * (1 + between(r, -0.0015, 0.0015))
	switch {
	case chance(r, 0.15):
		t.TagDPI = [2]float64{}
	case chance(r, 0.15):
		t.TagDPI = [2]float64{72, 72}
	}
}

func drawGround(r *rand.Rand, t *Tray, o Options) {
	g := &t.Ground
	grounds := []RGB{
		{24, 24, 26}, {38, 40, 44}, {16, 18, 20}, // black cloth, dark board
		{243, 243, 240}, {228, 229, 227}, // white lid
		{120, 122, 124}, {84, 86, 88}, // grey
		{40, 74, 120}, {34, 92, 66}, {128, 46, 44}, // coloured card
	}
	g.Colour = grounds[r.IntN(len(grounds))]
	if o.Plain {
		g.Colour = grounds[r.IntN(3)]
	}
	for i := range g.Colour {
		g.Colour[i] = clampTo(g.Colour[i]+between(r, -6, 6), 3, 250)
	}
	g.Blotch, g.Grain = between(r, 0.3, 2.2), between(r, 0.3, 2)
	g.Shadow = between(r, 0.15, 0.6)
	g.Striped = !o.Plain && chance(r, 0.2)
	if !o.Plain {
		t.DustPerCM2, t.HairsPerDM2 = logBetween(r, 0.05, 2), between(r, 0, 3)
	}
}

func randomScanner(r *rand.Rand, dpi float64, o Options) Scanner {
	s := Scanner{BlurPx: between(r, 0.55, 1.0), Noise: between(r, 0.5, 2), PixelNoise: between(r, 0.4, 1.5),
		Vignette: between(r, 0, 0.04), Banding: between(r, 0, 0.35)}
	if o.Plain {
		s.Banding, s.Vignette = 0, 0
		return s
	}
	// Optics, not the pixel, limit a scanner at high resolution.
	s.BlurPx = min(1.3, s.BlurPx*math.Sqrt(max(1, dpi/1200)))
	if chance(r, 0.3) {
		s.Sharpen = between(r, 0.2, 0.7)
	}
	warm := between(r, -0.05, 0.05)
	s.Gain = [3]float64{1 + warm, 1, 1 - warm}
	return s
}

// RandomCore draws a core of the given wood, not yet laid.
func RandomCore(r *rand.Rand, wood measure.Wood, o Options) Core {
	c := Core{Wood: wood, PithMM: between(r, 0.3, 1.2), OuterYear: 1990 + r.IntN(34)}
	bores := []float64{4.3, 4.3, 4.3, 5.15, 5.15, 5.15, 5.15, 12}
	c.BoreMM = bores[r.IntN(len(bores))]
	c.FlatMM = c.BoreMM * between(r, 0.78, 0.97)
	length := o.LengthMM
	if length <= 0 {
		length = logBetween(r, 50, 110)
	}
	length *= between(r, 0.9, 1.05)
	c.Species, length = drawGrowth(r, &c, length, o)
	c.Look = RandomLook(r, wood)
	if o.Wild {
		wildLook(r, &c.Look, wood)
	}
	drawEnds(r, &c, length, o)
	c.Shape = Shape{Eccentric: between(r, 0, 0.2), WaveMM: between(r, 0.02, 0.12), WaveArcMM: logBetween(r, 5, 25),
		RoughMM: between(r, 0.003, 0.01)}
	if o.Plain {
		c.Shape.WaveMM *= 0.5
		c.Look.FalseRings, c.Look.PaleYears, c.Look.BlueStain, c.Look.Compression = 0, 0, 0, 0
		return c
	}
	c.BowMM = 0.006 * length * r.NormFloat64()
	drawBreaks(r, &c)
	drawMarks(r, &c)
	return c
}

// drawGrowth draws the widths so that they fill a stem about as thick as the
// core is long, and gives a species and how long the core is to be.
func drawGrowth(r *rand.Rand, c *Core, length float64, o Options) (string, float64) {
	names := map[measure.Wood][]string{
		measure.Conifer:       {"Pinus sylvestris", "Picea abies", "Larix decidua", "Abies alba"},
		measure.RingPorous:    {"Quercus robur", "Fraxinus excelsior", "Quercus petraea", "Castanea sativa"},
		measure.DiffusePorous: {"Fagus sylvatica", "Acer pseudoplatanus", "Betula pendula", "Carpinus betulus"},
	}[c.Wood]
	g := Growth{MeanMM: logBetween(r, 0.45, 2.6), Sensitivity: between(r, 0.15, 0.42), AR1: between(r, 0.2, 0.65),
		Juvenile: between(r, 1, 3), HalfYears: between(r, 8, 40), FloorMM: 0.09}
	if chance(r, 0.12) {
		g.MeanMM, g.FloorMM = between(r, 0.25, 0.4), 0.065
	}
	if o.Wild {
		length *= wildGrowth(r, &g, c.Wood)
	}
	switch c.Wood {
	case measure.RingPorous:
		g.MeanMM, g.FloorMM = max(g.MeanMM, 0.7), 0.28
		g.Sensitivity = min(g.Sensitivity, 0.32)
	case measure.DiffusePorous:
		g.MeanMM, g.FloorMM = max(g.MeanMM, 0.6), 0.2
	}
	stem := length
	if chance(r, 0.5) {
		stem *= between(r, 1.1, 2.5) // the core stops short of the pith
	}
	c.Widths = g.Widths(r, max(8, int(stem/g.MeanMM)))
	return names[r.IntN(len(names))], length
}

// drawEnds says what the core's ends look like and how it passes the pith.
func drawEnds(r *rand.Rand, c *Core, length float64, o Options) {
	var sum float64
	for _, w := range c.Widths {
		sum += w
	}
	if chance(r, 0.65) {
		c.BarkMM = logBetween(r, 0.6, 5)
		if chance(r, 0.35) {
			c.Partial = between(r, 0.25, 0.85)
		}
	} else if chance(r, 0.6) {
		c.OuterLostMM = between(r, 0.1, 0.9) * c.Widths[0]
	}
	radius := sum + c.PithMM - c.OuterLostMM
	if radius < length*1.08 && chance(r, 0.6) {
		c.PithMissMM = between(r, -0.25, 0.25) * c.FlatMM
		c.LengthMM = 0 // on past the pith
		if !o.Plain && chance(r, 0.35) {
			c.PastMM = min(logBetween(r, 4, 30), 0.6*radius)
		}
		return
	}
	c.PithMissMM = between(r, -1, 1) * min(18, radius*0.2)
	// Stop where the rings would cross too obliquely.
	c.LengthMM = min(length, radius-math.Abs(c.PithMissMM)/math.Tan(between(r, 20, 32)*math.Pi/180)-2)
	c.LengthMM = max(c.LengthMM, min(20, radius-3))
}

func drawBreaks(r *rand.Rand, c *Core) {
	length := c.LengthMM
	if length <= 0 {
		for _, w := range c.Widths {
			length += w
		}
	}
	at := 0.0
	for len(c.Breaks) < 3 {
		at += length * between(r, 0.15, 0.9) * 1.4
		if at > length-4 {
			return
		}
		if !chance(r, 0.4) {
			continue
		}
		b := Break{AtMM: at, OpeningMM: logBetween(r, 0.05, 1.2), Kind: measure.Crack}
		if chance(r, 0.5) {
			b.Kind = measure.Break
			b.OpeningMM = logBetween(r, 0.15, 2)
			b.ShiftMM, b.TurnDeg = 0.25*r.NormFloat64(), 0.7*r.NormFloat64()
			if chance(r, 0.15) {
				b.Kind, b.LostMM, b.OpeningMM = measure.Lost, between(r, 0.5, 4), between(r, 0.8, 3)
			}
		}
		c.Breaks = append(c.Breaks, b)
	}
}

func drawMarks(r *rand.Rand, c *Core) {
	m := &c.Marks
	m.Scratches = between(r, 0, 0.8)
	if c.Wood == measure.DiffusePorous {
		m.Scratches *= 0.6 // sanded finer, since its rings are hard to see
	}
	m.BorerMarks = between(r, 0, 0.8)
	m.Cracks = between(r, 0, 2.5)
	m.Checks = between(r, 0, 1.2)
	m.PencilDots = chance(r, 0.25)
	if chance(r, 0.25) {
		m.Smears = between(r, 0.8, 2.5)
	}
	if chance(r, 0.1) {
		m.PencilLines = between(r, 0.5, 2)
	}
}

// BigTray draws the tray that speed is judged by: ten clean cores of 270 mm
// and a ruler at 1200 dpi, 14000 x 6000 px.
func BigTray(seed uint64) Tray { return LongTray(seed, 10) }

// LongTray is a tray like BigTray with another number of cores.
func LongTray(seed uint64, cores int) Tray {
	r := newRand(seed, 11)
	o := Options{DPI: 1200, Plain: true}
	t := Tray{Name: "big", WidthPx: 14000, HeightPx: 1464 + cores*4536/10, DPI: 1200}
	drawScale(r, &t, o)
	drawGround(r, &t, o)
	t.Scanner = randomScanner(r, t.DPI, o)
	woods := []measure.Wood{measure.Conifer, measure.Conifer, measure.RingPorous, measure.DiffusePorous}
	for i := range cores {
		o.LengthMM = 285
		c := RandomCore(r, woods[i%len(woods)], o)
		c.ID = fmt.Sprintf("big-%02d", i+1)
		c.BoreMM, c.FlatMM, c.LengthMM = 5.15, 4.6, 270
		c.PithMissMM = between(r, -1.5, 1.5)
		c.CentreMM = [2]float64{148, 10 + 9.6*float64(i)}
		c.AngleDeg = float64(r.IntN(2)) * 180
		t.Cores = append(t.Cores, c)
	}
	t.Ruler = RandomRuler(r, 280, o)
	t.Ruler.AtMM, t.Ruler.BreadthMM = [2]float64{9, 10 + 9.6*float64(cores)}, 15
	return t
}

// RandomLook draws colours and tissues for a kind of wood.
func RandomLook(r *rand.Rand, wood measure.Wood) Look {
	l := Look{Bark: RGB{96, 66, 50}.mix(RGB{50, 38, 34}, r.Float64()), InnerBark: RGB{126, 78, 54}.mix(RGB{92, 62, 46}, r.Float64()), EdgeMM: between(r, 0.02, 0.06), Contrast: between(r, 0.6, 1),
		Grain: between(r, 0.015, 0.05), Streak: between(r, 0.015, 0.05), Patchy: between(r, 0.01, 0.035)}
	hue := r.Float64()
	switch wood {
	case measure.RingPorous:
		l.Early = RGB{214, 186, 148}.mix(RGB{226, 206, 176}, hue)
		l.Late = RGB{128, 92, 60}.mix(RGB{150, 116, 82}, hue)
		l.VesselMM, l.Rows, l.PoreMM = between(r, 0.16, 0.33), between(r, 1.2, 3), between(r, 0.025, 0.05)
		l.PoresPerMM2, l.Rays = between(r, 40, 110), between(r, 1.5, 5)
		if chance(r, 0.55) {
			l.WideRays = between(r, 0.05, 0.4)
		}
		if chance(r, 0.15) {
			l.Gradual = between(r, 0.4, 0.8)
		}
		l.Chalk = chalk(r)
		if chance(r, 0.6) {
			l.Heart, l.HeartMM = RGB{0.82, 0.76, 0.7}.mix(RGB{0.92, 0.9, 0.86}, r.Float64()), between(r, 5, 30)
		}
	case measure.DiffusePorous:
		l.Early = RGB{224, 194, 164}.mix(RGB{232, 214, 184}, hue)
		l.Late = RGB{148, 106, 80}.mix(RGB{168, 136, 104}, hue)
		l.PoreMM, l.PoresPerMM2 = between(r, 0.03, 0.075), between(r, 35, 130)
		l.LineMM = between(r, 0.035, 0.1)
		// A thin line that is faint as well could not be seen by anybody.
		l.Rays, l.Contrast = between(r, 2, 7), between(r, 0.85-3*min(l.LineMM, 0.09), 1.05)
		if chance(r, 0.3) {
			l.WideRays = between(r, 0.1, 0.5)
		}
		l.Chalk = chalk(r) * 0.5
		if chance(r, 0.2) {
			l.Heart, l.HeartMM = RGB{0.88, 0.8, 0.76}, between(r, 20, 60)
		}
	default:
		l.Early = RGB{236, 216, 180}.mix(RGB{226, 198, 160}, hue)
		l.Late = RGB{150, 92, 52}.mix(RGB{176, 128, 84}, r.Float64())
		l.LateShare = between(r, 0.14, 0.42)
		if chance(r, 0.25) { // broad brown latewood on nearly white earlywood, as in fast-grown pine
			l.Early = RGB{246, 240, 228}.mix(RGB{234, 226, 226}, hue)
			l.LateShare = between(r, 0.3, 0.6)
		}
		if chance(r, 0.3) { // worn, planed or photographed: no edge is sharp
			l.EdgeMM = between(r, 0.06, 0.2)
		}
		if chance(r, 0.25) {
			l.DuctRows = between(r, 0, 0.06)
		}
		if chance(r, 0.25) {
			l.Frost = between(r, 0, 0.06)
		}
		l.PaleYears, l.FalseRings, l.Compression = between(r, 0, 0.06), between(r, 0, 0.09), between(r, 0, 0.12)
		l.Rays = between(r, 1, 4)
		if chance(r, 0.7) {
			l.Ducts = between(r, 0.1, 1.2)
		}
		if chance(r, 0.6) {
			l.Heart, l.HeartMM = RGB{0.9, 0.8, 0.74}.mix(RGB{0.97, 0.92, 0.9}, r.Float64()), between(r, 8, 40)
		}
		if chance(r, 0.2) {
			l.BlueStain = between(r, 0.4, 1)
		}
	}
	tone := between(r, 0.86, 1.05) // older surfaces are darker
	for i := range 3 {
		k := tone * between(r, 0.97, 1.03)
		l.Early[i], l.Late[i] = clampTo(l.Early[i]*k, 0, 250), l.Late[i]*k
	}
	return l
}

func chalk(r *rand.Rand) float64 {
	switch {
	case chance(r, 0.6):
		return 0
	case chance(r, 0.5):
		return between(r, 0.85, 1)
	}
	return between(r, 0.1, 0.6)
}

// RandomRuler draws a ruler about as long as given.
func RandomRuler(r *rand.Rand, lengthMM float64, o Options) *Ruler {
	u := &Ruler{MarginMM: between(r, 2, 5), TickMM: between(r, 0.1, 0.2), Body: RGB{244, 243, 238}, Ink: RGB{24, 24, 26},
		Material: []string{"plastic", "paper", "steel"}[r.IntN(3)]}
	mm := RulerScale{Unit: "mm", Finest: 1, ShortMM: between(r, 2.5, 3.8), Numbers: true, InsetMM: 0}
	inch := RulerScale{Unit: "inch", Finest: 1.0 / 16, ShortMM: between(r, 2.2, 3), Numbers: true}
	u.BreadthMM = between(r, 13, 26)
	switch {
	case o.Plain || chance(r, 0.6):
		u.Scales = []RulerScale{mm}
	case chance(r, 0.4):
		if chance(r, 0.4) {
			inch.Finest = 1.0 / 32
		}
		u.Scales = []RulerScale{inch}
	default:
		inch.FarEdge = true
		u.BreadthMM = max(u.BreadthMM, 24)
		u.Scales = []RulerScale{mm, inch}
	}
	if u.Scales[0].Unit == "mm" {
		u.LengthMM = math.Floor((lengthMM-2*u.MarginMM)/10) * 10
	} else {
		u.LengthMM = math.Floor((lengthMM-2*u.MarginMM)/25.4) * 25.4
	}
	if o.Plain {
		u.Material = "paper"
		return u
	}
	if u.Scales[0].Unit == "mm" && chance(r, 0.25) {
		u.Scales[0].Finest, u.TickMM = 0.5, 0.1
	}
	if chance(r, 0.3) {
		u.Scales[0].FarEdge = true
		if len(u.Scales) > 1 {
			u.Scales[1].FarEdge = false
		}
	}
	for i := range u.Scales {
		if chance(r, 0.3) {
			u.Scales[i].InsetMM = between(r, 0.3, 1)
		}
	}
	switch u.Material {
	case "steel":
		u.Body = RGB{176, 180, 184}
	case "plastic":
		if chance(r, 0.3) {
			u.Body, u.Ink = RGB{30, 30, 34}, RGB{236, 236, 232} // light on dark
		} else if chance(r, 0.3) {
			u.Body = RGB{236, 214, 90}
		}
	}
	u.Wear = between(r, 0, 0.6)
	u.AngleDeg = between(r, -0.4, 0.4)
	if chance(r, 0.15) {
		u.AngleDeg = between(r, -2, 2)
	}
	return u
}
