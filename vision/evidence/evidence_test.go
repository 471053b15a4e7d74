package evidence

import (
	"math"
	"math/rand/v2"
	"testing"

	"pithward/measure"
	"pithward/vision/raster"
	"pithward/vision/strip"
)

const perMM = 47.0

// core draws a plain conifer: in each ring, from bark (left) to pith, dark
// latewood that begins at once and pales slowly. Rings are concentric about
// pith where it is given (u, v of the strip, px from its left end and axis).
func core(t testing.TB, w, h int, bark int, pith *[2]float64, seed uint64) (*strip.Strip, raster.Pixels, []float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 2))
	var at []float64 // boundaries, px from the left
	for x := float64(bark) + 20; x < float64(w); x += 25 + 50*rng.Float64() {
		at = append(at, x)
	}
	px := raster.Pixels{Width: w, Height: h, Channels: 3, U8: make([]uint8, 3*w*h)}
	for y := range h {
		k := 0
		for x := range w {
			pos := float64(x)
			if pith != nil {
				pos = pith[0] - math.Hypot(float64(x)-pith[0], float64(y)-float64(h-1)/2-pith[1])
				k = 0
			}
			for k < len(at) && at[k] <= pos {
				k++
			}
			light := 190.0
			if k > 0 && k < len(at) {
				light -= 90 * math.Exp(-(pos-at[k-1])/9)
			}
			if x < bark {
				light = 50 + 20*rng.Float64()
			}
			light += 5 * rng.NormFloat64()
			i := 3 * (y*w + x)
			px.U8[i], px.U8[i+1], px.U8[i+2] = uint8(light*0.6), uint8(light*0.85), uint8(light)
		}
	}
	mid := float64(h-1) / 2
	return strip.Straighten(px, []measure.Point{{0, mid}, {float64(w - 1), mid}}, float64(h-8), 0.9), px, at
}

// TestFeaturesTurned: a core turned end for end has the same features, those
// that ask for a step with the other sign.
func TestFeaturesTurned(t *testing.T) {
	s, _, _ := core(t, 900, 120, 0, nil, 1)
	f := Extract(s, perMM)
	back := *s
	back.Light, back.Brown = mirrored(s.Light, s), mirrored(s.Brown, s)
	g := Extract(&back, perMM)
	turned := make([]float32, FeatureCount)
	for u := range f.Cols {
		Turned(turned, f.Row(u))
		for k, want := range turned {
			if got := g.Row(f.Cols - 1 - u)[k]; math.Abs(float64(got-want)) > 2e-3 {
				t.Fatalf("column %d value %d (%v): %v, want %v", u, k, questions[k/2], got, want)
			}
		}
	}
}

func mirrored(x []float32, s *strip.Strip) []float32 {
	out := make([]float32, len(x))
	for r := range s.Rows {
		for c := range s.Cols {
			out[r*s.Cols+c] = x[r*s.Cols+s.Cols-1-c]
		}
	}
	return out
}

func TestFeaturesAreBounded(t *testing.T) {
	for _, fill := range []float32{0, 255} {
		s, _, _ := core(t, 400, 60, 0, nil, 2)
		for i := range s.Light {
			s.Light[i], s.Brown[i] = fill, 0
		}
		f := Extract(s, perMM)
		for i, v := range f.At {
			if !(v >= -1 && v <= 1) {
				t.Fatalf("even wood of %v: value %d is %v", fill, i, v)
			}
		}
	}
}

// Plain conifers, ten of them: of each, one boundary besides the last may be
// missed or lie off by more than a px and a half, on average.
func TestReadPlainConifer(t *testing.T) {
	found, drawn := 0, 0
	for seed := range uint64(10) {
		s, px, at := core(t, 3000, 200, 90, nil, 1+seed)
		c := strip.Follow(s, perMM)
		flat := s.Flatten(c)
		f := Extract(flat, perMM)
		m := Default()
		known := Known{Wood: measure.Conifer, Onsets: [2][]float64{s.Onsets(px, false, perMM), s.Onsets(px, true, perMM)}}
		look := m.Judge(f, c, s, Span{From: 0, To: float64(s.Cols - 1), PxPerMM: perMM}, known)
		if look.Span.Dir != 1 || !look.BarkPresent {
			t.Errorf("core %d: bark at low columns not seen: %+v", seed, look)
		}
		if math.Abs(look.Span.From-90) > 8 {
			t.Errorf("core %d: wood begins at %.0f px, want 90", seed, look.Span.From)
		}
		r := m.Read(f, measure.Conifer, look.Span)
		for _, k := range r.Accepted {
			u := m.Locate(f, r, k, measure.Conifer, look.Span, 0).U
			for _, b := range at {
				if math.Abs(u-b) < 1.5 {
					found++
				}
			}
		}
		drawn += len(at)
		if n := len(at) - 1; len(r.Accepted) > n+1 {
			t.Errorf("core %d: %d boundaries accepted of %d", seed, len(r.Accepted), n)
		}
		if math.Abs(r.Count-float64(len(at))) > 3 {
			t.Errorf("core %d: expected number of boundaries %.1f, drawn %d", seed, r.Count, len(at))
		}
	}
	if found < drawn-2*10 {
		t.Errorf("%d of %d boundaries within 1.5 px", found, drawn)
	}
}

