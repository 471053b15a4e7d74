package calib

import (
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pithward/vision/raster"
)

var (
	cases    = flag.Int("cases", 10, "random scans in TestRandomScans")
	first    = flag.Int("first", 0, "seed of the first random scan")
	pictures = flag.String("pictures", "", "write the random scans that fail into this folder")
)

// made is a made scan and what is true of it.
type made struct {
	px      raster.Pixels
	about   string
	tag     *[2]float64
	mm      float64   // along the ruler
	steps   []float64 // tick steps of the rulers in it, mm; empty: no ruler
	upright bool
}

// randomScan makes a tray with cores and decoys and, mostly, a ruler.
func randomScan(seed int) made {
	rng := rand.New(rand.NewPCG(uint64(seed), 77))
	dpi := []float64{600, 600, 800, 1200, 1200, 1200, 1600, 2400}[rng.IntN(8)]
	mm := MMPerInch / dpi * (1 + 0.002*rng.NormFloat64())
	m := made{mm: mm}
	wMM := min(60+120*rng.Float64(), 6000*mm)
	hMM := 45 + 25*rng.Float64()
	w, h := int(wMM/mm), int(hMM/mm)
	grounds := []colour{{20, 22, 25}, {200, 205, 210}, {110, 150, 180}, {60, 60, 60}, {250, 250, 250}}
	c := newCanvas(w, h, [2]float64{mm, mm}, grounds[rng.IntN(len(grounds))], rng)
	c.blur = 0.5 + 1.0*rng.Float64()
	m.upright = rng.IntN(3) == 0
	place := func(t float64) frame { return frame{0, t / mm, 0} }
	// Two cores above, the ruler below them, decoys between.
	for i := range 2 {
		f := place(3 + 9*float64(i))
		f.x, f.deg = (2+5*rng.Float64())/mm, 3*rng.Float64()-1.5
		ring, sd := 0.5+2*rng.Float64(), 0.35
		if rng.IntN(3) == 0 {
			sd = 0.06 // rings as even as ticks
		}
		c.core(f, wMM-12-20*rng.Float64(), 5.15, ring, sd)
	}
	f := place(22)
	f.x = 5 / mm
	switch rng.IntN(4) {
	case 0:
		c.bars(f, 30, 5, 0.3+0.4*rng.Float64())
		m.about += " bars"
	case 1:
		c.text(f, 35, 6)
		m.about += " text"
	case 2:
		c.grating(f, 30, 5, 0.8+0.6*rng.Float64())
		m.about += " grating"
	}
	m.about = fmt.Sprintf("%.0f dpi %d x %d%s", dpi, w, h, m.about)
	if rng.IntN(5) > 0 {
		m.addRuler(c, rng, wMM, 32)
	}
	c.noise(1 + 4*rng.Float64())
	if rng.IntN(2) == 0 {
		m.tag = &[2]float64{dpi, dpi}
	}
	m.px = c.pixels(rng.IntN(4) == 0, rng.IntN(4) == 0)
	if m.upright {
		m.px = transpose(m.px)
		m.about += " upright"
	}
	return m
}

func (m *made) addRuler(c *canvas, rng *rand.Rand, wMM, top float64) {
	mats := []struct {
		name         string
		body, ink    colour
		grain, gloss float64
		clear        float64
	}{
		{"plastic", colour{235, 238, 240}, colour{25, 25, 25}, 1, 0, 1},
		{"steel", colour{170, 172, 175}, colour{60, 60, 60}, 12, 60, 1},
		{"black", colour{30, 30, 30}, colour{225, 225, 225}, 3, 10, 1},
		{"wood", colour{110, 165, 205}, colour{40, 45, 50}, 18, 0, 1},
		{"clear", colour{128, 128, 128}, colour{15, 15, 15}, 2, 10, 0.25},
		{"worn steel", colour{150, 152, 155}, colour{95, 95, 95}, 10, 40, 1},
	}
	mat := mats[rng.IntN(len(mats))]
	if mat.name == "clear" && c.pix[0] < 100 {
		mat.ink = colour{230, 230, 230}
	}
	scales := []struct {
		name string
		scale
	}{{"mm", mmScale()}, {"mm", mmScale()}, {"half mm", halfScale()}, {"1/16", inchScale(16)}, {"1/32", inchScale(32)}}
	e := scales[rng.IntN(len(scales))]
	if e.step < 22*c.mm[0]*0.5 { // ticks of fewer than 11 px a step are not asked for
		e = scales[0]
	}
	for i := range e.length { // makers differ
		e.length[i] *= 0.9 + 0.02*rng.Float64()*float64(i)
	}
	e.width = 0.1 + 0.12*rng.Float64()
	if e.step < 0.7 {
		e.width = min(e.width, 0.15)
	}
	r := ruler{at: frame{x: (2 + 4*rng.Float64()) / m.mm, y: top / m.mm, deg: 8*rng.Float64() - 4},
		length: wMM - 8 + 20*rng.Float64(), width: 12 + 12*rng.Float64(), body: mat.body, ink: mat.ink,
		grain: mat.grain, gloss: mat.gloss, clear: mat.clear, edge: e.scale, lead: 2 + 4*rng.Float64()}
	if rng.IntN(3) == 0 {
		r.at.x = -30 / m.mm // goes on past the scan's edge
	}
	if rng.IntN(2) == 0 {
		r.at.deg *= 0.1
	}
	r.at.y -= math.Tan(r.at.deg*math.Pi/180) * wMM / 2 / m.mm
	if rng.IntN(2) == 0 {
		r.inset = 0.4
	}
	m.steps = []float64{e.step}
	m.about += fmt.Sprintf(" %s %s turned %.1f", mat.name, e.name, r.at.deg)
	if r.width > 20 && rng.IntN(2) == 0 {
		o := scales[rng.IntN(len(scales))]
		if o.step >= 11*c.mm[0] {
			r.other = &o.scale
			m.steps = append(m.steps, o.step)
			m.about += " and " + o.name
		}
	}
	if mat.name == "worn steel" {
		r.wear = 1
	}
	c.ruler(r)
	if rng.IntN(3) == 0 { // a label on it
		at := 0.2 + 0.5*rng.Float64()
		f := frame{x: wMM * at / m.mm, y: (top - 3) / m.mm, deg: 10*rng.Float64() - 5}
		c.text(f, 8+0.12*wMM, 14)
		m.about += " covered"
	}
	if r.wear > 0 || rng.IntN(4) == 0 {
		m.about += " marks"
		for range 6 { // dirt
			f := frame{x: rng.Float64() * wMM / m.mm, y: (top + 8*rng.Float64()) / m.mm, deg: 180 * rng.Float64()}
			c.solid(f, 0, 2+3*rng.Float64(), 0, 0.3, colour{50, 50, 50})
		}
	}
}

