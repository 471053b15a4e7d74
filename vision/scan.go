package vision

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"gocv.io/x/gocv"

	"pithward/measure"
	"pithward/vision/header"
	"pithward/vision/overlay"
	"pithward/vision/raster"
	"pithward/vision/tiff"
)

// Scan is one decoded image file. It holds the picture once, outside the Go
// heap, until Close.
type Scan struct {
	Header header.Header // what the file says of itself

	pixels  raster.Pixels
	damage  error  // of the picture's data, behind which the image library went on
	release func() // gives the pixels' memory back

	making  sync.Mutex // of reduced
	reduced map[int]raster.Pixels
}

// ReadScan decodes the image file at path, with its own depth, gray or colour,
// turned as its orientation tag says. The caller closes the scan. The error
// names the file, and is a [*header.Refusal] where the file cannot be read
// rightly.
func ReadScan(path string) (*Scan, error) {
	var damage error
	s, err := readScan(path, func(h header.Header) (px raster.Pixels, release func(), err error) {
		if tiff.Takes(h) {
			px, release, damage = decodeStrips(path, h)
			if damage == nil || h.Uncommon() {
				return px, release, damage
			}
		}
		if h.Uncommon() {
			return raster.Pixels{}, nil, errors.New("16-bit samples in planes, or with alpha, in strips of an unusual layout")
		}
		return decodeAsMeant(path, h) // which is less strict
	})
	if err == nil {
		s.damage = damage
	}
	return s, err
}

// Notes says what a person should know of how the file was read.
func (s *Scan) Notes() []string {
	notes := s.Header.Notes()
	if s.damage != nil {
		notes = append(notes, measure.DamagedData(s.damage.Error()))
	}
	return notes
}

// ReadScanPlainly is ReadScan by the image library alone.
func ReadScanPlainly(path string) (*Scan, error) {
	return readScan(path, func(h header.Header) (raster.Pixels, func(), error) { return decodeAsMeant(path, h) })
}

func readScan(path string, decode func(header.Header) (raster.Pixels, func(), error)) (*Scan, error) {
	h, err := header.ReadFile(path)
	if err != nil {
		return nil, err
	}
	s := &Scan{Header: h}
	if s.pixels, s.release, err = decode(h); err != nil {
		return nil, &header.Refusal{File: filepath.Base(path), Fault: err.Error(), Remedy: "save it again as plain TIFF or PNG"}
	}
	if err := s.check(); err != nil {
		s.Close()
		return nil, fmt.Errorf("%s: %w", filepath.Base(path), err)
	}
	return s, nil
}

// decodeStrips decodes a TIFF of the common kinds on all processors.
func decodeStrips(path string, h header.Header) (raster.Pixels, func(), error) {
	f, err := os.Open(path)
	if err != nil {
		return raster.Pixels{}, nil, err
	}
	defer f.Close()
	px, release, err := raster.Allocate(h.Width, h.Height, h.DecodedChannels(), h.Bits)
	if err != nil {
		return px, nil, err
	}
	if err := tiff.Decode(f, h, px); err != nil {
		release()
		return raster.Pixels{}, nil, err
	}
	return px, release, nil
}

// decodeAsMeant has the image library decode a file, changed on the way where
// the library would misread it.
func decodeAsMeant(path string, h header.Header) (raster.Pixels, func(), error) {
	m, err := decodePatched(path, h)
	if err != nil {
		return raster.Pixels{}, nil, err
	}
	px, err := view(&m)
	if err != nil {
		m.Close()
		return px, nil, err
	}
	if h.Colour == header.MinIsWhite { // of 8 bits, the library turns it itself
		for i, v := range px.U16 {
			px.U16[i] = math.MaxUint16 - v
		}
	}
	return px, func() { m.Close() }, nil
}

