package overlay

import (
	"flag"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pithward/measure"
	"pithward/vision/overlay/look"
)

var update = flag.Bool("update", false, "write the golden files anew")

func ptr[T any](v T) *T { return &v }

// ground is a small dark tray with plain wood in the rectangles given.
func ground(w, h int, wood ...image.Rectangle) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	fill(img, img.Rect, color.NRGBA{R: 34, G: 36, B: 40, A: 255})
	for _, r := range wood {
		fill(img, r, color.NRGBA{R: 206, G: 170, B: 124, A: 255})
	}
	return img
}

// lying is a core that fills a rectangle, bark at the left, with upright
// boundaries at the given x.
func lying(id string, r image.Rectangle, at ...float64) measure.Core {
	x0, y0, x1, y1 := float64(r.Min.X), float64(r.Min.Y), float64(r.Max.X-1), float64(r.Max.Y-1)
	mid := (y0 + y1) / 2
	c := measure.Core{
		ID: id, Position: 1, BarkEnd: ptr(measure.Left), BarkPresent: true,
		OutlinePx: []measure.Point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}},
		PathPx:    []measure.Point{{x0, mid}, {x1, mid}},
	}
	for i, x := range at {
		c.Boundaries = append(c.Boundaries, measure.Boundary{
			PointPx: measure.Point{x, mid}, LinePx: []measure.Point{{x, y0 + 2}, {x, mid}, {x, y1 - 2}}, Probability: 0.99, Source: "auto",
		})
		if i > 0 {
			c.Rings = append(c.Rings, measure.Ring{Index: i})
		}
	}
	return c
}

func scanOf(img *image.NRGBA, cores ...measure.Core) measure.Measurement {
	return measure.Measurement{
		Scan:  measure.Scan{File: "tray.tif", WidthPx: img.Rect.Dx(), HeightPx: img.Rect.Dy()},
		Scale: measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.05, 0.05}},
		Cores: cores,
	}
}

// drawn is an overlay with the map from px of the scan.
func drawn(t testing.TB, base *image.NRGBA, m measure.Measurement) (*image.NRGBA, func(measure.Point) measure.Point) {
	t.Helper()
	s := sheet{base: base, scale: [2]float64{1, 1}, m: m, em: emFor(max(base.Rect.Dx(), base.Rect.Dy()))}
	s.compose()
	return s.canvas.img, s.canvas.to
}

// inked tells whether a pixel is nearer to the ink than to the wood.
func inked(img *image.NRGBA, p measure.Point) bool {
	c := img.NRGBAAt(int(math.Round(p[0])), int(math.Round(p[1])))
	return int(c.R) < 110 && int(c.B) > int(c.R)
}

// runs counts the stretches of ink and of open wood between them down a line.
func runs(img *image.NRGBA, to func(measure.Point) measure.Point, x, y0, y1 float64) (ink, open, inkPx, openPx int) {
	was := false
	for y := y0; y <= y1; y++ {
		is := inked(img, to(measure.Point{x, y}))
		if is {
			inkPx++
		} else {
			openPx++
		}
		if is && !was {
			ink++
		}
		if !is && was {
			open++
		}
		was = is
	}
	return ink, open, inkPx, openPx
}

func TestLineStyles(t *testing.T) {
	r := image.Rect(80, 100, 820, 200)
	base := ground(900, 300, r)
	core := lying("a", r, 200, 300, 400)
	core.Boundaries[1].Probability = look.Sure - 0.01
	core.Candidates = []measure.Candidate{
		{PointPx: measure.Point{500, 150}, Probability: look.Notable},
		{PointPx: measure.Point{600, 150}, Probability: look.Notable - 0.01},
	}
	img, to := drawn(t, base, scanOf(base, core))

	// The path crosses at 149.5; counted on the upper half.
	ink, open, inkPx, openPx := runs(img, to, 200, 104, 145)
	if ink != 1 || open != 0 || openPx != 0 {
		t.Errorf("sure boundary: %d stretches of ink, %d px open, want one unbroken line", ink, openPx)
	}
	ink, _, inkPx, openPx = runs(img, to, 300, 104, 145)
	if ink < 2 || openPx < 6 || inkPx < openPx {
		t.Errorf("doubtful boundary: %d dashes, %d px inked, %d open, want long dashes", ink, inkPx, openPx)
	}
	dashes := ink
	ink, _, inkPx, openPx = runs(img, to, 500, 112, 145)
	if ink <= dashes || inkPx > openPx*2 {
		t.Errorf("rejected candidate: %d dots, %d px inked, %d open, want more and shorter than %d dashes", ink, inkPx, openPx, dashes)
	}
	if _, _, inkPx, _ = runs(img, to, 600, 104, 145); inkPx != 0 {
		t.Errorf("candidate below %g: %d px inked, want none", look.Notable, inkPx)
	}
}

