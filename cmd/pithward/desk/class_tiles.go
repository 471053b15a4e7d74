package desk

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"time"

	"pithward/measure"
	"pithward/measure/ledger"
)

// pyramid is what a Deep Zoom description says.
type pyramid struct {
	TileSize int `xml:"TileSize,attr"`
	Overlap  int `xml:"Overlap,attr"`
	Size     struct {
		Width  int `xml:"Width,attr"`
		Height int `xml:"Height,attr"`
	} `xml:"Size"`
}

func readPyramid(root *os.Root) (p pyramid, err error) {
	text, err := root.ReadFile(tilesDone)
	if err != nil {
		return p, err
	}
	if err := xml.Unmarshal(text, &p); err != nil {
		return p, err
	}
	if p.TileSize < 1 || p.Size.Width < 1 || p.Size.Height < 1 {
		return p, errors.New("the tiles' description is not one")
	}
	return p, nil
}

// place is where a tile's first pixel lies on the scan, px from the scan's corner, and
// how many px of the scan one of the tile's is: each level is half as large as the
// next, the last is the scan itself.
func (p pyramid) place(level, column, row int) (x, y, scale float64) {
	top := int(math.Ceil(math.Log2(float64(max(p.Size.Width, p.Size.Height)))))
	scale = math.Pow(2, float64(top-level))
	return float64(max(0, column*p.TileSize-p.Overlap)) * scale, float64(max(0, row*p.TileSize-p.Overlap)) * scale, scale
}

// shape is the part of a scan that students of a core see: the core within its
// outline, a little of what lies beside it, and some more beyond its ends.
type shape struct {
	outline []measure.Point
	margin  float64
	ends    [2][2]measure.Point // beyond the bark and beyond the pith, a line each
	reach   float64             // round these
}

// What is shown beside a core and beyond its ends, in parts of its breadth:
// chosen. Cores lie closer beside one another than one behind the other.
const (
	besideShown = 0.12
	beyondShown = 0.7
)

func shapeOf(c measure.Core) shape {
	radius := measure.NewRadius(c.PathPx, nil)
	breadth := 60.0 // of a core without an outline: chosen, 1.3 mm at 1200 dpi
	if area := area(c.OutlinePx); area > 0 && radius.Length() > 0 {
		breadth = area / radius.Length()
	}
	s := shape{outline: c.OutlinePx, margin: besideShown * breadth, reach: breadth / 2}
	if len(s.outline) < 3 {
		s.outline, s.margin = c.PathPx, breadth/2
	}
	n := len(c.PathPx)
	s.ends = [2][2]measure.Point{beyond(c.PathPx[1], c.PathPx[0], beyondShown*breadth-s.reach), beyond(c.PathPx[n-2], c.PathPx[n-1], beyondShown*breadth-s.reach)}
	return s
}

// area is what an outline encloses, px squared.
func area(outline []measure.Point) (sum float64) {
	for i, p := range outline {
		q := outline[(i+1)%len(outline)]
		sum += (p[0]*q[1] - q[0]*p[1]) / 2
	}
	return math.Abs(sum)
}

// beyond is the line that carries on from a to b for a length.
func beyond(a, b measure.Point, length float64) [2]measure.Point {
	l := math.Hypot(b[0]-a[0], b[1]-a[1])
	if l == 0 {
		return [2]measure.Point{b, b}
	}
	return [2]measure.Point{b, {b[0] + (b[0]-a[0])/l*length, b[1] + (b[1]-a[1])/l*length}}
}

// outside is how far a place lies outside what is shown, px; negative within.
func (s shape) outside(p measure.Point) float64 {
	d, within := math.Inf(1), false
	for i, a := range s.outline {
		b := s.outline[(i+1)%len(s.outline)]
		d = min(d, fromLine(p, a, b))
		if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0]+(p[1]-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
			within = !within
		}
	}
	if within {
		d = -d
	}
	d -= s.margin
	for _, end := range s.ends {
		d = min(d, fromLine(p, end[0], end[1])-s.reach)
	}
	return d
}

// fromLine is the distance of a place from a line between two.
func fromLine(p, a, b measure.Point) float64 {
	dx, dy := b[0]-a[0], b[1]-a[1]
	t := 0.0
	if l := dx*dx + dy*dy; l > 0 {
		t = max(0, min(1, ((p[0]-a[0])*dx+(p[1]-a[1])*dy)/l))
	}
	return math.Hypot(p[0]-a[0]-t*dx, p[1]-a[1]-t*dy)
}

