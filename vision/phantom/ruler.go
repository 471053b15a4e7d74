package phantom

import (
	"image"
	"math"
	"math/rand/v2"
	"strconv"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// Ruler lies on the tray with its zero tick at AtMM.
type Ruler struct {
	AtMM      [2]float64
	AngleDeg  float64
	LengthMM  float64 // from the first tick to the last
	BreadthMM float64
	MarginMM  float64 // of the body beyond the end ticks
	Scales    []RulerScale
	Body, Ink RGB
	Material  string  // plastic, paper, steel or wood
	TickMM    float64 // thickness of a tick
	Wear      float64 // 0..1: unevenness of the ticks' ink
	Lost      float64 // 0..1: share of ticks worn away
	Clear     float64 // 0..1: how much of what lies below shows through the body
	Glare     float64 // 0..1: of a streak across it where it throws the lamp's light back
	Raised    float64 // by this share it looks smaller, as it lies above the wood
}

// RulerScale is one row of ticks.
type RulerScale struct {
	Unit    string  // "mm" or "inch"
	Finest  float64 // smallest division, in the unit: 1 or 0.5 mm, 1/16 or 1/32 inch
	FarEdge bool    // ticks grow from the far edge instead of the near one
	InsetMM float64 // of the ticks' foot from the edge
	ShortMM float64 // length of the shortest tick
	Numbers bool
}

// step returns the division in mm.
func (s RulerScale) step() float64 {
	if s.Unit == "inch" {
		return s.Finest * 25.4
	}
	return s.Finest
}

// length returns the length in mm of tick n, longer for rounder values.
func (s RulerScale) length(n int) float64 {
	steps := []struct {
		every int
		times float64
	}{}
	if s.Unit == "inch" {
		per := int(math.Round(1 / s.Finest))
		for i, k := range []int{1, 2, 4, 8, 16} {
			if per%k == 0 && per/k > 0 {
				steps = append(steps, struct {
					every int
					times float64
				}{per / k, 2.6 - 0.33*float64(i)})
			}
		}
	} else {
		per := int(math.Round(1 / s.Finest))
		steps = append(steps, struct {
			every int
			times float64
		}{10 * per, 1.9}, struct {
			every int
			times float64
		}{5 * per, 1.45}, struct {
			every int
			times float64
		}{per, 1})
		if per > 1 {
			steps[2].times = 1.2
		}
	}
	for _, st := range steps {
		if n%st.every == 0 {
			return s.ShortMM * st.times
		}
	}
	return s.ShortMM
}

// numberEvery returns how many ticks lie between numbers, and their step.
func (s RulerScale) numberEvery() (ticks, value int) {
	per := int(math.Round(1 / s.Finest))
	if s.Unit == "inch" {
		return per, 1
	}
	return 10 * per, 10
}

// stamp is a printed text: coverage at px resolution, placed in mm.
type stamp struct {
	mask   *image.Alpha
	p0, q0 float64 // place of the mask's first pixel centre
	ppm    float64
}

func (s *stamp) at(p, q float64) float32 {
	x, y := (p-s.p0)*s.ppm, (q-s.q0)*s.ppm
	w, h := s.mask.Rect.Dx(), s.mask.Rect.Dy()
	if x < 0 || y < 0 || x >= float64(w-1) || y >= float64(h-1) {
		return 0
	}
	ix, iy := int(x), int(y)
	fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
	i := iy*s.mask.Stride + ix
	a, b := float32(s.mask.Pix[i]), float32(s.mask.Pix[i+1])
	c, d := float32(s.mask.Pix[i+s.mask.Stride]), float32(s.mask.Pix[i+s.mask.Stride+1])
	t, u := a+(b-a)*fx, c+(d-c)*fx
	return (t + (u-t)*fy) / 255
}

// printer sets text in the Go fonts.
type printer struct{ regular, bold *opentype.Font }

func newPrinter() printer {
	// The fonts are part of the library, so that they parse.
	r, _ := opentype.Parse(goregular.TTF)
	b, _ := opentype.Parse(gobold.TTF)
	return printer{r, b}
}

// set makes a stamp of a text whose capitals are about heightMM high, centred
// on (p, q).
func (pr printer) set(text string, bold bool, heightMM, ppm, p, q float64) stamp {
	f := pr.regular
	if bold {
		f = pr.bold
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: heightMM * ppm / 0.72, DPI: 72})
	if err != nil {
		return stamp{mask: image.NewAlpha(image.Rect(0, 0, 1, 1)), ppm: ppm}
	}
	defer face.Close()
	b, _ := font.BoundString(face, text)
	w, h := (b.Max.X-b.Min.X).Ceil()+4, (b.Max.Y-b.Min.Y).Ceil()+4
	m := image.NewAlpha(image.Rect(0, 0, w, h))
	d := font.Drawer{Dst: m, Src: image.Opaque, Face: face,
		Dot: fixed.Point26_6{X: fixed.I(2) - b.Min.X, Y: fixed.I(2) - b.Min.Y}}
	d.DrawString(text)
	return stamp{mask: m, ppm: ppm, p0: p - float64(w-1)/2/ppm, q0: q - float64(h-1)/2/ppm}
}

