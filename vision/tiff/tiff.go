// Package tiff decodes the TIFFs that scanners write most: gray or RGB of 8 or
// 16 bits, in strips or tiles, uncompressed, LZW or deflate; and a few kinds of
// 16 bits that the image library cannot read. Strips are
// decoded on all processors, straight into the picture. What it does not take
// is left to the image library, which it must equal byte for byte.
//
// Source: TIFF revision 6.0 (Aldus 1992); Adobe Photoshop TIFF Technical Notes
// (2002) for deflate.
package tiff

import (
	"bytes"
	"compress/zlib"
	"context"
	"fmt"
	"io"
	"runtime"

	"golang.org/x/sync/errgroup"

	"pithward/vision/header"
	"pithward/vision/raster"
)

// maxPacked is the most that one strip or tile may take in the file: it is read
// in one piece. Files that hold all in one strip gain nothing here.
const maxPacked = 32 << 20

// maxSide is more than any strip's or tile's side.
const maxSide = 1 << 20

// Takes tells whether a file with this header is one that Decode decodes.
func Takes(h header.Header) bool {
	c := h.Chunks
	if h.Kind != header.TIFF || c == nil {
		return false
	}
	switch {
	case h.Uncommon():
	case h.Planar || h.Orientation != 1 || len(h.Patches) > 0:
		return false
	case h.Bits != 8 && h.Bits != 16, h.SampleFormat != "unsigned", h.Alpha != header.NoAlpha:
		return false
	case h.Colour == header.RGB && h.Channels != 3, h.Colour != header.RGB && h.Channels != 1:
		return false
	case h.Colour != header.RGB && h.Colour != header.Gray && h.Colour != header.MinIsWhite:
		return false
	}
	switch {
	case c.Width < 1 || c.Height < 1 || c.Width > maxSide || c.Height > maxSide:
		return false
	}
	across, down := (h.StoredWidth+c.Width-1)/c.Width, (h.StoredHeight+c.Height-1)/c.Height
	if h.Planar {
		down *= h.Channels // plane after plane
	}
	if len(c.Off) != across*down || len(c.Len) != len(c.Off) || c.Tiled && c.Width*c.Height*h.Channels*h.Bits/8 > maxPacked {
		return false
	}
	if h.Compression == "none" {
		return true
	}
	for _, n := range c.Len {
		if n > maxPacked {
			return false
		}
	}
	return h.Compression == "LZW" || h.Compression == "deflate"
}

