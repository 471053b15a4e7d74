package strip

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"pithward/measure"
	"pithward/vision/raster"
)

// layered draws a picture of layers seen by a function of place: dark and
// light by turns, of uneven widths, round the given layer coordinate.
func layered(w, h int, layer func(x, y float64) float64) raster.Pixels {
	rng := rand.New(rand.NewPCG(3, 4))
	tones := make([]float64, 4000)
	for i := range tones {
		tones[i] = 90 + 120*rng.Float64()
	}
	px := raster.Pixels{Width: w, Height: h, Channels: 1, U8: make([]uint8, w*h)}
	for y := range h {
		for x := range w {
			l := layer(float64(x), float64(y))/9 + 2000
			k := int(math.Floor(l))
			f := l - float64(k)
			px.U8[y*w+x] = uint8(tones[k]*(1-f) + tones[k+1]*f + 6*rng.NormFloat64() + 0.5)
		}
	}
	return px
}

func TestFollowKnownCourse(t *testing.T) {
	const w, h, perMM = 2400, 260, 47.0
	middle := float64(h-1) / 2
	tests := []struct {
		name  string
		layer func(x, y float64) float64
		shift func(u, v float64) float64 // of the layer through column u, at v
		tol   float64                    // px
	}{
		{"square to the core", func(x, _ float64) float64 { return x }, func(_, _ float64) float64 { return 0 }, 0.7},
		{"turned 20 degrees", func(x, y float64) float64 { return x - math.Tan(20*math.Pi/180)*(y-middle) },
			func(_, v float64) float64 { return math.Tan(20*math.Pi/180) * v }, 1.2},
		{"arcs round a pith at 15 mm beyond the end", func(x, y float64) float64 { return -math.Hypot(w+15*perMM-x, y-middle) },
			func(u, v float64) float64 {
				r := w + 15*perMM - u
				return r - math.Sqrt(r*r-v*v)
			}, 1.5},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := Straighten(layered(w, h, tt.layer), []measure.Point{{0, middle}, {w - 1, middle}}, h-20, 1)
			c := Follow(s, perMM)
			var sum, n float64
			for u := 150.0; u < w-150; u += 10 {
				for _, v := range []float64{-90, -45, 45, 90} {
					d := c.Shift(u, v) - tt.shift(u, v)
					sum += d * d
					n++
				}
			}
			if rms := math.Sqrt(sum / n); rms > tt.tol {
				t.Errorf("course wrong by %.2f px (rms), want at most %.1f", rms, tt.tol)
			}
		})
	}
}

// TestFlattenAligns: after flattening, a column is one layer, so columns vary
// little across the core.
func TestFlattenAligns(t *testing.T) {
	px := layered(1500, 200, func(x, y float64) float64 { return x - 0.4*(y-100) })
	s := Straighten(px, []measure.Point{{0, 99.5}, {1499, 99.5}}, 180, 1)
	flat := s.Flatten(Follow(s, 47))
	across := func(s *Strip) float64 {
		var sum float64
		for c := 150; c < s.Cols-150; c++ {
			var m float64
			for r := range s.Rows {
				m += float64(s.Light[r*s.Cols+c]) / float64(s.Rows)
			}
			for r := range s.Rows {
				d := float64(s.Light[r*s.Cols+c]) - m
				sum += d * d
			}
		}
		return sum
	}
	if before, after := across(s), across(flat); after > before/10 {
		t.Errorf("variance across the core fell only from %.0f to %.0f", before, after)
	}
}

func TestStraightenFollowsTheAxis(t *testing.T) {
	// A bowed core: brightness is the distance from the axis, so every row is even.
	const w, h = 1200, 400
	bow := func(x float64) float64 { return 200 + 40*math.Sin(x/1200*math.Pi) }
	px := raster.Pixels{Width: w, Height: h, Channels: 1, U8: make([]uint8, w*h)}
	for y := range h {
		for x := range w {
			px.U8[y*w+x] = uint8(math.Max(0, math.Min(255, 128+(float64(y)-bow(float64(x))))))
		}
	}
	var axis []measure.Point
	for x := 0.0; x < w; x += 20 {
		axis = append(axis, measure.Point{x, bow(x)})
	}
	s := Straighten(px, axis, 100, 1)
	for _, r := range []int{0, s.Rows / 2, s.Rows - 1} {
		for c := 50; c < s.Cols-50; c += 50 {
			if got, want := float64(s.Light[r*s.Cols+c]), 128+s.Across(r); math.Abs(got-want) > 1.5 {
				t.Fatalf("row %d column %d: %.1f, want %.1f", r, c, got, want)
			}
		}
	}
}

// TestPlaceAndBack: a place's strip coordinates lead back to it.
func TestPlaceAndBack(t *testing.T) {
	px := raster.Pixels{Width: 900, Height: 500, Channels: 1, U8: make([]uint8, 900*500)}
	s := Straighten(px, []measure.Point{{40, 200}, {300, 220}, {600, 215}, {860, 190}}, 120, 1)
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Float64Range(5, float64(s.Cols-6)).Draw(t, "u")
		v := rapid.Float64Range(-60, 60).Draw(t, "v")
		gotU, gotV := s.Locate(s.Place(u, v))
		if math.Abs(gotU-u) > 0.2 || math.Abs(gotV-v) > 0.2 {
			t.Fatalf("(%.2f, %.2f) came back as (%.2f, %.2f)", u, v, gotU, gotV)
		}
	})
}

