package vision

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math/bits"
	"os"
	"path/filepath"
	"runtime"

	"golang.org/x/sync/errgroup"

	"pithward/vision/raster"
)

// The pyramid of tiles is in the Deep Zoom format (Microsoft, "Deep Zoom File
// Format Overview"): level n has the whole picture in ceil(size / 2^(top-n))
// px, the top level is the scan itself, level 0 is one pixel.
const (
	TileSize    = 512 // px: chosen, some 60 kB a tile
	TileOverlap = 1   // px that a tile repeats of each neighbour, so that turned tiles show no seam
	tileQuality = 92  // of JPEG: chosen, no seam or block to be seen on wood
	TilesName   = "scan"
)

// WriteTiles writes the scan into a folder as a pyramid of JPEG tiles, 8 bits
// a channel: TilesName.dzi, which comes last, and TilesName_files.
func WriteTiles(ctx context.Context, s *Scan, dir string, tell Progress) error {
	px := s.Pixels()
	top := bits.Len(uint(max(px.Width, px.Height) - 1))
	level := func(n int) string { return filepath.Join(dir, TilesName+"_files", fmt.Sprint(n)) }
	draw := fromScan(px)
	size := image.Pt(px.Width, px.Height)
	for n := top; n >= 0; n-- {
		tell("cutting tiles", top-n, top+1)
		if err := os.MkdirAll(level(n), 0o777); err != nil {
			return err
		}
		if err := writeLevel(ctx, level(n), size, draw); err != nil {
			return err
		}
		half := halve(size, draw)
		draw, size = fromPicture(half), half.Rect.Size()
	}
	dzi := fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<Image xmlns="http://schemas.microsoft.com/deepzoom/2008" Format="jpg" Overlap="%d" TileSize="%d"><Size Width="%d" Height="%d"/></Image>
`, TileOverlap, TileSize, px.Width, px.Height)
	return os.WriteFile(filepath.Join(dir, TilesName+".dzi"), []byte(dzi), 0o666)
}

// painter draws a part of a picture.
type painter func(part image.Rectangle) *image.RGBA

// fromScan draws parts of the scan itself.
func fromScan(px raster.Pixels) painter {
	return func(part image.Rectangle) *image.RGBA {
		img := image.NewRGBA(part)
		for y := part.Min.Y; y < part.Max.Y; y++ {
			row := img.Pix[(y-part.Min.Y)*img.Stride:]
			for x := part.Min.X; x < part.Max.X; x++ {
				b := uint8(px.At(x, y, 0) + 0.5)
				g, r := b, b
				if px.Channels >= 3 {
					g, r = uint8(px.At(x, y, 1)+0.5), uint8(px.At(x, y, 2)+0.5)
				}
				k := 4 * (x - part.Min.X)
				row[k], row[k+1], row[k+2], row[k+3] = r, g, b, 255
			}
		}
		return img
	}
}

func fromPicture(img *image.RGBA) painter {
	return func(part image.Rectangle) *image.RGBA { return img.SubImage(part).(*image.RGBA) }
}

// writeLevel writes all tiles of one level, as many at once as there are
// processors.
func writeLevel(ctx context.Context, dir string, size image.Point, draw painter) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for y := 0; y < size.Y; y += TileSize {
		for x := 0; x < size.X; x += TileSize {
			part := image.Rect(x-TileOverlap, y-TileOverlap, x+TileSize+TileOverlap, y+TileSize+TileOverlap).Intersect(image.Rectangle{Max: size})
			path := filepath.Join(dir, fmt.Sprintf("%d_%d.jpg", x/TileSize, y/TileSize))
			group.Go(func() error {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				return writeTile(path, draw(part))
			})
		}
	}
	return group.Wait()
}

func writeTile(path string, img image.Image) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	return errors.Join(jpeg.Encode(w, img, &jpeg.Options{Quality: tileQuality}), w.Flush(), f.Close())
}

// halve returns the picture at half its size, each pixel the mean of two by
// two, or of what there is of them at the right and lower edge. It works in
// bands, so that little of the larger picture is drawn at a time.
func halve(size image.Point, draw painter) *image.RGBA {
	out := image.NewRGBA(image.Rect(0, 0, (size.X+1)/2, (size.Y+1)/2))
	const band = 128 // rows of the smaller picture
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for y := 0; y < out.Rect.Max.Y; y += band {
		group.Go(func() error {
			end := min(y+band, out.Rect.Max.Y)
			halveBand(out, draw(image.Rect(0, 2*y, size.X, min(2*end, size.Y))), y, end)
			return nil
		})
	}
	_ = group.Wait() // none returns an error
	return out
}

func halveBand(out, in *image.RGBA, from, to int) {
	for y := from; y < to; y++ {
		upper := in.Pix[in.PixOffset(0, 2*y):]
		lower := upper
		if 2*y+1 < in.Rect.Max.Y {
			lower = in.Pix[in.PixOffset(0, 2*y+1):]
		}
		row := out.Pix[y*out.Stride:]
		for x := range out.Rect.Max.X {
			a := 8 * x
			b := a
			if 2*x+1 < in.Rect.Max.X {
				b += 4
			}
			for c := range 3 {
				row[4*x+c] = uint8((int(upper[a+c]) + int(upper[b+c]) + int(lower[a+c]) + int(lower[b+c]) + 2) / 4)
			}
			row[4*x+3] = 255
		}
	}
}