func TestBentLineIsFollowed(t *testing.T) {
	r := image.Rect(80, 100, 820, 200)
	base := ground(900, 300, r)
	core := lying("a", r, 200, 400)
	var bow []measure.Point
	for y := 102.0; y <= 197; y += 5 {
		bow = append(bow, measure.Point{400 + 0.004*(y-150)*(y-150), y})
	}
	core.Boundaries[1].LinePx = bow
	img, to := drawn(t, base, scanOf(base, core))
	for i := 1; i < len(bow); i++ {
		mid := between(bow[i-1], bow[i], 0.5)
		blue := false
		for dx := -1.0; dx <= 1; dx++ { // the line is about one px wide
			p := to(mid)
			c := img.NRGBAAt(int(math.Round(p[0]+dx)), int(math.Round(p[1])))
			blue = blue || int(c.B) > int(c.R)+10
		}
		if !blue {
			t.Errorf("no ink at %v on the boundary's course", mid)
		}
	}
}

func TestPersonsNotch(t *testing.T) {
	r := image.Rect(80, 100, 820, 200)
	base := ground(900, 300, r)
	core := lying("a", r, 300, 500)
	core.Boundaries[0].Source = "person"
	img, to := drawn(t, base, scanOf(base, core))
	light := func(x float64) int {
		n := 0
		for y := 85.0; y < 99; y++ {
			p := to(measure.Point{x, y})
			if c := img.NRGBAAt(int(math.Round(p[0])), int(math.Round(p[1]))); c.R > 180 {
				n++
			}
		}
		return n
	}
	if n := light(300); n < 3 {
		t.Errorf("decision of a person: %d px of notch above the core, want some", n)
	}
	if n := light(500); n != 0 {
		t.Errorf("automatic boundary: %d px of notch above the core, want none", n)
	}
}

// Where rings are 2 px wide the middle of the wood stays as it was, and the
// edges are ticked.
func TestNarrowRingsLeaveTheWoodVisible(t *testing.T) {
	r := image.Rect(80, 100, 820, 200)
	base := ground(900, 300, r)
	for _, c := range []struct {
		name  string
		pitch float64
	}{{"3 px", 3}, {"2 px", 2}, {"1 px", 1}} {
		t.Run(c.name, func(t *testing.T) {
			var at []float64
			for x := 200.0; x < 700; x += c.pitch {
				at = append(at, x)
			}
			core := lying("a", r, at...)
			core.PathPx = nil
			core.BarkEnd = nil
			img, to := drawn(t, base, scanOf(base, core))
			ticks := 0
			for x := 200.0; x < 700; x++ {
				for y := 130.0; y < 170; y++ {
					p := to(measure.Point{x, y})
					if got, want := img.NRGBAAt(int(p[0]+0.5), int(p[1]+0.5)), base.NRGBAAt(int(x), int(y)); got != want {
						t.Fatalf("the wood at %v, %v is drawn over: %v, was %v", x, y, got, want)
					}
				}
				if inked(img, to(measure.Point{x, 104})) {
					ticks++
				}
			}
			if ticks < 50 {
				t.Errorf("%d px of ticks at the upper edge, want many", ticks)
			}
		})
	}
}

// Dots: one a decade, two a fiftieth, three a hundredth year (common practice;
// Stokes and Smiley 1968, An Introduction to Tree-Ring Dating).
func TestDots(t *testing.T) {
	for _, c := range []struct{ year, dots int }{
		{1987, 0}, {1990, 1}, {1950, 2}, {1850, 2}, {1900, 3}, {2000, 3}, {0, 3}, {-40, 1}, {-50, 2}, {1995, 0}, {2025, 0},
	} {
		if got := dotsOf(c.year); got != c.dots {
			t.Errorf("year %d: %d dots, want %d", c.year, got, c.dots)
		}
		r := image.Rect(80, 100, 820, 200)
		base := ground(900, 300, r)
		core := lying("a", r, 200, 300, 400)
		core.Rings[0].Year = &c.year
		img, to := drawn(t, base, scanOf(base, core))
		core.Rings[0].Year = nil
		none, _ := drawn(t, base, scanOf(base, core))
		a, b := to(measure.Point{215, 155}), to(measure.Point{285, 198})
		if got := blobs(img, none, around([]measure.Point{a, b}, 0)); got != c.dots {
			t.Errorf("year %d: %d dots drawn in its ring, want %d", c.year, got, c.dots)
		}
	}
}