// Decode fills px, of the header's size, channels and depth, from the file r:
// gray as displayed, or blue, green and red. The header is one that [Takes]
// said yes to. An error says that the data are not as they should be; px then
// holds anything.
func Decode(r io.ReaderAt, h header.Header, px raster.Pixels) error {
	d := decoder{r: r, h: h, px: px, rowBytes: h.StoredWidth * together(h) * h.Bits / 8}
	parts := d.parts()
	group, ctx := errgroup.WithContext(context.Background())
	workers := min(runtime.GOMAXPROCS(0), len(parts))
	todo := make(chan part)
	group.Go(func() error {
		defer close(todo)
		for _, p := range parts {
			select {
			case todo <- p:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range workers {
		group.Go(func() error {
			var s scratch
			for p := range todo {
				if err := d.decode(p, &s); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return group.Wait()
}

// part is what is decoded in one go: a strip, a tile, or some rows of an
// uncompressed strip.
type part struct {
	x, y, w, h int   // on the picture; w and h as stored, which may reach beyond it
	plane      int   // of a picture in planes
	off, n     int64 // in the file
}

// together is how many samples of a pixel are stored side by side.
func together(h header.Header) int {
	if h.Planar {
		return 1
	}
	return h.Channels
}

// decoder decodes one file.
type decoder struct {
	r        io.ReaderAt
	h        header.Header
	px       raster.Pixels
	rowBytes int
}

// scratch is what a worker uses again and again.
type scratch struct {
	packed, tile []byte
	inflate      io.ReadCloser
}

// rowsBytes is about how much of an uncompressed strip is read at once.
const rowsBytes = 1 << 20

func (d *decoder) parts() []part {
	c := d.h.Chunks
	across, down := (d.h.StoredWidth+c.Width-1)/c.Width, (d.h.StoredHeight+c.Height-1)/c.Height
	var out []part
	for i := range c.Off {
		k := i % (across * down)
		p := part{x: k % across * c.Width, y: k / across * c.Height, w: c.Width, h: c.Height, plane: i / (across * down), off: c.Off[i], n: c.Len[i]}
		if c.Tiled {
			out = append(out, p)
			continue
		}
		p.h = min(p.h, d.h.StoredHeight-p.y)
		step := p.h
		if d.h.Compression == "none" {
			step = max(1, min(step, rowsBytes/d.rowBytes))
		}
		for y := 0; y < p.h; y += step {
			q := p
			q.y, q.h = p.y+y, min(step, p.h-y)
			if d.h.Compression == "none" {
				q.off = p.off + int64(y*d.rowBytes)
				q.n = min(p.n-int64(y*d.rowBytes), int64(q.h*d.rowBytes))
			}
			out = append(out, q)
		}
	}
	return out
}

// decode decodes one part into its place.
func (d *decoder) decode(p part, s *scratch) error {
	if d.h.Uncommon() {
		return d.scatter(p, s)
	}
	bytesPer := d.h.Channels * d.h.Bits / 8
	if !d.h.Chunks.Tiled {
		dst := d.px.Bytes()[p.y*d.rowBytes : (p.y+p.h)*d.rowBytes]
		if err := d.unpack(dst, p, s); err != nil {
			return err
		}
		d.settle(dst, d.rowBytes)
		return nil
	}
	row := p.w * bytesPer
	s.tile = sized(s.tile, row*p.h)
	if err := d.unpack(s.tile, p, s); err != nil {
		return err
	}
	d.settle(s.tile, row)
	for y := range min(p.h, d.h.StoredHeight-p.y) {
		end := min(p.x+p.w, d.h.StoredWidth)
		to := d.px.Bytes()[(p.y+y)*d.rowBytes:]
		copy(to[p.x*bytesPer:end*bytesPer], s.tile[y*row:])
	}
	return nil
}

func sized(b []byte, n int) []byte {
	if cap(b) < n {
		return make([]byte, n)
	}
	return b[:n]
}

// unpack fills dst with a part's samples as they are stored.
func (d *decoder) unpack(dst []byte, p part, s *scratch) error {
	if d.h.Compression == "none" {
		if p.n < int64(len(dst)) {
			return errShort
		}
		_, err := d.r.ReadAt(dst, p.off)
		return err
	}
	s.packed = sized(s.packed, int(p.n))
	if _, err := d.r.ReadAt(s.packed, p.off); err != nil {
		return err
	}
	if d.h.Compression == "LZW" {
		return unLZW(dst, s.packed)
	}
	return s.unDeflate(dst)
}

func (s *scratch) unDeflate(dst []byte) (err error) {
	src := bytes.NewReader(s.packed)
	if s.inflate == nil {
		s.inflate, err = zlib.NewReader(src)
	} else {
		err = s.inflate.(zlib.Resetter).Reset(src, nil)
	}
	if err != nil {
		return fmt.Errorf("deflate: %w", err)
	}
	_, err = io.ReadFull(s.inflate, dst)
	return err
}

// settle turns rows of stored samples, in place, into those of the picture: in
// the machine's byte order, differences summed up (TIFF 6.0 section 14), blue
// first, black 0.
func (d *decoder) settle(rows []byte, rowBytes int) {
	if d.h.Bits == 16 {
		words := wordsOf(rows)
		if d.h.Chunks.BigEndian != bigEndian {
			for i, v := range words {
				words[i] = v<<8 | v>>8
			}
		}
		settle(words, rowBytes/2, d.h)
		return
	}
	settle(rows, rowBytes, d.h)
}

func settle[T uint8 | uint16](v []T, row int, h header.Header) {
	sums := h.Chunks.Predictor && h.Compression != "none"
	for ; len(v) >= row; v = v[row:] {
		switch line := v[:row]; {
		case h.Channels == 3 && sums:
			sumBGR(line)
		case h.Channels == 3:
			for len(line) >= 3 {
				line[0], line[2] = line[2], line[0]
				line = line[3:]
			}
		case sums:
			for i := 1; i < len(line); i++ {
				line[i] += line[i-1]
			}
		}
		if h.Colour == header.MinIsWhite {
			for i := range row {
				v[i] = ^v[i]
			}
		}
	}
}

func sumBGR[T uint8 | uint16](line []T) {
	var r, g, b T
	for len(line) >= 3 {
		r, g, b = r+line[0], g+line[1], b+line[2]
		line[0], line[1], line[2] = b, g, r
		line = line[3:]
	}
}