func TestFindPith(t *testing.T) {
	for _, tt := range []struct {
		name string
		pith [2]float64
		on   bool
	}{
		{"on the core", [2]float64{2700, 20}, true},
		{"25 mm beyond its end", [2]float64{3000 + 25*perMM, 0}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, _, _ := core(t, 3000, 220, 0, &tt.pith, 4)
			c := strip.Follow(s, perMM)
			p := FindPith(c, s, Span{From: 0, To: float64(s.Cols - 1), Dir: 1, PxPerMM: perMM})
			if (p != nil) != tt.on {
				t.Fatalf("found %+v", p)
			}
			if p != nil && math.Hypot(p.U-tt.pith[0], p.V-tt.pith[1]) > 0.3*perMM {
				t.Errorf("pith at %.0f, %.0f px, want %v", p.U, p.V, tt.pith)
			}
		})
	}
}

// TestPithSettles: seen from one side, layers tell badly on which side of the
// axis the pith lies; a place that is good already stays.
func TestPithSettles(t *testing.T) {
	pith := [2]float64{2500, 55}
	s, _, _ := core(t, 3000, 220, 0, &pith, 4)
	half := float64(s.Rows) / 2 * s.RowPx
	for _, from := range []Pith{{U: 2500 + 1.2*perMM, V: -60}, {U: 2502, V: 53}} {
		p := from
		p.settle(s, Span{From: 0, To: float64(s.Cols - 1), Dir: 1, PxPerMM: perMM}, half)
		if math.Hypot(p.U-pith[0], p.V-pith[1]) > 0.25*perMM {
			t.Errorf("from %.0f, %.0f the pith comes to %.0f, %.0f px, want %v", from.U, from.V, p.U, p.V, pith)
		}
	}
}

// TestTrimSlivers: what is left beyond an opening at a core's end is no wood, but
// under bark it may be the newest ring.
func TestTrimSlivers(t *testing.T) {
	for _, tt := range []struct {
		name     string
		bark     bool
		openings [][2]float64 // mm, on 50 mm
		from, to float64
	}{
		{"none", false, nil, 0, 50},
		{"a sliver at either end", false, [][2]float64{{0.2, 1.1}, {30, 31}, {49.2, 49.7}}, 1.1, 49.2},
		{"one behind the other", false, [][2]float64{{0.1, 0.3}, {0.7, 1}}, 1, 50},
		{"a piece of a millimetre", false, [][2]float64{{1, 1.5}}, 0, 50},
		{"under bark", true, [][2]float64{{0.2, 0.4}, {49.8, 50}}, 0, 49.8},
		{"nothing but an opening", false, [][2]float64{{-1, 51}}, 0, 50},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := Look{BarkPresent: tt.bark, Span: Span{From: 0, To: 50 * perMM, Dir: 1, PxPerMM: perMM}}
			for _, o := range tt.openings {
				l.Span.Openings = append(l.Span.Openings, [2]float64{o[0] * perMM, o[1] * perMM})
			}
			l.trimSlivers()
			if from, to := l.Span.From/perMM, l.Span.To/perMM; math.Abs(from-tt.from) > 1e-9 || math.Abs(to-tt.to) > 1e-9 {
				t.Errorf("wood from %.2f to %.2f mm, want %.2f to %.2f", from, to, tt.from, tt.to)
			}
		})
	}
}

func TestEndsWithoutBark(t *testing.T) {
	s, px, _ := core(t, 3000, 200, 0, nil, 5)
	low, high := Ends(s, [2][]float64{s.Onsets(px, false, perMM), s.Onsets(px, true, perMM)}, perMM)
	if low.Score > barkScore || high.Score > barkScore {
		t.Errorf("bark seen where there is none: %+v %+v", low, high)
	}
}

func TestCandidates(t *testing.T) {
	score := []float32{-9, -3, 2, 1, -4, -8, -20, -5, -20, 0, 1, 1, 0}
	got := Candidates(score)
	want := []float64{2.33, 7, 11}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i, c := range got {
		if math.Abs(c.U-want[i]) > 0.6 {
			t.Errorf("candidate %d at %.2f, want about %.2f", i, c.U, want[i])
		}
	}
}

// TestTanh holds the approximation to its stated error.
func TestTanh(t *testing.T) {
	for x := -8.0; x <= 8; x += 0.001 {
		if d := math.Abs(float64(tanh(float32(x))) - math.Tanh(x)); d > 2e-4 {
			t.Fatalf("tanh(%v) wrong by %v", x, d)
		}
	}
}

