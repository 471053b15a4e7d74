package phantom

import (
	"cmp"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
)

// scene is a tray made ready for painting.
type scene struct {
	tray     *Tray
	seed     uint64
	mm       [2]float64 // per px
	px       float64    // mean size of a pixel in mm
	tiles    *tiles
	mounts   []*mountScene
	ruler    *rulerScene
	other    *rulerScene
	cores    []*coreScene
	labels   []*labelScene
	dust     []splat
	coreRefs [][]splatRef // by band
	dustRefs [][]splatRef
}

type splatRef struct{ list, index int32 }

const (
	bandRows   = 64
	bandMargin = 8 // rows beyond it, for the blur
)

// band is a stripe of the picture while it is painted, rows y0 <= y < y1.
type band struct {
	y0, y1, w int
	rgb       []float32
	ids       []int16 // the piece of wood a pixel belongs to
}

func (b *band) row(y int) []float32 { return b.rgb[(y-b.y0)*b.w*3 : (y-b.y0+1)*b.w*3] }

// Render paints a tray and says what is on it. It uses all processors.
func Render(t Tray, seed uint64) (*Picture, Truth) {
	t = t.filled()
	s := newScene(&t, seed)
	p := newPicture(&t)
	bands := (t.HeightPx + bandRows - 1) / bandRows
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), bands) {
		wg.Go(func() {
			b := &band{w: t.WidthPx}
			f := newFinisher(s)
			for {
				i := int(next.Add(1)) - 1
				if i >= bands {
					return
				}
				s.paint(b, i)
				f.finish(b, i, p)
			}
		})
	}
	wg.Wait()
	return p, s.truth(p)
}

// filled returns the tray with its defaults set.
func (t Tray) filled() Tray {
	if t.DPI <= 0 {
		t.DPI = 1200
	}
	for i := range t.MMPerPx {
		if t.MMPerPx[i] <= 0 {
			t.MMPerPx[i] = 25.4 / t.DPI
		}
	}
	if t.Bits != 16 {
		t.Bits = 8
	}
	t.WidthPx, t.HeightPx = max(1, t.WidthPx), max(1, t.HeightPx)
	if t.Scanner.Gain == [3]float64{} {
		t.Scanner.Gain = [3]float64{1, 1, 1}
	}
	return t
}

func newScene(t *Tray, seed uint64) *scene {
	s := &scene{tray: t, seed: seed, mm: t.MMPerPx, px: math.Sqrt(t.MMPerPx[0] * t.MMPerPx[1]), tiles: newTiles(seed)}
	pr := newPrinter()
	ppm := 1 / s.px
	for i := range t.Mounts {
		s.mounts = append(s.mounts, newMountScene(seed, i, &t.Mounts[i], s.tiles))
	}
	if t.Ruler != nil {
		s.ruler = newRulerScene(seed, t.Ruler, s.tiles, pr, ppm)
	}
	if t.OtherRuler != nil {
		s.other = newRulerScene(seed+1, t.OtherRuler, s.tiles, pr, ppm)
	}
	for i := range t.Labels {
		s.labels = append(s.labels, newLabelScene(&t.Labels[i], pr, ppm))
	}
	s.cores = make([]*coreScene, len(t.Cores))
	var wg sync.WaitGroup
	for i := range t.Cores {
		wg.Go(func() {
			c := newCoreScene(seed, i, &t.Cores[i], s.tiles)
			p := &painter{s: c, r: newRand(seed, 5, uint64(i)), ppm: [2]float64{1 / s.mm[0], 1 / s.mm[1]}}
			p.tissues()
			p.marks()
			s.cores[i] = c
		})
	}
	wg.Wait()
	s.addDust(newRand(seed, 6))
	s.sortSplats()
	return s
}