// blobs counts the connected patches of ink that one picture has and another
// lacks.
func blobs(img, without *image.NRGBA, r image.Rectangle) int {
	dark := map[image.Point]bool{}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			p := measure.Point{float64(x), float64(y)}
			if inked(img, p) && !inked(without, p) {
				dark[image.Pt(x, y)] = true
			}
		}
	}
	n := 0
	for len(dark) > 0 {
		n++
		var todo []image.Point
		for p := range dark {
			todo = append(todo, p)
			break
		}
		for len(todo) > 0 {
			p := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			if !dark[p] {
				continue
			}
			delete(dark, p)
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					todo = append(todo, p.Add(image.Pt(dx, dy)))
				}
			}
		}
	}
	return n
}

// Names change nothing on the wood, and something beside it.
func TestNamesOffTheWood(t *testing.T) {
	woods := []image.Rectangle{image.Rect(120, 90, 780, 130), image.Rect(120, 200, 780, 240), image.Rect(40, 330, 860, 370)}
	base := ground(900, 420, woods...)
	var long, short []measure.Core
	for i, r := range woods {
		long = append(long, lying([]string{"larch-north-17", "b", "c"}[i], r, 200, 300, 400))
		short = append(short, lying("-", r, 200, 300, 400))
	}
	a, to := drawn(t, base, scanOf(base, long...))
	b, _ := drawn(t, base, scanOf(base, short...))
	if a.Rect != b.Rect {
		t.Fatalf("sizes differ: %v and %v", a.Rect, b.Rect)
	}
	beside := 0
	for y := range a.Rect.Dy() {
		for x := range a.Rect.Dx() {
			if a.NRGBAAt(x, y) == b.NRGBAAt(x, y) {
				continue
			}
			beside++
			for _, r := range woods {
				p, q := to(measure.Point{float64(r.Min.X), float64(r.Min.Y)}), to(measure.Point{float64(r.Max.X), float64(r.Max.Y)})
				if float64(x) >= p[0] && float64(x) < q[0] && float64(y) >= p[1] && float64(y) < q[1] {
					t.Fatalf("a name shows on the wood at %d, %d", x, y)
				}
			}
		}
	}
	if beside < 200 {
		t.Errorf("only %d px differ between long and short names", beside)
	}
}

// Cores that touch and fill the scan leave no room: names go to the margin.
func TestNamesWithoutRoom(t *testing.T) {
	for _, upright := range []bool{false, true} {
		var woods []image.Rectangle
		var cores []measure.Core
		w, h := 900, 240
		for i := range 6 {
			r := image.Rect(0, i*40, 900, i*40+40)
			c := lying("core-"+string(rune('a'+i)), r, 200, 300, 400)
			if upright {
				c = stood(c)
				r = image.Rect(r.Min.Y, r.Min.X, r.Max.Y, r.Max.X)
			}
			woods, cores = append(woods, r), append(cores, c)
		}
		if upright {
			w, h = h, w
		}
		base := ground(w, h, woods...)
		m := scanOf(base, cores...)
		s := sheet{base: base, scale: [2]float64{1, 1}, m: m, em: emFor(900)}
		s.compose()
		for i, n := range s.names {
			if n.note.mask == nil {
				t.Errorf("upright %v: %s has no name", upright, cores[i].ID)
				continue
			}
			for k, f := range s.figures {
				if hits(f.outline, n.rect()) {
					t.Errorf("upright %v: the name of %s covers %s", upright, cores[i].ID, cores[k].ID)
				}
			}
			for k := range i {
				if s.names[k].rect().Overlaps(n.rect()) {
					t.Errorf("upright %v: the names of %s and %s overlap", upright, cores[i].ID, cores[k].ID)
				}
			}
		}
	}
}

