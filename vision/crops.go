package vision

import (
	"fmt"
	"image"
	imagedraw "image/draw"
	"math"

	"pithward/measure"
	"pithward/vision/strip"
)

// Limits of a crop, px: chosen, far beyond what a page shows.
const (
	cropLength  = 20_000
	cropBreadth = 4_000
	cropSide    = 1_600 // a crop is shrunk to at most this
)

// WriteCrops writes pieces of a scan.
func WriteCrops(s *Scan, crops []measure.Crop) error {
	for _, c := range crops {
		if err := checkCrop(c); err != nil {
			return err
		}
		img, _ := strip.Colour(s.Pixels(), c.PathPx, c.BreadthPx)
		flat := image.NewRGBA(img.Rect)
		imagedraw.Draw(flat, flat.Rect, img, image.Point{}, imagedraw.Src)
		size := flat.Rect.Size()
		for max(size.X, size.Y) > cropSide {
			half := halve(size, fromPicture(flat))
			flat, size = half, half.Rect.Size()
		}
		if err := writeTile(c.File, flat); err != nil {
			return err
		}
	}
	return nil
}

// checkCrop tells what is wrong with a crop that was asked for.
func checkCrop(c measure.Crop) error {
	var length float64
	for i := 1; i < len(c.PathPx); i++ {
		length += math.Hypot(c.PathPx[i][0]-c.PathPx[i-1][0], c.PathPx[i][1]-c.PathPx[i-1][1])
	}
	if !(length >= 2 && length <= cropLength && c.BreadthPx >= 2 && c.BreadthPx <= cropBreadth) {
		return fmt.Errorf("a crop of %.0f by %.0f px cannot be cut: it must be 2 to %d by 2 to %d", length, c.BreadthPx, cropLength, cropBreadth)
	}
	return nil
}
