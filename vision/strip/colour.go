package strip

import (
	"image"
	"math"

	"pithward/measure"
	"pithward/vision/raster"
)

// Colour returns a picture of the core straightened along an axis at full
// resolution, one pixel of the scan to one of the picture, the axis along its
// middle row, and the map from scan px to px of the picture.
func Colour(px raster.Pixels, axis []measure.Point, breadthPx float64) (*image.NRGBA, func(measure.Point) measure.Point) {
	rows := int(math.Max(3, math.Round(breadthPx)))
	s := &Strip{Rows: rows, RowPx: 1}
	s.axis, s.normal = resample(axis)
	s.Cols = len(s.axis)
	img := image.NewNRGBA(image.Rect(0, 0, s.Cols, rows))
	for r := range rows {
		v := s.Across(r)
		for i, a := range s.axis {
			b, g, red := px.Sample(a[0]+v*s.normal[i][0], a[1]+v*s.normal[i][1])
			k := r*img.Stride + 4*i
			img.Pix[k], img.Pix[k+1], img.Pix[k+2], img.Pix[k+3] = round8(red), round8(g), round8(b), 255
		}
	}
	return img, func(p measure.Point) measure.Point {
		u, v := s.Locate(p)
		return measure.Point{u, v + float64(rows-1)/2}
	}
}

func round8(x float32) uint8 { return uint8(max(0, min(255, x+0.5))) }