// stood swaps x and y of a core.
func stood(c measure.Core) measure.Core {
	swap := func(l []measure.Point) []measure.Point {
		var out []measure.Point
		for _, p := range l {
			out = append(out, measure.Point{p[1], p[0]})
		}
		return out
	}
	c.OutlinePx, c.PathPx, c.BarkEnd = swap(c.OutlinePx), swap(c.PathPx), ptr(measure.Top)
	c.Boundaries = slices.Clone(c.Boundaries)
	for i, b := range c.Boundaries {
		c.Boundaries[i].PointPx, c.Boundaries[i].LinePx = measure.Point{b.PointPx[1], b.PointPx[0]}, swap(b.LinePx)
	}
	return c
}

func TestSizeLimit(t *testing.T) {
	for _, c := range []struct {
		name string
		w, h int
	}{
		{"tray", 14000, 6000},
		{"portrait", 6000, 14000},
		{"square", 9000, 9000},
		{"at the limit", 4000, 4000},
		{"one core", 20000, 400},
		{"one standing core", 400, 20000},
		{"small", 300, 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := Size(c.w, c.h)
			if k <= 0 || k > 1 {
				t.Fatalf("factor %g, want within 0..1", k)
			}
			w, h := max(1, int(float64(c.w)*k)), max(1, int(float64(c.h)*k))
			r := image.Rect(w/8, h/3, w-w/8, h-h/3)
			base := ground(w, h, r)
			core := lying("a", image.Rect(c.w/8, c.h/3, c.w-c.w/8, c.h-c.h/3), float64(c.w)/4, float64(c.w)/2)
			m := scanOf(base, core)
			m.Scan.WidthPx, m.Scan.HeightPx = c.w, c.h
			img := Draw(base, k, m)
			if img.Rect.Dx() > look.FullPx || img.Rect.Dy() > look.FullPx {
				t.Errorf("overlay is %v, want at most %d px a side", img.Rect.Size(), look.FullPx)
			}
			if longest := max(c.w, c.h); longest > look.FullPx && max(img.Rect.Dx(), img.Rect.Dy()) < look.FullPx*95/100 {
				t.Errorf("overlay is %v, want the room used", img.Rect.Size())
			}
		})
	}
	t.Run("not reduced by the caller", func(t *testing.T) {
		base := ground(5000, 300, image.Rect(100, 100, 4900, 200))
		m := scanOf(base, lying("a", image.Rect(100, 100, 4900, 200), 1000, 2000, 3000))
		img := Draw(base, 1, m)
		if img.Rect.Dx() > look.FullPx {
			t.Errorf("overlay is %v", img.Rect.Size())
		}
	})
	for _, c := range [][2]int{{0, 0}, {-1, 5}, {5, 0}} {
		if k := Size(c[0], c[1]); k != 1 {
			t.Errorf("Size(%d, %d) = %g, want 1", c[0], c[1], k)
		}
	}
}

