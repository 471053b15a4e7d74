package strip

import (
	"math"

	"pithward/measure"
	"pithward/vision/raster"
)

// Onsets returns for each row how far, in px from the low or the high end of
// the strip, the ground behind a broken or eroded end can be seen before wood
// or bark begins: what looks like what lies beyond the end. It looks at the
// first 12 mm at most.
func (s *Strip) Onsets(px raster.Pixels, high bool, pxPerMM float64) []float64 {
	out := make([]float64, s.Rows)
	mean, dev, ok := s.beyond(px, high, pxPerMM)
	if !ok {
		return out
	}
	limit := math.Min(12*pxPerMM, float64(s.Cols/3))
	for r := range out {
		for out[r] < limit && s.ground(px, r, out[r], high, mean, dev) {
			out[r]++
		}
	}
	return out
}

// ground tells whether most of the next 0.1 mm or so of a row, d px from an
// end, looks like the ground: a speck of dust on it is no wood.
func (s *Strip) ground(px raster.Pixels, r int, d float64, high bool, mean, dev [3]float64) bool {
	const look = 5
	like := 0
	for k := range look {
		if alike(px, s.Place(s.fromEnd(d+float64(k), high), s.Across(r)), mean, dev) {
			like++
		}
	}
	return like > look/2
}

func (s *Strip) fromEnd(d float64, high bool) float64 {
	if high {
		return float64(s.Cols-1) - d
	}
	return d
}

// beyond returns the mean colour, and a limit of its scatter, of the ground
// 0.4 to 1.4 mm beyond an end; false where the scan ends there.
func (s *Strip) beyond(px raster.Pixels, high bool, pxPerMM float64) (mean, dev [3]float64, ok bool) {
	var n float64
	var sum, square [3]float64
	s.eachBeyond(px, high, pxPerMM, func(b, g, r float32) {
		for k, c := range []float32{b, g, r} {
			sum[k] += float64(c)
			square[k] += float64(c) * float64(c)
		}
		n++
	})
	if n < 100 {
		return mean, dev, false
	}
	for k := range mean {
		mean[k] = sum[k] / n
		dev[k] = 2.5*math.Sqrt(math.Max(0, square[k]/n-mean[k]*mean[k])) + 4
	}
	return mean, dev, true
}

// eachBeyond visits the pixels 0.4 to 1.4 mm beyond an end.
func (s *Strip) eachBeyond(px raster.Pixels, high bool, pxPerMM float64, visit func(b, g, r float32)) {
	end, in := s.Place(s.fromEnd(0, high), 0), s.Place(s.fromEnd(20, high), 0)
	normal := s.normal[0]
	if high {
		normal = s.normal[len(s.normal)-1]
	}
	h := math.Hypot(end[0]-in[0], end[1]-in[1])
	dir := measure.Point{(end[0] - in[0]) / h, (end[1] - in[1]) / h}
	for d := 0.4 * pxPerMM; d < 1.4*pxPerMM; d++ {
		for r := range s.Rows {
			v := s.Across(r)
			x, y := end[0]+d*dir[0]+v*normal[0], end[1]+d*dir[1]+v*normal[1]
			if x >= 0 && y >= 0 && x <= float64(px.Width-1) && y <= float64(px.Height-1) {
				visit(px.Sample(x, y))
			}
		}
	}
}

func alike(px raster.Pixels, p measure.Point, mean, dev [3]float64) bool {
	b, g, r := px.Sample(p[0], p[1])
	for k, c := range []float32{b, g, r} {
		if math.Abs(float64(c)-mean[k]) > dev[k] {
			return false
		}
	}
	return true
}

// Tone is what the strip keeps of a pixel's colour.
type Tone struct{ Light, Brown float32 }

// Beyond returns the tones of the ground 0.4 to 1.4 mm beyond an end, none
// where the scan ends there.
func (s *Strip) Beyond(px raster.Pixels, high bool, pxPerMM float64) []Tone {
	var out []Tone
	s.eachBeyond(px, high, pxPerMM, func(b, g, r float32) {
		out = append(out, Tone{0.114*b + 0.587*g + 0.299*r, r - b})
	})
	return out
}
