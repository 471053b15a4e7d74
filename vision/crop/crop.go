// Package crop cuts pieces, turned as asked, out of a scan's pyramid of tiles
// (see vision.WriteTiles).
package crop

import (
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"math/bits"
	"os"
	"path/filepath"
	"strings"

	"pithward/measure"
)

// Pyramid is a scan's tiles at full size. It is not safe for use by several
// goroutines.
type Pyramid struct {
	dir           string // of the full-size tiles
	size          image.Point
	tile, overlap int
	kept          map[image.Point]image.Image
	order         []image.Point
}

// keptTiles is how many decoded tiles are kept: chosen, some 60 MB.
const keptTiles = 60

// Open opens the pyramid that a Deep Zoom description (Microsoft, "Deep Zoom
// File Format Overview") stands for.
func Open(dzi string) (*Pyramid, error) {
	text, err := os.ReadFile(dzi)
	if err != nil {
		return nil, err
	}
	var d struct {
		TileSize int    `xml:"TileSize,attr"`
		Overlap  int    `xml:"Overlap,attr"`
		Format   string `xml:"Format,attr"`
		Size     struct {
			Width  int `xml:"Width,attr"`
			Height int `xml:"Height,attr"`
		}
	}
	if err := xml.Unmarshal(text, &d); err != nil {
		return nil, fmt.Errorf("%s: is no description of tiles: %w", dzi, err)
	}
	const most = 1 << 20 // px, of any scan that is read
	if d.TileSize < 1 || d.TileSize > most || d.Overlap < 0 || d.Overlap > d.TileSize || d.Size.Width < 1 || d.Size.Height < 1 || d.Size.Width > most || d.Size.Height > most || d.Format != "jpg" {
		return nil, fmt.Errorf("%s: describes no tiles that can be read", dzi)
	}
	top := bits.Len(uint(max(d.Size.Width, d.Size.Height) - 1))
	return &Pyramid{dir: filepath.Join(strings.TrimSuffix(dzi, ".dzi")+"_files", fmt.Sprint(top)), size: image.Pt(d.Size.Width, d.Size.Height),
		tile: d.TileSize, overlap: d.Overlap, kept: map[image.Point]image.Image{}}, nil
}

// Cut returns a picture of w x h px round a place, px of the scan, at the scan's
// own magnification, with the scan turned clockwise by degrees about that
// place. Beyond the scan it is fill.
func (p *Pyramid) Cut(x, y, degrees float64, w, h int, fill color.Color) (*image.RGBA, error) {
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Rect, image.NewUniform(fill), image.Point{}, draw.Src)
	sin, cos := math.Sincos(-degrees * math.Pi / 180)
	for j := range h {
		for i := range w {
			dx, dy := float64(i)+0.5-float64(w)/2, float64(j)+0.5-float64(h)/2
			c, there, err := p.at(x+dx*cos-dy*sin, y+dx*sin+dy*cos)
			if err != nil {
				return nil, err
			}
			if there {
				out.SetRGBA(i, j, c)
			}
		}
	}
	return out, nil
}

// Along returns the wood along a path of at least two places, px of the scan,
// straightened, at the scan's own magnification: the path runs along the middle
// row from left to right, its right-hand side below, breadth px from edge to
// edge. Beyond the scan it is fill.
func (p *Pyramid) Along(path []measure.Point, breadth float64, fill color.Color) (*image.RGBA, error) {
	r := measure.NewRadius(path, nil)
	w, h := int(math.Round(r.Length())), int(math.Round(breadth))
	if w < 1 || h < 1 || w*h > mostPx {
		return nil, fmt.Errorf("a piece of %d x %d px cannot be cut", w, h)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Rect, image.NewUniform(fill), image.Point{}, draw.Src)
	for i := range w {
		s := (float64(i) + 0.5) * r.Length() / float64(w)
		m, a, b := r.Point(s), r.Point(max(0, s-1)), r.Point(min(r.Length(), s+1))
		l := math.Hypot(b[0]-a[0], b[1]-a[1])
		if l == 0 {
			continue
		}
		ux, uy := (b[0]-a[0])/l, (b[1]-a[1])/l
		for j := range h {
			v := (float64(j)+0.5)*breadth/float64(h) - breadth/2
			c, there, err := p.at(m[0]-v*uy, m[1]+v*ux)
			if err != nil {
				return nil, err
			}
			if there {
				out.SetRGBA(i, j, c)
			}
		}
	}
	return out, nil
}

// mostPx is the largest piece that is cut: chosen, some metres of a core.
const mostPx = 1 << 24

// at returns the colour at a place of the scan, between its pixels; false
// beyond it.
func (p *Pyramid) at(x, y float64) (color.RGBA, bool, error) {
	x0, y0 := math.Floor(x), math.Floor(y)
	var sum [3]float64
	for k := range 4 {
		i, j := int(x0)+k%2, int(y0)+k/2
		wx, wy := 1-math.Abs(x-float64(i)), 1-math.Abs(y-float64(j))
		if wx <= 0 || wy <= 0 {
			continue
		}
		if i < 0 || j < 0 || i >= p.size.X || j >= p.size.Y {
			return color.RGBA{}, false, nil
		}
		c, err := p.pixel(i, j)
		if err != nil {
			return color.RGBA{}, false, err
		}
		for n, v := range []uint8{c.R, c.G, c.B} {
			sum[n] += wx * wy * float64(v)
		}
	}
	return color.RGBA{uint8(sum[0] + 0.5), uint8(sum[1] + 0.5), uint8(sum[2] + 0.5), 255}, true, nil
}

func (p *Pyramid) pixel(i, j int) (color.RGBA, error) {
	at := image.Pt(i/p.tile, j/p.tile)
	img, err := p.load(at)
	if err != nil {
		return color.RGBA{}, err
	}
	// All tiles but the first of a row or column begin with the overlap.
	x, y := i-at.X*p.tile+min(at.X, 1)*p.overlap, j-at.Y*p.tile+min(at.Y, 1)*p.overlap
	c, _ := color.RGBAModel.Convert(img.At(img.Bounds().Min.X+x, img.Bounds().Min.Y+y)).(color.RGBA)
	return c, nil
}

func (p *Pyramid) load(at image.Point) (image.Image, error) {
	if img, ok := p.kept[at]; ok {
		return img, nil
	}
	f, err := os.Open(filepath.Join(p.dir, fmt.Sprintf("%d_%d.jpg", at.X, at.Y)))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	img, err := jpeg.Decode(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name(), err)
	}
	if len(p.order) >= keptTiles {
		delete(p.kept, p.order[0])
		p.order = p.order[1:]
	}
	p.kept[at], p.order = img, append(p.order, at)
	return img, nil
}
