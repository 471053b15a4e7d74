package vision

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"syscall"

	"gocv.io/x/gocv"
	"golang.org/x/sync/errgroup"

	"pithward/measure"
	"pithward/vision/header"
	"pithward/vision/raster"
)

// Scan is one decoded image file. It holds the picture once, in the image
// library's memory, until Close.
type Scan struct {
	Header header.Header // what the file says of itself

	mat    gocv.Mat
	pixels raster.Pixels
	sum    string
	hash   errgroup.Group // of sum: the file is hashed while it is decoded
}

// ReadScan decodes the image file at path, with its own depth, gray or colour,
// turned as its orientation tag says. The caller closes the scan. The error
// names the file, and is a [*header.Refusal] where the file cannot be read
// rightly.
func ReadScan(path string) (*Scan, error) {
	h, err := header.ReadFile(path)
	if err != nil {
		return nil, err
	}
	s := &Scan{Header: h}
	s.hash.Go(func() (err error) {
		s.sum, err = measure.HashFile(path)
		return err
	})
	if s.mat, err = decodeAsMeant(path, h); err != nil {
		return nil, &header.Refusal{File: filepath.Base(path), Fault: err.Error(), Remedy: "save it again as plain TIFF or PNG"}
	}
	if err := s.check(); err != nil {
		s.mat.Close()
		return nil, fmt.Errorf("%s: %w", filepath.Base(path), err)
	}
	s.upright()
	return s, nil
}

// SHA256 returns the file's hash, in hexadecimal.
func (s *Scan) SHA256() (string, error) {
	err := s.hash.Wait()
	return s.sum, err
}

// decodeAsMeant decodes a file, changed on the way where the library would
// misread it. The caller closes the Mat.
func decodeAsMeant(path string, h header.Header) (gocv.Mat, error) {
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

// upright turns the values of a 16-bit scan that is stored inverted, which the
// library hands over as they are; those of 8 bits it turns itself.
func (s *Scan) upright() {
	if s.Header.Colour != header.MinIsWhite || s.pixels.U16 == nil {
		return
	}
	for i, v := range s.pixels.U16 {
		s.pixels.U16[i] = math.MaxUint16 - v
	}
}

// check compares what was decoded with what the header announced, so that a
// page or a depth taken otherwise than meant does not pass in silence.
func (s *Scan) check() error {
	px, err := view(&s.mat)
	if err != nil {
		return err
	}
	h := s.Header
	if px.Width != h.Width || px.Height != h.Height || px.Channels != h.DecodedChannels() || h.Bits == 16 && px.Depth() != 16 {
		return fmt.Errorf("decoded as %d x %d px of %d x %d bits, but the file announces %d x %d px of %d x %d: save it again as plain TIFF or PNG",
			px.Width, px.Height, px.Channels, px.Depth(), h.Width, h.Height, h.DecodedChannels(), h.Bits)
	}
	s.pixels = px
	return nil
}

// Close gives the picture's memory back. Pixels taken from the scan are then
// no longer valid. A second Close does nothing.
func (s *Scan) Close() {
	if s.pixels.Width == 0 {
		return
	}
	s.pixels = raster.Pixels{}
	s.mat.Close()
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
// longer than maxSide pixels.
func (s *Scan) Overview(maxSide int) (Overview, error) {
	side := max(s.pixels.Width, s.pixels.Height)
	return s.Reduced((side + maxSide - 1) / max(maxSide, 1))
}

// Reduced reduces the scan by the whole factor, at least 1. It fails when the
// scan is closed or has not factor pixels along each side.
func (s *Scan) Reduced(factor int) (Overview, error) {
	if s.pixels.Width == 0 {
		return Overview{}, errEmpty
	}
	px, err := shrink(&s.mat, factor)
	if err != nil {
		return Overview{}, err
	}
	return Overview{px, factor}, nil
}
