// Package strip straightens a core: it samples the wood along and across the
// core's axis at full resolution, and follows the course of the layers across
// it, so that what belongs to one ring comes to lie in one column.
//
// Strip coordinates: u runs along the axis in scan px from its first vertex,
// v across it in scan px from the axis, positive to the right-hand side when
// walking along the axis as displayed (downward for a core walked from left to
// right). Column i is at u = i, row r at v = Across(r).
package strip

import (
	"math"

	"pithward/measure"
	"pithward/vision/raster"
)

// Strip is one straightened core. Planes are row after row, Rows x Cols.
type Strip struct {
	Rows, Cols int
	RowPx      float64   // scan px between neighbouring rows
	Light      []float32 // brightness, 0..255
	Brown      []float32 // red minus blue, about -255..255; 0 in a gray scan
	axis       []measure.Point
	normal     []measure.Point
}

// maxRows bounds the rows of a strip: enough to tell agreement across the
// breadth from chance, few enough that a tray is read as fast as it decodes.
const maxRows = 36

// Straighten samples the scan along an axis of at least two points, over the
// part of the breadth given by keep (0..1, the middle). Samples outside the
// scan repeat its edge.
func Straighten(px raster.Pixels, axis []measure.Point, breadthPx, keep float64) *Strip {
	s := &Strip{}
	s.axis, s.normal = resample(axis)
	s.Cols = len(s.axis)
	span := breadthPx * keep
	s.Rows = int(math.Max(3, math.Min(maxRows, math.Round(span))))
	s.RowPx = span / float64(s.Rows)
	s.Light = make([]float32, s.Rows*s.Cols)
	if px.Channels >= 3 {
		s.Brown = make([]float32, s.Rows*s.Cols)
	}
	sub := int(math.Max(1, math.Round(s.RowPx/1.6))) // lines 1.6 px apart: neighbours tell the same
	raster.InParallel(s.Rows, func(r int) { s.sampleRow(px, r, sub) })
	return s
}

// sampleRow averages sub lines of samples into row r.
func (s *Strip) sampleRow(px raster.Pixels, r, sub int) {
	light := s.Light[r*s.Cols : (r+1)*s.Cols]
	var brown []float32
	if s.Brown != nil {
		brown = s.Brown[r*s.Cols : (r+1)*s.Cols]
	}
	part := 1 / float32(sub)
	for k := 0; k < sub; k++ {
		v := s.Across(r) + s.RowPx*((float64(k)+0.5)/float64(sub)-0.5)
		if px.U8 != nil && px.Channels == 3 {
			s.sampleBGR(px, v, part, light, brown)
			continue
		}
		for i := range light {
			x := s.axis[i][0] + v*s.normal[i][0]
			y := s.axis[i][1] + v*s.normal[i][1]
			b, g, red := px.Sample(x, y)
			light[i] += part * (lightBlue*b + lightGreen*g + lightRed*red)
			if brown != nil {
				brown[i] += part * (red - b)
			}
		}
	}
}

// The shares of the colours in brightness (ITU-R BT.601).
const lightBlue, lightGreen, lightRed = 0.114, 0.587, 0.299

// toneOf holds for each value of blue, green and red what it adds to a pixel's
// tone: brightness in 256ths in the lower 32 bits, and red minus blue, plus
// 255, in the upper ones. So one number is weighed and added for both.
var toneOf = func() (t [3][256]uint64) {
	for v := range uint64(256) {
		t[0][v] = uint64(lightBlue*256*float64(v)+0.5) + (255-v)<<32
		t[1][v] = uint64(lightGreen*256*float64(v) + 0.5)
		t[2][v] = uint64(lightRed*256*float64(v)+0.5) + v<<32
	}
	return t
}()