// frame is a rectangle's own coordinates on the tray: p along, q across.
type frame struct{ x, y, cos, sin float64 }

func newFrame(at [2]float64, angleDeg float64) frame {
	s, c := math.Sincos(angleDeg * math.Pi / 180)
	return frame{at[0], at[1], c, s}
}

func (f frame) to(x, y float64) (p, q float64) {
	x -= f.x
	y -= f.y
	return f.cos*x - f.sin*y, f.sin*x + f.cos*y
}

func (f frame) from(p, q float64) (x, y float64) {
	return f.x + f.cos*p + f.sin*q, f.y - f.sin*p + f.cos*q
}

// quad returns the corners of a rectangle in the frame.
func (f frame) quad(p0, q0, p1, q1 float64) [4][2]float64 {
	var c [4][2]float64
	for i, k := range [4][2]float64{{p0, q0}, {p1, q0}, {p1, q1}, {p0, q1}} {
		c[i][0], c[i][1] = f.from(k[0], k[1])
	}
	return c
}

type rulerScene struct {
	ruler  *Ruler
	frame  frame
	stamps []stamp
	scales []scaleScene
	tiles  *tiles
	off    [2]float32
	gloss  float64
	box    [4]float64
}

type scaleScene struct {
	step    float64
	lengths []float64
	ink     []float32
	inset   float64
	far     bool
}

func newRulerScene(seed uint64, ru *Ruler, ti *tiles, pr printer, ppm float64) *rulerScene {
	r := newRand(seed, 3)
	s := &rulerScene{ruler: ru, frame: newFrame(ru.AtMM, ru.AngleDeg), tiles: ti, gloss: between(r, 0.2, 0.8)}
	s.off = [2]float32{float32(r.Float64() * 512), float32(r.Float64() * 512)}
	for _, sc := range ru.Scales {
		s.addScale(r, sc, pr, ppm)
	}
	s.box = bounds(s.frame.quad(-ru.MarginMM, 0, ru.LengthMM+ru.MarginMM, ru.BreadthMM), 1)
	return s
}

func (s *rulerScene) addScale(r *rand.Rand, sc RulerScale, pr printer, ppm float64) {
	n := int(s.ruler.LengthMM/sc.step() + 1e-6)
	out := scaleScene{step: sc.step() * (1 - s.ruler.Raised), inset: sc.InsetMM, far: sc.FarEdge}
	every, value := sc.numberEvery()
	for i := 0; i <= n; i++ {
		out.lengths = append(out.lengths, sc.length(i))
		ink := 1 - s.ruler.Wear*0.6*r.Float64()
		if s.ruler.Lost > 0 && r.Float64() < s.ruler.Lost {
			ink = 0
		}
		out.ink = append(out.ink, float32(ink))
		if sc.Numbers && i%every == 0 {
			h := 2.0
			q := sc.InsetMM + sc.length(i) + h*0.95
			if sc.FarEdge {
				q = s.ruler.BreadthMM - q
			}
			text := strconv.Itoa(i / every * value)
			s.stamps = append(s.stamps, pr.set(text, false, h, ppm, float64(i)*out.step, q))
		}
	}
	s.scales = append(s.scales, out)
}