// hide lays paper over what of a square of a tile lies outside the shape, and tells
// whether anything of the square is left to see. x, y is the tile's corner on the
// scan and scale the scan's px to one of the tile's.
func (s shape) hide(img *image.RGBA, square image.Rectangle, x, y, scale float64) (seen bool) {
	square = square.Intersect(img.Rect)
	if square.Empty() {
		return false
	}
	w, h := float64(square.Dx()), float64(square.Dy())
	out := s.outside(measure.Point{x + (float64(square.Min.X)+w/2)*scale, y + (float64(square.Min.Y)+h/2)*scale})
	half := math.Hypot(w, h) / 2 * scale
	switch {
	case out <= -half:
		return true
	case out >= half || square.Dx() <= 1 && square.Dy() <= 1 && out > 0:
		draw.Draw(img, square, image.NewUniform(blank), image.Point{}, draw.Src)
		return false
	case square.Dx() <= 1 && square.Dy() <= 1:
		return true
	}
	mx, my := square.Min.X+(square.Dx()+1)/2, square.Min.Y+(square.Dy()+1)/2
	for _, quarter := range []image.Rectangle{
		image.Rect(square.Min.X, square.Min.Y, mx, my), image.Rect(mx, square.Min.Y, square.Max.X, my),
		image.Rect(square.Min.X, my, mx, square.Max.Y), image.Rect(mx, my, square.Max.X, square.Max.Y),
	} {
		if s.hide(img, quarter, x, y, scale) {
			seen = true
		}
	}
	return seen
}

var studentTile = regexp.MustCompile(`^scan_files/([0-9]{1,2})/([0-9]{1,4})_([0-9]{1,4})\.jpg$`)

// tile serves a tile of the scan of the student's exercise, with paper over all but
// the core. Which scan it is, no request can say.
func (c *Class) tile(w http.ResponseWriter, r *http.Request, s seat) {
	if s.exercise.Phase(c.Now()) == ledger.Early {
		c.failBy(w, ledger.ErrEarly)
		return
	}
	path := r.PathValue("path")
	m := studentTile.FindStringSubmatch(path)
	sha := s.exercise.Blank.Scan.SHA256
	if c.Tiles == nil || !hash.MatchString(sha) || path != tilesDone && m == nil {
		fail(w, http.StatusNotFound, "unknown", "there is no such tile")
		return
	}
	root, err := os.OpenRoot(filepath.Join(c.Tiles.Dir, sha))
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there are no tiles of this scan")
		return
	}
	defer root.Close()
	var data []byte
	kind := "application/xml"
	if m == nil {
		data, err = root.ReadFile(tilesDone)
	} else {
		kind = "image/jpeg"
		data, err = c.masked.get(fmt.Sprintf("%d %s", s.exercise.ID, path), func() ([]byte, error) { return studentsTile(root, path, m[1:], s.exercise.Blank.Cores[0]) })
	}
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there is no such tile")
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "private, max-age=3600")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
}

// studentsTile is a tile as students of a core see it; where lists its level,
// column and row.
func studentsTile(root *os.Root, path string, where []string, core measure.Core) ([]byte, error) {
	p, err := readPyramid(root)
	if err != nil {
		return nil, err
	}
	var n [3]int
	for i, word := range where {
		if n[i], err = strconv.Atoi(word); err != nil {
			return nil, err
		}
	}
	data, err := root.ReadFile(filepath.FromSlash(path))
	if err != nil {
		return nil, err
	}
	full, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	img := image.NewRGBA(image.Rect(0, 0, full.Bounds().Dx(), full.Bounds().Dy()))
	draw.Draw(img, img.Rect, full, full.Bounds().Min, draw.Src)
	x, y, scale := p.place(n[0], n[1], n[2])
	if !shapeOf(core).hide(img, img.Rect, x-0.5, y-0.5, scale) {
		return blankTile()
	}
	var b bytes.Buffer
	err = jpeg.Encode(&b, img, &jpeg.Options{Quality: tileQuality})
	return b.Bytes(), err
}

// tileQuality is that of a tile with paper laid over a part: chosen, as good as the
// scan's own tiles.
const tileQuality = 90

// blank is the paper that lies over what students do not see.
var blank = color.Gray{Y: 0xc8}

// blankTile is paper alone. It says nothing of the scan.
func blankTile() ([]byte, error) {
	img := image.NewGray(image.Rect(0, 0, 8, 8))
	draw.Draw(img, img.Rect, image.NewUniform(blank), image.Point{}, draw.Src)
	var b bytes.Buffer
	err := jpeg.Encode(&b, img, nil)
	return b.Bytes(), err
}

// masks keeps tiles that students see, since a class asks for the same ones. It makes
// one at a time.
type masks struct {
	mu   sync.Mutex
	kept map[string][]byte
	size int
}

// masksKept is how many bytes of tiles are kept: chosen, some ten cores.
const masksKept = 64 << 20

func (k *masks) get(key string, make func() ([]byte, error)) ([]byte, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if data, ok := k.kept[key]; ok {
		return data, nil
	}
	data, err := make()
	if err != nil {
		return nil, err
	}
	if k.size += len(data); k.kept == nil || k.size > masksKept {
		k.kept, k.size = map[string][]byte{}, len(data)
	}
	k.kept[key] = data
	return data, nil
}
