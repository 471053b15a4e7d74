package desk

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
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

// box is where a tile lies on the scan, px: each level is half as large as the
// next, the last is the scan itself.
func (p pyramid) box(level, column, row int) (x0, y0, x1, y1 float64) {
	top := int(math.Ceil(math.Log2(float64(max(p.Size.Width, p.Size.Height)))))
	scale := math.Pow(2, float64(top-level))
	at := func(i int) (lo, hi float64) {
		return float64(i*p.TileSize-p.Overlap) * scale, float64((i+1)*p.TileSize+p.Overlap) * scale
	}
	x0, x1 = at(column)
	y0, y1 = at(row)
	return x0, y0, x1, y1
}

// region is the part of a scan that students of a core see: its outline, and half
// as much again as it is broad on every side.
func region(c measure.Core) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, list := range [][]measure.Point{c.OutlinePx, c.PathPx} {
		for _, p := range list {
			x0, y0, x1, y1 = min(x0, p[0]), min(y0, p[1]), max(x1, p[0]), max(y1, p[1])
		}
	}
	margin := max(30, min(x1-x0, y1-y0)/2)
	return x0 - margin, y0 - margin, x1 + margin, y1 + margin
}

var studentTile = regexp.MustCompile(`^scan_files/([0-9]{1,2})/([0-9]{1,4})_([0-9]{1,4})\.jpg$`)

// tile serves a tile of the scan of the student's exercise; beside the core blank
// paper. Which scan it is, no request can say.
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
	w.Header().Set("Content-Type", "application/xml")
	if m != nil {
		w.Header().Set("Content-Type", "image/jpeg")
		p, err := readPyramid(root)
		if err != nil {
			fail(w, http.StatusNotFound, "unknown", "there are no tiles of this scan")
			return
		}
		if !c.shows(p, s.exercise.Blank.Cores[0], m[1:]) {
			_, _ = w.Write(blankTile()) // whoever asked has gone
			return
		}
	}
	f, err := root.Open(filepath.FromSlash(path))
	if err != nil {
		fail(w, http.StatusNotFound, "unknown", "there is no such tile")
		return
	}
	defer f.Close()
	w.Header().Set("Cache-Control", "private, max-age=3600")
	http.ServeContent(w, r, "", time.Time{}, f)
}

// shows tells whether a tile, by level, column and row, holds some of the core's
// region.
func (c *Class) shows(p pyramid, core measure.Core, tile []string) bool {
	var n [3]int
	for i, word := range tile {
		v, err := strconv.Atoi(word)
		if err != nil {
			return false
		}
		n[i] = v
	}
	ax, ay, bx, by := p.box(n[0], n[1], n[2])
	x0, y0, x1, y1 := region(core)
	return ax <= x1 && bx >= x0 && ay <= y1 && by >= y0
}

// blankTile is paper. It says nothing of the scan.
func blankTile() []byte {
	img := image.NewGray(image.Rect(0, 0, 8, 8))
	for i := range img.Pix {
		img.Pix[i] = color.Gray{Y: 0xc8}.Y
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		panic(fmt.Sprint("a blank picture cannot be written: ", err)) // to memory: never
	}
	return b.Bytes()
}