// decodePatched decodes a file with its header's patches. The caller closes
// the Mat.
func decodePatched(path string, h header.Header) (gocv.Mat, error) {
	if len(h.Patches) == 0 {
		return decode(path)
	}
	f, err := os.Open(path)
	if err != nil {
		return gocv.Mat{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return gocv.Mat{}, err
	}
	if info.Size() > math.MaxInt32 { // more than the library takes from memory
		return gocv.Mat{}, errors.New("over 2 GB, with a preview before it or an alpha channel, it cannot be read")
	}
	// A private mapping: what is written to it never reaches the file, and
	// pages not written to cost no memory of ours.
	file, err := syscall.Mmap(int(f.Fd()), 0, int(info.Size()), syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_PRIVATE)
	if err != nil {
		return gocv.Mat{}, err
	}
	defer syscall.Munmap(file)
	for _, p := range h.Patches {
		copy(file[p.Off:], p.Bytes)
	}
	return decodeBytes(file)
}

// check compares what was decoded with what the header announced, so that a
// page or a depth taken otherwise than meant does not pass in silence.
func (s *Scan) check() error {
	h, px := s.Header, s.pixels
	if px.Width != h.Width || px.Height != h.Height || px.Channels != h.DecodedChannels() || h.Bits == 16 && px.Depth() != 16 {
		return fmt.Errorf("decoded as %d x %d px of %d x %d bits, but the file announces %d x %d px of %d x %d: save it again as plain TIFF or PNG",
			px.Width, px.Height, px.Channels, px.Depth(), h.Width, h.Height, h.DecodedChannels(), h.Bits)
	}
	return nil
}

// Close gives the picture's memory back. Pixels taken from the scan are then
// no longer valid. A second Close does nothing.
func (s *Scan) Close() {
	if s.pixels.Width == 0 {
		return
	}
	s.pixels, s.reduced = raster.Pixels{}, nil
	s.release()
}

// Pixels returns the scan's own memory, valid until Close, never to be written
// to. After Close it has no pixels.
func (s *Scan) Pixels() raster.Pixels { return s.pixels }

// Overview is a scan reduced by a whole factor, as 8 bits: each pixel is the
// mean of Factor by Factor pixels of the scan. Columns and rows of the scan
// beyond the last whole block are left out.
type Overview struct {
	raster.Pixels
	Factor int
}

// ToScan returns the place on the scan of the place (x, y) on the overview,
// pixel centres at whole numbers in both.
func (o Overview) ToScan(x, y float64) (float64, float64) {
	f := float64(o.Factor)
	return (x+0.5)*f - 0.5, (y+0.5)*f - 0.5
}

// FromScan is the inverse of ToScan.
func (o Overview) FromScan(x, y float64) (float64, float64) {
	f := float64(o.Factor)
	return (x+0.5)/f - 0.5, (y+0.5)/f - 0.5
}

// Overview reduces the scan by the smallest whole factor that leaves no side
// longer than maxSide pixels. Where it can, it does so by way of the copy that
// the overlay is drawn on, so that the scan itself is gone through once.
func (s *Scan) Overview(maxSide int) (Overview, error) {
	side := max(s.pixels.Width, s.pixels.Height)
	factor := (side + maxSide - 1) / max(maxSide, 1)
	way := s.overlayFactor()
	if way <= 1 || factor%way != 0 {
		return s.Reduced(factor)
	}
	first, err := s.Reduced(way)
	if err != nil {
		return Overview{}, err
	}
	px, err := first.Reduced(factor / way)
	return Overview{px, factor}, err
}

// overlayFactor is the whole factor by which the scan is reduced for its
// overlay.
func (s *Scan) overlayFactor() int {
	return int(1/overlay.Size(s.pixels.Width, s.pixels.Height) + 0.999)
}

// Reduced reduces the scan by the whole factor, at least 1, and keeps the copy
// until Close. It fails when the scan is closed or has not factor pixels along
// each side.
func (s *Scan) Reduced(factor int) (Overview, error) {
	if s.pixels.Width == 0 {
		return Overview{}, errEmpty
	}
	s.making.Lock()
	defer s.making.Unlock()
	px, there := s.reduced[factor]
	if !there {
		var err error
		if px, err = s.pixels.Reduced(factor); err != nil {
			return Overview{}, err
		}
		if s.reduced == nil {
			s.reduced = map[int]raster.Pixels{}
		}
		s.reduced[factor] = px
	}
	return Overview{px, factor}, nil
}