func TestDegenerate(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	r := image.Rect(40, 30, 360, 60)
	base := ground(400, 100, r)
	full := lying("a", r, 100, 150, 200)
	with := func(change func(c *measure.Core)) measure.Measurement {
		c := lying("a", r, 100, 150, 200)
		change(&c)
		return scanOf(base, c)
	}
	for _, c := range []struct {
		name  string
		base  *image.NRGBA
		scale float64
		m     measure.Measurement
	}{
		{"nothing at all", nil, 0, measure.Measurement{}},
		{"empty picture", &image.NRGBA{}, 0, scanOf(base, full)},
		{"one pixel", ground(1, 1), 1, scanOf(base, full)},
		{"scale not a number", base, nan, scanOf(base, full)},
		{"scale infinite", base, inf, scanOf(base, full)},
		{"scale tiny", base, 1e-12, scanOf(base, full)},
		{"scale huge", base, 1e12, scanOf(base, full)},
		{"no cores", base, 1, scanOf(base)},
		{"empty core", base, 1, scanOf(base, measure.Core{})},
		{"no scale", base, 1, func() measure.Measurement {
			m := scanOf(base, full)
			m.Scale = measure.Scale{Source: measure.ScaleNone}
			return m
		}()},
		{"scale of nothing", base, 1, func() measure.Measurement {
			m := scanOf(base, full)
			m.Scale.MMPerPx = &[2]float64{0, nan}
			return m
		}()},
		{"ruler of one point", base, 1, func() measure.Measurement {
			m := scanOf(base, full)
			m.Scale.Ruler = &measure.Ruler{}
			return m
		}()},
		{"no outline", base, 1, with(func(c *measure.Core) { c.OutlinePx = nil })},
		{"no path", base, 1, with(func(c *measure.Core) { c.PathPx = nil })},
		{"neither", base, 1, with(func(c *measure.Core) { c.OutlinePx, c.PathPx = nil, nil })},
		{"no ends", base, 1, with(func(c *measure.Core) { c.BarkEnd = nil })},
		{"no boundaries", base, 1, with(func(c *measure.Core) { c.Boundaries = nil })},
		{"one point outline", base, 1, with(func(c *measure.Core) { c.OutlinePx = c.OutlinePx[:1] })},
		{"flat outline", base, 1, with(func(c *measure.Core) { c.OutlinePx = []measure.Point{{40, 40}, {300, 40}, {40, 40}} })},
		{"one point path", base, 1, with(func(c *measure.Core) { c.PathPx = c.PathPx[:1] })},
		{"path standing still", base, 1, with(func(c *measure.Core) { c.PathPx = []measure.Point{{50, 45}, {50, 45}, {50, 45}} })},
		{"lines of no points", base, 1, with(func(c *measure.Core) {
			for i := range c.Boundaries {
				c.Boundaries[i].LinePx = nil
			}
		})},
		{"lines of one point", base, 1, with(func(c *measure.Core) {
			for i := range c.Boundaries {
				c.Boundaries[i].LinePx = c.Boundaries[i].LinePx[:1]
			}
		})},
		{"not numbers", base, 1, with(func(c *measure.Core) {
			c.OutlinePx[0], c.PathPx[1] = measure.Point{nan, 3}, measure.Point{inf, -inf}
			c.Boundaries[1].PointPx, c.Boundaries[1].LinePx[1] = measure.Point{nan, nan}, measure.Point{nan, 1}
			c.Boundaries[2].TiltDeg, c.Boundaries[2].LinePx = nan, nil
			c.Candidates = []measure.Candidate{{PointPx: measure.Point{nan, 0}, Probability: 1}, {PointPx: measure.Point{120, 45}, TiltDeg: inf, Probability: nan}}
			c.Gaps = []measure.Stretch{{FromPx: measure.Point{nan, 0}, Kind: measure.Lost}}
		})},
		{"all in one place", base, 1, with(func(c *measure.Core) {
			for i := range c.Boundaries {
				c.Boundaries[i] = c.Boundaries[0]
			}
		})},
		{"far outside", base, 1, with(func(c *measure.Core) {
			c.OutlinePx = []measure.Point{{-1e5, -1e5}, {1e5, -1e5}, {1e5, 1e5}, {-1e5, 1e5}}
			c.PathPx = []measure.Point{{-1e9, 40}, {1e9, 40}}
			c.Boundaries[0].LinePx = []measure.Point{{-1e5, -1e5}, {1e5, 1e5}}
		})},
		{"gaps and smears of no length", base, 1, with(func(c *measure.Core) {
			s := measure.Stretch{FromPx: measure.Point{120, 45}, ToPx: measure.Point{120, 45}}
			c.Gaps, c.Obscured = []measure.Stretch{s, s}, []measure.Stretch{s}
		})},
		{"more rings than boundaries", base, 1, with(func(c *measure.Core) {
			for range 9 {
				c.Rings = append(c.Rings, measure.Ring{Year: ptr(1900)})
			}
		})},
		{"person without line", base, 1, with(func(c *measure.Core) {
			c.Boundaries[0].Source, c.Boundaries[0].LinePx = "person", nil
			c.OutlinePx, c.PathPx = nil, nil
		})},
		{"a very long name", base, 1, with(func(c *measure.Core) { c.ID = strings.Repeat("long ", 60) })},
	} {
		t.Run(c.name, func(t *testing.T) {
			img := Draw(c.base, c.scale, c.m)
			if img == nil || img.Rect.Empty() || max(img.Rect.Dx(), img.Rect.Dy()) > look.FullPx {
				t.Errorf("overlay is %v", img.Rect)
			}
			for _, core := range c.m.Cores {
				Strip(c.base, core, c.m.Scale, Along(core.PathPx, 20))
			}
		})
	}
}