func bounds(c [4][2]float64, margin float64) [4]float64 {
	b := [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range c {
		b[0], b[1] = min(b[0], p[0]), min(b[1], p[1])
		b[2], b[3] = max(b[2], p[0]), max(b[3], p[1])
	}
	return [4]float64{b[0] - margin, b[1] - margin, b[2] + margin, b[3] + margin}
}

// cover returns the share of a pixel, px mm broad, inside an edge d mm away.
func cover(d, px float64) float64 { return clamp01(d/px + 0.5) }

// at returns the ruler's colour at a place of its own frame, and its cover.
func (s *rulerScene) at(p, q, px float64) (c [3]float32, alpha float32) {
	ru := s.ruler
	edge := min(min(p+ru.MarginMM, ru.LengthMM+ru.MarginMM-p), min(q, ru.BreadthMM-q))
	alpha = float32(cover(edge, px))
	if alpha == 0 {
		return c, 0
	}
	c = s.bodyAt(p, q)
	ink := s.inkAt(p, q, px)
	// The ink covers what a clear body lets through.
	body := (1 - float32(ru.Clear)) * (1 - ink)
	dense := body + ink
	if dense <= 0 {
		return c, 0
	}
	for i, v := range ru.Ink.f32() {
		c[i] = (c[i]*body + v*ink) / dense
	}
	if ru.Glare > 0 {
		c, dense = s.glare(c, dense, p)
	}
	return c, alpha * dense
}

// bodyAt is the colour of the body without its ticks.
func (s *rulerScene) bodyAt(p, q float64) [3]float32 {
	ru := s.ruler
	c := ru.Body.f32()
	g := float32(1)
	switch ru.Material {
	case "steel":
		x := q/ru.BreadthMM - s.gloss
		shine := float32(0.82 + 0.35*math.Exp(-12*x*x))
		brush := s.tiles.fibre.at(float32(p)*2+s.off[0], float32(q)*40+s.off[1])
		g = shine * (1 + 0.045*brush + 0.03*s.tiles.blotch.at(float32(p)*1.2, float32(q)*1.2))
	case "paper":
		g = 1 + 0.012*s.tiles.grain.at(float32(p)*12+s.off[0], float32(q)*12)
	case "wood":
		fibre := s.tiles.fibre.at(float32(p)*6+s.off[0], float32(q)*9+s.off[1])
		g = 1 + 0.07*fibre + 0.03*s.tiles.grain.at(float32(p)*12, float32(q)*12)
	}
	for i := range c {
		c[i] *= g
	}
	return c
}

// glare whitens the body, ticks and all, in a soft streak across it.
func (s *rulerScene) glare(c [3]float32, dense float32, p float64) ([3]float32, float32) {
	x := (p/s.ruler.LengthMM - 0.35 - 0.3*s.gloss) / 0.12
	white := float32(s.ruler.Glare * math.Exp(-x*x))
	for i := range c {
		c[i] += (255 - c[i]) * white
	}
	return c, dense + (1-dense)*white
}

func (s *rulerScene) inkAt(p, q, px float64) float32 {
	var ink float32
	for i := range s.scales {
		sc := &s.scales[i]
		foot := q - sc.inset
		if sc.far {
			foot = s.ruler.BreadthMM - q - sc.inset
		}
		n := int(math.Round(p / sc.step))
		if n < 0 || n >= len(sc.lengths) || foot > sc.lengths[n]+px {
			continue
		}
		k := cover(s.ruler.TickMM/2-math.Abs(p-float64(n)*sc.step), px) *
			cover(min(foot, sc.lengths[n]-foot), px)
		ink = max(ink, float32(k)*sc.ink[n])
	}
	for i := range s.stamps {
		ink = max(ink, s.stamps[i].at(p, q)*0.95)
	}
	return ink
}