func TestCrossing(t *testing.T) {
	px := raster.Pixels{Width: 500, Height: 200, Channels: 1, U8: make([]uint8, 500*200)}
	s := Straighten(px, []measure.Point{{0, 100}, {499, 100}}, 100, 1)
	for _, tt := range []struct {
		name string
		line []measure.Point
		want float64
		ok   bool
	}{
		{"square", []measure.Point{{120, 50}, {120, 150}}, 120, true},
		{"slanting", []measure.Point{{100, 60}, {140, 140}}, 120, true},
		{"beside", []measure.Point{{100, 20}, {140, 80}}, 0, false},
	} {
		u, ok := s.Crossing(tt.line)
		if ok != tt.ok || ok && math.Abs(u-tt.want) > 0.01 {
			t.Errorf("%s: %v %v, want %v %v", tt.name, u, ok, tt.want, tt.ok)
		}
	}
}

func TestOnsetsAtARaggedEnd(t *testing.T) {
	// Ground of 20, wood of 180; the wood's edge steps from row to row.
	const w, h = 800, 200
	px := raster.Pixels{Width: w, Height: h, Channels: 1, U8: make([]uint8, w*h)}
	edge := func(y int) int { return 100 + (y/20)%3*15 }
	for y := range h {
		for x := range w {
			px.U8[y*w+x] = 20
			if x >= edge(y) {
				px.U8[y*w+x] = 180
			}
		}
	}
	s := Straighten(px, []measure.Point{{100, 99.5}, {700, 99.5}}, 160, 1)
	for r, got := range s.Onsets(px, false, 47) {
		y := 99.5 + s.Across(r) // between two rows of the picture
		a, b := float64(edge(int(y))-100), float64(edge(int(y+1))-100)
		if got < math.Min(a, b)-4 || got > math.Max(a, b)+4 {
			t.Errorf("row %d: onset %.0f, want %.0f to %.0f", r, got, a, b)
		}
	}
}

// coloured makes a gray picture one in colour: red brighter than blue.
func coloured(px raster.Pixels) raster.Pixels {
	out := raster.Pixels{Width: px.Width, Height: px.Height, Channels: 3}
	for _, v := range px.U8 {
		out.U8 = append(out.U8, v/2, v-v/4, v)
	}
	return out
}

// The quick way through 8-bit colour tells the same as the general one.
func TestStraightenColour(t *testing.T) {
	px := coloured(layered(900, 120, func(x, y float64) float64 { return x + 0.2*y }))
	deep := raster.Pixels{Width: px.Width, Height: px.Height, Channels: 3}
	for _, v := range px.U8 {
		deep.U16 = append(deep.U16, uint16(v)*257)
	}
	axis := []measure.Point{{-3, 55.3}, {400, 61.7}, {905, 40.2}} // beyond the scan too
	got, want := Straighten(px, axis, 110, 1), Straighten(deep, axis, 110, 1)
	for i, v := range want.Light {
		if math.Abs(float64(got.Light[i]-v)) > 0.5 || math.Abs(float64(got.Brown[i]-want.Brown[i])) > 0.5 {
			t.Fatalf("%d: %.2f and %.2f, want %.2f and %.2f", i, got.Light[i], got.Brown[i], v, want.Brown[i])
		}
	}
}

func BenchmarkStraighten(b *testing.B) {
	px := coloured(layered(6000, 260, func(x, _ float64) float64 { return x }))
	for b.Loop() {
		Straighten(px, []measure.Point{{0, 130}, {5999, 130}}, 240, 0.84)
	}
}

func BenchmarkFollow(b *testing.B) {
	s := Straighten(layered(6000, 260, func(x, _ float64) float64 { return x }), []measure.Point{{0, 130}, {5999, 130}}, 240, 0.84)
	for b.Loop() {
		Follow(s, 47)
	}
}

func BenchmarkFlatten(b *testing.B) {
	s := Straighten(coloured(layered(6000, 260, func(x, _ float64) float64 { return x })), []measure.Point{{0, 130}, {5999, 130}}, 240, 0.84)
	c := Follow(s, 47)
	for b.Loop() {
		s.Flatten(c)
	}
}

// TestFollowHoldsAxis: wherever the bands deviate, the layer through column u
// of the axis crosses the axis there.
func TestFollowHoldsAxis(t *testing.T) {
	s := &Strip{Rows: 36, Cols: 2000, RowPx: 5}
	s.Light = make([]float32, s.Rows*s.Cols)
	rng := rand.New(rand.NewPCG(3, 1))
	for r := range s.Rows {
		for u := range s.Cols {
			wave := 3 * math.Sin(float64(u)/90+s.Across(r)/20)
			s.Light[r*s.Cols+u] = float32(150 + 60*math.Sin((float64(u)+0.1*s.Across(r)+wave)/6) + 8*rng.NormFloat64())
		}
	}
	c := Follow(s, 47)
	for u := 0.0; u < 2000; u += 37 {
		if off := c.Shift(u, 0); math.Abs(off) > 1e-9 {
			t.Fatalf("the layer at column %.0f crosses the axis %.3f px off", u, off)
		}
	}
}