// A core whose name fits nowhere is still named, in the foot.
func TestListedName(t *testing.T) {
	base := ground(400, 100, image.Rect(0, 0, 400, 100))
	m := scanOf(base, lying(strings.Repeat("long ", 60), image.Rect(0, 0, 400, 100), 100, 200))
	s := sheet{base: base, scale: [2]float64{1, 1}, m: m, em: emFor(400)}
	s.compose()
	if s.names[0].note.mask == nil && len(s.listed) == 0 {
		t.Error("the name is neither beside the core nor listed")
	}
}

func TestAnyMeasurement(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 300).Draw(t, "w"), rapid.IntRange(1, 200).Draw(t, "h")
		number := rapid.OneOf(rapid.Float64Range(-50, 350), rapid.Float64())
		point := rapid.Custom(func(t *rapid.T) measure.Point {
			return measure.Point{number.Draw(t, "x"), number.Draw(t, "y")}
		})
		line := rapid.SliceOfN(point, 0, 5)
		m := measure.Measurement{Scan: measure.Scan{WidthPx: w, HeightPx: h}}
		for range rapid.IntRange(0, 3).Draw(t, "cores") {
			c := measure.Core{ID: rapid.StringN(0, 12, 40).Draw(t, "id"), OutlinePx: line.Draw(t, "outline"), PathPx: line.Draw(t, "path"), BarkEnd: ptr(measure.Right)}
			for range rapid.IntRange(0, 6).Draw(t, "boundaries") {
				c.Boundaries = append(c.Boundaries, measure.Boundary{PointPx: point.Draw(t, "at"), LinePx: line.Draw(t, "line"),
					TiltDeg: number.Draw(t, "tilt"), Probability: rapid.Float64Range(0, 1).Draw(t, "p"), Source: rapid.SampledFrom([]string{"auto", "person"}).Draw(t, "source")})
				c.Rings = append(c.Rings, measure.Ring{Year: ptr(rapid.IntRange(-3, 3).Draw(t, "year") * 10)})
				c.Gaps = append(c.Gaps, measure.Stretch{FromPx: point.Draw(t, "from"), ToPx: point.Draw(t, "to"), Kind: measure.Lost})
				c.Obscured = append(c.Obscured, measure.Stretch{FromPx: point.Draw(t, "from"), ToPx: point.Draw(t, "to")})
				c.Candidates = append(c.Candidates, measure.Candidate{PointPx: point.Draw(t, "at"), TiltDeg: number.Draw(t, "tilt"), Probability: 0.5})
			}
			m.Cores = append(m.Cores, c)
		}
		img := Draw(ground(w, h), rapid.Float64Range(0, 3).Draw(t, "scale"), m)
		if img.Rect.Empty() || max(img.Rect.Dx(), img.Rect.Dy()) > look.FullPx {
			t.Fatalf("overlay is %v", img.Rect)
		}
	})
}

func TestSameInputSamePicture(t *testing.T) {
	base, m := sample()
	before := slices.Clone(base.Pix)
	a, b := Draw(base, 1, m), Draw(base, 1, m)
	if !slices.Equal(a.Pix, b.Pix) {
		t.Error("two overlays of one measurement differ")
	}
	if !slices.Equal(before, base.Pix) {
		t.Error("the scan was drawn on")
	}
}

func TestSummary(t *testing.T) {
	type words struct{ Rings, Years string }
	partial := measure.Ring{Index: 0, Year: ptr(2020), Flags: []string{measure.FlagPartial}}
	b := make([]measure.Boundary, 3)
	for _, c := range []struct {
		name string
		core measure.Core
		want words
	}{
		{"not measured", measure.Core{}, words{"not measured", ""}},
		{"undated", measure.Core{Boundaries: b, Rings: make([]measure.Ring, 2)}, words{"2 rings", "undated"}},
		{"partial ring not counted", measure.Core{Boundaries: b, Rings: []measure.Ring{partial, {Index: 1, Year: ptr(2019)}}}, words{"1 ring", "2019\u20132020"}},
	} {
		var got words
		got.Rings, got.Years = summary(c.core)
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
}

func TestScaleWords(t *testing.T) {
	ruler := &measure.Ruler{Unit: "mm", Ticks: 101}
	for _, c := range []struct {
		name string
		s    measure.Scale
		want []string
	}{
		{"none", measure.Scale{Source: measure.ScaleNone}, []string{"no scale: widths in px"}},
		{"ruler", measure.Scale{Source: measure.ScaleRuler, MMPerPx: &[2]float64{0.0211667, 0.0211667}, RelativeStandardUncertainty: ptr(0.0004), Ruler: ruler},
			[]string{"0.021167 mm/px \u00b1 0.04 % from the ruler", "ruler: mm, 101 ticks"}},
		{"tag, axes apart", measure.Scale{Source: measure.ScaleTag, MMPerPx: &[2]float64{0.0211667, 0.0212}},
			[]string{"x 0.021167, y 0.0212 mm/px from the resolution tag"}},
		{"given, tag disagrees", measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02}, Checks: []measure.Check{{Name: "ruler", OK: true}, {Name: "resolution tag"}}},
			[]string{"0.02 mm/px as given", "scale disagrees with: resolution tag"}},
	} {
		if d := cmp.Diff(c.want, scaleWords(c.s)); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
}