// sampleBGR adds part of the tones of an 8-bit colour scan along the line v px
// from the axis, bilinear with places taken to 1/256 px. From one place to the
// next the line mostly moves on by a pixel, so that half of the four tones round
// it are known.
func (s *Strip) sampleBGR(px raster.Pixels, v float64, part float32, light, brown []float32) {
	const bits, one = 8, 1 << 8
	lastX, lastY := (px.Width-1)<<bits-1, (px.Height-1)<<bits-1
	stride := 3 * px.Width
	var upper, lower [2]uint64 // tones of the pixels at and stride behind it, left and right
	from := -6                 // where they were taken
	for i, n := range s.normal {
		x := min(max(0, int((s.axis[i][0]+v*n[0])*one+0.5)), lastX)
		y := min(max(0, int((s.axis[i][1]+v*n[1])*one+0.5)), lastY)
		at := y>>bits*stride + x>>bits*3
		p, q := px.U8[at:at+6:at+6], px.U8[at+stride:at+stride+6:at+stride+6]
		if at == from+3 {
			upper[0], lower[0] = upper[1], lower[1]
		} else {
			upper[0], lower[0] = tone(p[0], p[1], p[2]), tone(q[0], q[1], q[2])
		}
		upper[1], lower[1] = tone(p[3], p[4], p[5]), tone(q[3], q[4], q[5])
		from = at
		fx, fy := uint64(x&(one-1)), uint64(y&(one-1))
		sum := (upper[0]*(one-fx)+upper[1]*fx)*(one-fy) + (lower[0]*(one-fx)+lower[1]*fx)*fy // at most 65281 * 65536 in the lower half
		// Signed numbers become floating ones in a single step.
		light[i] += part / (one * one * one) * float32(int64(uint32(sum)))
		brown[i] += part * (float32(int64(sum>>32))/(one*one) - 255)
	}
}

func tone(b, g, r uint8) uint64 { return toneOf[0][b] + toneOf[1][g] + toneOf[2][r] }

// Across returns v of row r.
func (s *Strip) Across(r int) float64 {
	return (float64(r) - float64(s.Rows-1)/2) * s.RowPx
}

// Place returns the scan position of strip coordinates; u is clamped to the
// strip's ends.
func (s *Strip) Place(u, v float64) measure.Point {
	u = math.Max(0, math.Min(float64(s.Cols-1), u))
	i := int(u)
	if i > s.Cols-2 {
		i = s.Cols - 2
	}
	f := u - float64(i)
	var p measure.Point
	for k := range p {
		a := s.axis[i][k] + v*s.normal[i][k]
		b := s.axis[i+1][k] + v*s.normal[i+1][k]
		p[k] = a + f*(b-a)
	}
	return p
}

// resample walks a polyline in steps of one px and returns the points and
// smoothed unit normals (right-hand side of the direction of walk, y down).
func resample(line []measure.Point) (at, normal []measure.Point) {
	var carry float64
	for k := 1; k < len(line); k++ {
		dx, dy := line[k][0]-line[k-1][0], line[k][1]-line[k-1][1]
		length := math.Hypot(dx, dy)
		for ; carry <= length; carry++ {
			f := carry / length
			at = append(at, measure.Point{line[k-1][0] + f*dx, line[k-1][1] + f*dy})
		}
		carry -= length
	}
	normal = make([]measure.Point, len(at))
	const reach = 40 // px each way: bends are far longer
	for i := range at {
		a, b := max(0, i-reach), min(len(at)-1, i+reach)
		dx, dy := at[b][0]-at[a][0], at[b][1]-at[a][1]
		h := math.Hypot(dx, dy)
		normal[i] = measure.Point{-dy / h, dx / h}
	}
	return at, normal
}

// Locate returns the strip coordinates of a place on the scan: the nearest
// point of the axis, and the distance from it across.
func (s *Strip) Locate(p measure.Point) (u, v float64) {
	best := math.Inf(1)
	k := 0
	for i, a := range s.axis {
		if d := sq(a[0]-p[0]) + sq(a[1]-p[1]); d < best {
			best, k = d, i
		}
	}
	// The normals are smoothed: go on until u and v give the place back.
	u = float64(k)
	for range 4 {
		q := s.Place(u, 0)
		i := min(max(0, int(u)), len(s.normal)-1)
		n := s.normal[i]
		dx, dy := p[0]-q[0], p[1]-q[1]
		v = dx*n[0] + dy*n[1]
		u += dx*n[1] - dy*n[0]
		u = math.Max(0, math.Min(float64(s.Cols-1), u))
	}
	return u, v
}

// Crossing returns the column at which a line crosses the axis; false where
// it does not.
func (s *Strip) Crossing(line []measure.Point) (float64, bool) {
	for i := 1; i < len(line); i++ {
		u0, v0 := s.Locate(line[i-1])
		u1, v1 := s.Locate(line[i])
		if v0 == v1 || (v0 > 0) == (v1 > 0) {
			continue
		}
		return u0 + (u1-u0)*v0/(v0-v1), true
	}
	return 0, false
}

func sq(x float64) float64 { return x * x }