func TestModelIsWhole(t *testing.T) {
	m := Default()
	for _, w := range Woods {
		if n := m.Column[w]; n == nil || n.In != FeatureCount || n.Out != 1 {
			t.Errorf("%s: column net %+v", w, n)
		}
		if n := m.Context[w]; n == nil || n.In != SecondCount {
			t.Errorf("%s: context net %+v", w, n)
		}
		if m.Prior[w].Spread <= 0 || len(m.Place[w].Deviation) == 0 || m.Calibration[w][0] <= 0 {
			t.Errorf("%s: prior %v place %v calibration %v", w, m.Prior[w], m.Place[w], m.Calibration[w])
		}
	}
}

// Both directions worked out together are what the net says of each.
func TestOddsBothWays(t *testing.T) {
	s, _, _ := core(t, 1500, 60, 0, nil, 6)
	f, m := Extract(s, perMM), Default()
	for _, wood := range Woods {
		net, o := m.Column[wood], m.oddsOf(f)
		hidden, out, turned := make([]float32, net.Hidden), make([]float32, 1), make([]float32, FeatureCount)
		for u := 0; u < f.Cols; u += 7 {
			for _, dir := range []int{1, -1} {
				x := f.Row(u)
				if dir < 0 {
					Turned(turned, x)
					x = turned
				}
				net.Apply(x, hidden, out)
				if got := o.of(wood, dir)[u]; math.Abs(float64(got-out[0])) > 1e-3 {
					t.Fatalf("%s, column %d, direction %d: %g, want %g", wood, u, dir, got, out[0])
				}
			}
		}
	}
}

func BenchmarkExtract(b *testing.B) {
	s, _, _ := core(b, 6000, 240, 0, nil, 6)
	for b.Loop() {
		Extract(s, perMM)
	}
}

func BenchmarkRead(b *testing.B) {
	s, _, _ := core(b, 6000, 240, 0, nil, 6)
	f := Extract(s, perMM)
	for b.Loop() {
		Default().Read(f, measure.Conifer, Span{From: 0, To: 5999, Dir: 1, PxPerMM: perMM})
	}
}

func BenchmarkJudge(b *testing.B) {
	s, px, _ := core(b, 6000, 240, 200, nil, 6)
	c := strip.Follow(s, perMM)
	f := Extract(s.Flatten(c), perMM)
	known := Known{Onsets: [2][]float64{s.Onsets(px, false, perMM), s.Onsets(px, true, perMM)}}
	for b.Loop() {
		Default().Judge(f, c, s, Span{From: 0, To: float64(s.Cols - 1), PxPerMM: perMM}, known)
	}
}

// TestFindGaps paints on wood what parts it and what only looks like it.
func TestFindGaps(t *testing.T) {
	const w, h = 3000, 200
	wave := func(y int) int { return int(6 * math.Sin(float64(y)/17)) }
	tests := []struct {
		name string
		cut  func(x, y int) bool
		want [][2]float64 // columns
	}{
		{"whole wood", func(x, y int) bool { return false }, nil},
		{"a crack from rim to rim", func(x, y int) bool { d := x - 1500 - wave(y); return d >= 0 && d < 8 }, [][2]float64{{1500, 1508}}},
		{"a wide break", func(x, y int) bool { d := x - 1200 - wave(y); return d >= 0 && d < 60 }, [][2]float64{{1200, 1260}}},
		{"a crack that stops half way", func(x, y int) bool { d := x - 1500 - wave(y); return d >= 0 && d < 8 && y < h/2 }, nil},
		{"a crack along the core", func(x, y int) bool { return y > 90 && y < 96 && x > 500 && x < 2500 }, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, px, _ := core(t, w, h, 0, nil, 8)
			for y := range h {
				for x := range w {
					if tt.cut(x, y) {
						i := 3 * (y*w + x)
						px.U8[i], px.U8[i+1], px.U8[i+2] = 22, 20, 18
					}
				}
			}
			s := strip.Straighten(px, []measure.Point{{0, 99.5}, {w - 1, 99.5}}, h-8, 0.9)
			tones := make([]strip.Tone, 500)
			for i := range tones {
				tones[i] = strip.Tone{Light: 20 + float32(i%3), Brown: -4}
			}
			got := FindGaps(s, tones, perMM)
			if len(got) != len(tt.want) {
				t.Fatalf("found %v, want %v", got, tt.want)
			}
			for i := range got {
				if math.Abs(got[i][0]-tt.want[i][0]) > 4 || math.Abs(got[i][1]-tt.want[i][1]) > 4 {
					t.Errorf("gap at %.1f, want %v", got[i], tt.want[i])
				}
			}
		})
	}
}

func BenchmarkPith(b *testing.B) {
	s, _, _ := core(b, 6000, 240, 0, nil, 6)
	span := Span{From: 0, To: 5999, Dir: 1, PxPerMM: perMM}
	g := coarsen(s, span, 0.2*perMM)
	for b.Loop() {
		g.encircle(&Pith{U: 3000}, 60, span, 100)
	}
}