// sample is a small tray with one of everything.
func sample() (*image.NRGBA, measure.Measurement) {
	a, b := image.Rect(60, 50, 560, 90), image.Rect(100, 150, 600, 190)
	base := ground(640, 240, a, b)
	one := lying("larch-1", a, 70, 95, 120, 150, 175, 205, 240, 270, 305, 340, 380, 400, 420, 440, 460, 480)
	for i := range one.Rings {
		one.Rings[i].Year = ptr(2004 - i)
	}
	one.Boundaries[3].Probability, one.Boundaries[5].Source = 0.6, "person"
	one.Candidates = []measure.Candidate{{PointPx: measure.Point{255, 69.5}, TiltDeg: 8, Probability: 0.35}}
	one.Obscured = []measure.Stretch{{FromPx: measure.Point{310, 69.5}, ToPx: measure.Point{372, 69.5}, Kind: "stain"}}
	one.Doubts = make([]measure.Doubt, 1)
	var at []float64
	for x := 120.0; x < 420; x += 3 {
		at = append(at, x)
	}
	two := lying("larch-2", b, at...)
	two.BarkPresent, two.PithPresent = false, true
	two.Gaps = []measure.Stretch{{FromPx: measure.Point{440, 169.5}, ToPx: measure.Point{452, 169.5}, Kind: measure.Lost}}
	m := scanOf(base, one, two)
	m.Scale.Source, m.Scale.RelativeStandardUncertainty = measure.ScaleRuler, ptr(0.0005)
	m.Scale.Ruler = &measure.Ruler{Unit: "mm", Ticks: 31, LinePx: [2]measure.Point{{20, 220}, {620, 220}}}
	return base, m
}

func TestGolden(t *testing.T) {
	base, m := sample()
	img := Draw(base, 1, m)
	path := filepath.Join("testdata", "sample.png")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := WritePNG(path, img); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatalf("%v: run with -update to write it", err)
	}
	defer f.Close()
	want, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if want.Bounds() != img.Bounds() {
		t.Fatalf("overlay is %v, golden %v", img.Bounds(), want.Bounds())
	}
	// Fused multiply-adds of other processors may round a blend the other way.
	const tolerance = 2
	off := 0
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			a, b := img.NRGBAAt(x, y), color.NRGBAModel.Convert(want.At(x, y)).(color.NRGBA)
			if max(apartBy(a.R, b.R), apartBy(a.G, b.G), apartBy(a.B, b.B)) > tolerance {
				off++
			}
		}
	}
	if off > 0 {
		t.Errorf("%d px differ from %s: look at both, and run with -update if the new one is right", off, path)
	}
}

func apartBy(a, b uint8) int { return max(int(a)-int(b), int(b)-int(a)) }

// benchTray is as big as overlays get: ten cores with 300 rings each, on a
// scan of noise, which compresses worse than wood.
func benchTray() (*image.NRGBA, measure.Measurement) {
	base := noise(3934, 1700)
	var cores []measure.Core
	for i := range 10 {
		r := image.Rect(120, 40+150*i, 3820, 110+150*i)
		var at []float64
		for x := 130.0; x < 3800; x += 12.2 {
			at = append(at, x)
		}
		c := lying("core", r, at...)
		for k := range c.Rings {
			c.Rings[k].Year = ptr(2000 - k)
		}
		cores = append(cores, c)
	}
	return base, scanOf(base, cores...)
}