// sortSplats lists for each band the splats that touch it, in their order.
func (s *scene) sortSplats() {
	n := (s.tray.HeightPx + bandRows - 1) / bandRows
	s.coreRefs, s.dustRefs = make([][]splatRef, n), make([][]splatRef, n)
	put := func(refs [][]splatRef, list int, sp *splat, i int) {
		_, dy := sp.reach()
		lo := max(0, (int(sp.y-dy)-bandMargin-1)/bandRows)
		hi := min(n-1, (int(sp.y+dy)+bandMargin+1)/bandRows)
		for b := lo; b <= hi; b++ {
			refs[b] = append(refs[b], splatRef{int32(list), int32(i)})
		}
	}
	for l, c := range s.cores {
		for i := range c.splats {
			put(s.coreRefs, l, &c.splats[i], i)
		}
	}
	for i := range s.dust {
		put(s.dustRefs, 0, &s.dust[i], i)
	}
	for _, refs := range s.coreRefs {
		slices.SortFunc(refs, func(a, b splatRef) int {
			return cmp.Or(cmp.Compare(a.list, b.list), cmp.Compare(a.index, b.index))
		})
	}
}

// paint fills the band with everything on the tray.
func (s *scene) paint(b *band, i int) {
	b.y0, b.y1 = i*bandRows-bandMargin, min((i+1)*bandRows, s.tray.HeightPx)+bandMargin
	n := (b.y1 - b.y0) * b.w
	if cap(b.ids) < n {
		b.ids, b.rgb = make([]int16, n), make([]float32, 3*n)
	}
	b.ids, b.rgb = b.ids[:n], b.rgb[:3*n]
	clear(b.ids)
	s.paintGround(b)
	for _, m := range s.mounts {
		s.shadowBox(b, m.frame, m.mount.LengthMM, m.mount.BreadthMM, m.box)
		s.paintFrame(b, m.frame, m.box, m.at)
	}
	for _, r := range []*rulerScene{s.ruler, s.other} {
		if r != nil {
			s.paintFrame(b, r.frame, r.box, r.at)
		}
	}
	for _, c := range s.cores {
		s.paintCore(b, c)
	}
	for _, ref := range s.coreRefs[i] {
		s.cores[ref.list].splats[ref.index].paint(b)
	}
	for _, l := range s.labels {
		s.paintFrame(b, l.frame, l.box, l.at)
	}
	for _, ref := range s.dustRefs[i] {
		s.dust[ref.index].paint(b)
	}
}

func (s *scene) paintGround(b *band) {
	g := &s.tray.Ground
	base := g.Colour.f32()
	mx, my := float32(s.mm[0]), float32(s.mm[1])
	for y := b.y0; y < b.y1; y++ {
		row := b.row(y)
		fy := float32(y) * my
		for x := range b.w {
			fx := float32(x) * mx
			d := float32(g.Blotch) * s.tiles.blotch.at(fx*1.3, fy*1.3)
			if g.Grain > 0 {
				d += float32(g.Grain) * s.tiles.grain.at(fx*16, fy*16)
			}
			if g.Striped {
				d += float32(g.Grain) * s.tiles.fibre.at(fx*3, fy*8)
			}
			row[3*x], row[3*x+1], row[3*x+2] = base[0]+d, base[1]+d, base[2]+d
		}
	}
}

// within returns the px range of a box in mm that lies in the band.
func (s *scene) within(b *band, box [4]float64) (x0, y0, x1, y1 int) {
	return max(0, int(box[0]/s.mm[0])), max(b.y0, int(math.Floor(box[1]/s.mm[1]))),
		min(b.w, int(box[2]/s.mm[0])+2), min(b.y1, int(math.Floor(box[3]/s.mm[1]))+2)
}

// paintFrame paints what is given by a function of its own frame.
func (s *scene) paintFrame(b *band, f frame, box [4]float64, at func(p, q, px float64) ([3]float32, float32)) {
	x0, y0, x1, y1 := s.within(b, box)
	for y := y0; y < y1; y++ {
		row := b.row(y)
		for x := x0; x < x1; x++ {
			p, q := f.to(float64(x)*s.mm[0], float64(y)*s.mm[1])
			c, a := at(p, q, s.px)
			if a == 0 {
				continue
			}
			px := row[3*x : 3*x+3]
			for i := range px {
				px[i] += (c[i] - px[i]) * a
			}
		}
	}
}