func transpose(p raster.Pixels) raster.Pixels {
	q := raster.Pixels{Width: p.Height, Height: p.Width, Channels: p.Channels}
	if p.U16 != nil {
		q.U16 = turned(p.U16, p)
	} else {
		q.U8 = turned(p.U8, p)
	}
	return q
}

func turned[T any](src []T, p raster.Pixels) []T {
	dst := make([]T, len(src))
	for y := range p.Height {
		for x := range p.Width {
			copy(dst[(x*p.Height+y)*p.Channels:][:p.Channels], src[(y*p.Width+x)*p.Channels:])
		}
	}
	return dst
}

// judge says what is wrong with what was found, or "".
func (m made) judge(found []RulerFit, why string) string {
	if len(m.steps) == 0 {
		if len(found) > 0 {
			return fmt.Sprintf("WRONG: invented %s, %d ticks", found[0].Graduation, found[0].Ticks)
		}
		return ""
	}
	for _, r := range found {
		e := r.MMPerPx/m.mm - 1
		if math.Abs(e) > 1e-3 || r.Upright != m.upright {
			return fmt.Sprintf("WRONG: %s, %d ticks, scale off by %.3g, upright %v", r.Graduation, r.Ticks, e, r.Upright)
		}
	}
	if len(found) == 0 {
		return "missed: " + why
	}
	return ""
}

// TestRandomScans tries made scans of every kind. No wrong scale and no invented
// ruler is allowed; one in twenty of the worn, dirty and covered ones may be
// missed (one at least, since few are tried by default).
func TestRandomScans(t *testing.T) {
	if testing.Short() {
		*cases = min(*cases, 3)
	}
	missed, rulers := 0, 0
	var worst, sum float64
	var slowest time.Duration
	for seed := *first; seed < *first+*cases; seed++ {
		m := randomScan(seed)
		start := time.Now()
		found, why := FindRulers(m.px, m.tag)
		slowest = max(slowest, time.Since(start))
		if len(m.steps) > 0 {
			rulers++
		}
		if len(found) > 0 && len(m.steps) > 0 {
			e := math.Abs(found[0].MMPerPx/m.mm - 1)
			worst, sum = max(worst, e), sum+e
			if e > 1e-4 {
				t.Logf("seed %d (%s): %d ticks, scale off by %.2g", seed, m.about, found[0].Ticks, e)
			}
		}
		fault := m.judge(found, why)
		if fault == "" {
			continue
		}
		t.Logf("seed %d (%s): %s", seed, m.about, fault)
		if fault[0] == 'W' {
			t.Fail()
		} else {
			missed++
		}
		if *pictures != "" {
			writePNG(filepath.Join(*pictures, fmt.Sprintf("%d.png", seed)), m.px)
		}
	}
	t.Logf("%d scans, %d with a ruler, %d missed, worst %.2g, mean %.2g, slowest %v", *cases, rulers, missed, worst, sum/float64(max(1, rulers-missed)), slowest)
	if missed > max(1, rulers/20) {
		t.Errorf("%d of %d rulers missed", missed, rulers)
	}
}

func writePNG(path string, px raster.Pixels) {
	m := image.NewRGBA(image.Rect(0, 0, px.Width, px.Height))
	for y := range px.Height {
		for x := range px.Width {
			c := px.Channels - 1
			m.SetRGBA(x, y, color.RGBA{uint8(px.At(x, y, c)), uint8(px.At(x, y, c/2)), uint8(px.At(x, y, 0)), 255})
		}
	}
	f, err := os.Create(path)
	if err != nil {
		return
	}
	defer f.Close()
	_ = png.Encode(f, m)
}