// shadowBox darkens the ground round a rectangle centred in its frame.
func (s *scene) shadowBox(b *band, f frame, length, breadth float64, box [4]float64) {
	x0, y0, x1, y1 := s.within(b, box)
	for y := y0; y < y1; y++ {
		row := b.row(y)
		for x := x0; x < x1; x++ {
			p, q := f.to(float64(x)*s.mm[0], float64(y)*s.mm[1])
			d := max(math.Abs(p)-length/2, math.Abs(q)-breadth/2)
			s.darken(row[3*x:3*x+3], d, q)
		}
	}
}

// darken applies the shadow d mm outside an edge; the lamp lies on one side,
// so that the shadow is deeper where side (mm across) is positive.
func (s *scene) darken(px []float32, d, side float64) {
	if d < -2*s.px || d > 3 {
		return
	}
	d = max(d, 0) // the pixels of the edge see some of the ground
	depth := s.tray.Ground.Shadow * (0.7 + 0.3*clampTo(side/2, -1, 1))
	k := float32(1 - depth*math.Exp(-d/0.45))
	for i := range px {
		px[i] *= k
	}
}

func (s *scene) paintCore(b *band, c *coreScene) {
	x0, y0, x1, y1 := s.within(b, c.box)
	for y := y0; y < y1; y++ {
		row := b.row(y)
		ids := b.ids[(y-b.y0)*b.w : (y-b.y0+1)*b.w]
		for x := x0; x < x1; x++ {
			pc, u, v, depth := c.lay.find(float64(x)*s.mm[0], float64(y)*s.mm[1])
			if depth < -2.5 || pc == nil {
				continue
			}
			px := row[3*x : 3*x+3]
			if !c.core.Marks.Mounted {
				s.darken(px, -depth, v)
			}
			a := float32(cover(depth, s.px))
			if a == 0 {
				continue
			}
			r, g, bl := c.shade(u, v, depth)
			px[0] += (r - px[0]) * a
			px[1] += (g - px[1]) * a
			px[2] += (bl - px[2]) * a
			if a > 0.5 {
				ids[x] = pc.id
			}
		}
	}
}

// addDust strews specks and hairs over the tray.
func (s *scene) addDust(r *rand.Rand) {
	w, h := float64(s.tray.WidthPx), float64(s.tray.HeightPx)
	area := w * h * s.px * s.px / 100
	for n := poisson(r, area*s.tray.DustPerCM2); n > 0; n-- {
		grey := between(r, 30, 230)
		a := logBetween(r, 0.012, 0.08) / s.px
		sin, cos := math.Sincos(between(r, 0, math.Pi))
		s.dust = append(s.dust, splat{x: float32(r.Float64() * w), y: float32(r.Float64() * h),
			a: float32(a), b: float32(a * between(r, 0.4, 1)), cos: float32(cos), sin: float32(sin),
			colour: RGB{grey, grey, grey * 0.95}.f32(), alpha: float32(between(r, 0.4, 0.9)), soft: 1})
	}
	for n := poisson(r, area/100*s.tray.HairsPerDM2); n > 0; n-- {
		s.addHair(r, r.Float64()*w, r.Float64()*h)
	}
}

func (s *scene) addHair(r *rand.Rand, x, y float64) {
	dir, curl := between(r, 0, 2*math.Pi), 0.0
	grey := between(r, 20, 110)
	for range 20 + r.IntN(60) {
		sin, cos := math.Sincos(dir)
		step := 0.12 / s.px
		s.dust = append(s.dust, splat{x: float32(x), y: float32(y), a: float32(step * 0.7), b: float32(0.02 / s.px),
			cos: float32(cos), sin: float32(sin), colour: RGB{grey, grey, grey}.f32(), alpha: 0.55, soft: 1})
		x, y = x+cos*step, y+sin*step
		curl = 0.9*curl + 0.05*r.NormFloat64()
		dir += curl
	}
}
