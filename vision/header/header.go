// Package header reads what an image file says of itself, without decoding
// it: size, samples, orientation and declared resolution. The image library
// behind the worker reads some files wrongly without a word and ends the
// process on others, so a scan is handed to it only after [Read] has looked.
//
// Sources: TIFF revision 6.0 (Aldus 1992) and the TIFF Technical Notes; ISO/IEC
// 10918-1 (JPEG), JFIF 1.02 (Hamilton 1992); W3C Portable Network Graphics,
// third edition; CIPA DC-008 (Exif).
package header

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
)

// Kind is the file format, told by the file's first bytes and never by its
// name.
type Kind string

// The kinds that are read.
const (
	TIFF Kind = "TIFF"
	PNG  Kind = "PNG"
	JPEG Kind = "JPEG"
)

// Colour says what a pixel's samples mean.
type Colour string

// The meanings of samples, with TIFF's names.
const (
	MinIsWhite Colour = "min-is-white"
	Gray       Colour = "gray"
	RGB        Colour = "RGB"
	Palette    Colour = "palette"
	YCbCr      Colour = "YCbCr"
	CMYK       Colour = "CMYK"
	OtherSpace Colour = "other"
)

// Alpha says whether pixels carry their opacity.
type Alpha string

// The kinds of alpha: associated means that the colours were multiplied by it.
const (
	NoAlpha      Alpha = "none"
	Associated   Alpha = "associated"
	Unassociated Alpha = "unassociated"
	Unspecified  Alpha = "unspecified" // an extra sample of no stated meaning
)

// Header is what a file says of its (first full-size) picture.
type Header struct {
	Kind                      Kind
	StoredWidth, StoredHeight int // px, before orientation
	Width, Height             int // px, as displayed
	Bits                      int // a sample
	Channels                  int // samples a pixel as stored, alpha included
	Colour                    Colour
	Alpha                     Alpha
	Planar                    bool   // one plane a channel instead of interleaved
	SampleFormat              string // "unsigned", "signed", "float" or "undefined"
	Compression               string
	Orientation               int         // 1 to 8, TIFF tag 274; 1: as stored
	DPI                       *[2]float64 // x, y as displayed; nil: not declared
	Make, Model               string      // of the scanner; "": not said
	Pages                     int         // pictures in a TIFF's chain; else 1
	Page                      int         // index of the first full-size one
	Patches                   []Patch     // what to change for the image library to read it as meant
	Complete                  bool        // all the data the file announces is there
	DataBytes                 int64       // compressed picture data, as far as known
	Chunks                    *Chunks     // where a TIFF's picture data lie; nil where that is not plainly said
}

// Chunks are the strips or tiles of a TIFF, row after row of them. Strips are
// as wide as the picture, and the last may be lower.
type Chunks struct {
	Tiled         bool
	Width, Height int     // px of one, as stored
	Off, Len      []int64 // bytes in the file
	Predictor     bool    // samples are stored as differences along the row
	BigEndian     bool    // samples of 16 bits
}

// Patch is a change to the file's bytes as they are handed to the image
// library; the file itself stays as it is.
type Patch struct {
	Off   int64
	Bytes []byte
}

// Notes says what a person should know of how the file was read.
func (h Header) Notes() []string {
	if h.Pages < 2 {
		return nil
	}
	return []string{fmt.Sprintf("the file holds %d pictures: the first of full size, number %d, was measured, the others were not", h.Pages, h.Page+1)}
}

// Limits of the image library: 2^30 pixels and sides of 2^20.
const (
	maxPixels = 1 << 30
	maxSide   = 1 << 20
)

// narrowest is how many times as long as broad a picture may be (chosen: far from
// any scan, and what is narrower cannot be reduced to a picture to look at).
const narrowest = 1000

// maxRatio is more than any accepted compression can reach: deflate 1032,
// LZW with 12-bit codes about 2700, JPEG about 1000 (one bit a block). A file
// that claims more pixels than that a byte is broken, or meant to exhaust us.
const maxRatio = 5000

// Refusal says why a file cannot be read rightly, and what to do.
type Refusal struct {
	File   string // base name
	Fault  string
	Remedy string
}

// Error gives file, fault and remedy in one line.
func (r *Refusal) Error() string { return r.File + ": " + r.Fault + ": " + r.Remedy }

// ReadFile opens path and reads its header; see [Read].
func ReadFile(path string) (Header, error) {
	info, err := os.Stat(path)
	if err != nil {
		return Header{}, err
	}
	if !info.Mode().IsRegular() { // to open a pipe would wait for a writer
		return Header{}, &Refusal{filepath.Base(path), "not a regular file", "name an image file"}
	}
	f, err := os.Open(path)
	if err != nil {
		return Header{}, err
	}
	defer f.Close()
	return Read(filepath.Base(path), f, info.Size())
}

// Read reads the header of the size bytes in r. The name is for messages. The
// error is a [*Refusal] for whatever cannot be read or would be decoded
// wrongly; the header then holds what was understood so far.
func Read(name string, r io.ReaderAt, size int64) (Header, error) {
	f := &file{r: r, size: size}
	h, err := parse(f)
	if err == nil {
		h.display()
		err = h.check()
	}
	if err == nil {
		return h, nil
	}
	ref, ok := err.(*Refusal)
	if !ok {
		ref = &Refusal{Fault: err.Error(), Remedy: "copy it again, or save it anew as TIFF or PNG"}
	}
	ref.File = name
	return h, ref
}

func parse(f *file) (Header, error) {
	head, err := f.bytes(0, int(min(16, f.size)))
	if err != nil {
		return Header{}, err
	}
	if len(head) == 0 {
		return Header{}, refuse("the file is empty", "copy it again")
	}
	switch s := string(head); {
	case len(s) >= 8 && s[:8] == "\x89PNG\r\n\x1a\n":
		return readPNG(f)
	case len(s) >= 3 && s[:3] == "\xff\xd8\xff":
		return readJPEG(f)
	case len(s) >= 4 && slices.Contains([]string{"II*\x00", "MM\x00*", "II+\x00", "MM\x00+"}, s[:4]):
		return readTIFF(f)
	}
	return Header{}, refuse("not a TIFF, PNG or JPEG picture", "save the scan as TIFF or PNG")
}

// display sets the size and resolution as displayed. Orientations 5 to 8 lay
// the picture on its side (TIFF 6.0, page 36).
func (h *Header) display() {
	if h.Orientation < 1 || h.Orientation > 8 {
		h.Orientation = 1
	}
	h.Width, h.Height = h.StoredWidth, h.StoredHeight
	if h.Orientation >= 5 {
		h.Width, h.Height = h.Height, h.Width
		if h.DPI != nil {
			h.DPI = &[2]float64{h.DPI[1], h.DPI[0]}
		}
	}
}

// Uncommon tells that the image library reads the picture wrongly or not at all,
// while package tiff reads it rightly: 16-bit samples in planes, or gray with
// alpha. The alpha is left out, as of other kinds.
func (h Header) Uncommon() bool {
	gray := h.Colour == Gray || h.Colour == MinIsWhite
	return h.Kind == TIFF && h.Bits == 16 && (h.Planar && h.Channels > 1 || gray && h.Channels == 2) && h.plainlyStored()
}

// plainlyStored tells that the picture is stored as package tiff takes it: not
// turned, and packed by a method that loses nothing.
func (h Header) plainlyStored() bool {
	plain := h.Compression == "none" || h.Compression == "LZW" || h.Compression == "deflate"
	return plain && h.Orientation == 1 && h.Chunks != nil
}

// DecodedChannels is the number of channels the decoded scan has: 1 for gray,
// 3 for colour.
func (h Header) DecodedChannels() int {
	if h.Colour == Gray || h.Colour == MinIsWhite {
		return 1
	}
	return 3
}

// DecodedBytes is the memory the decoded scan takes, for planning.
func (h Header) DecodedBytes() int64 {
	return int64(h.StoredWidth) * int64(h.StoredHeight) * int64(h.DecodedChannels()) * int64((h.Bits+7)/8)
}

func refuse(fault, remedy string) *Refusal { return &Refusal{Fault: fault, Remedy: remedy} }

func refusef(remedy, format string, a ...any) *Refusal {
	return refuse(fmt.Sprintf(format, a...), remedy)
}

// check refuses what the decoder would read wrongly or not at all.
func (h Header) check() error {
	for _, rule := range []func() *Refusal{h.checkSize, h.checkSamples, h.checkColour, h.checkAlpha, h.checkData} {
		if r := rule(); r != nil {
			return r
		}
	}
	return nil
}

func (h Header) checkSize() *Refusal {
	w, ht := int64(h.StoredWidth), int64(h.StoredHeight)
	switch {
	case w <= 0 || ht <= 0:
		return refusef("save it anew", "the picture is %d x %d px", w, ht)
	case w > maxSide || ht > maxSide || w*ht > maxPixels:
		return refusef("scan fewer cores at once, or cut the scan in two", "%d x %d px is over the limit of %d million pixels or %d px a side", w, ht, maxPixels>>20, maxSide)
	case max(w, ht) > narrowest*min(w, ht):
		return refusef("scan the whole tray", "%d x %d px is too narrow to hold a core", w, ht)
	}
	return nil
}

func (h Header) checkSamples() *Refusal {
	const save = "save it with 8 or 16 bits a channel"
	switch {
	case h.SampleFormat != "unsigned":
		return refusef(save, "its samples are %s, not whole positive numbers", h.SampleFormat)
	case h.Colour == Palette && h.Bits <= 8 && h.Kind == PNG, h.Bits == 8, h.Bits == 16:
		return nil
	case h.Bits == 1:
		return refuse("only black and white, 1 bit a pixel", "scan in gray or colour")
	}
	return refusef(save, "%d bits a channel", h.Bits)
}

func (h Header) checkColour() *Refusal {
	deep := h.Bits == 16 && h.Kind == TIFF
	switch {
	case h.Colour == OtherSpace:
		return refuse("its colours are neither gray, RGB, palette nor YCbCr", "save it as RGB or gray")
	case h.Colour == CMYK && (deep || h.Kind == JPEG):
		return refusef("save it as RGB", "%d-bit CMYK colours", h.Bits)
	case deep && (h.Colour == Palette || h.Colour == YCbCr):
		return refusef("save it as RGB", "16-bit %s colours", h.Colour)
	case deep && h.Planar && h.Channels > 1 && !h.plainlyStored():
		return refuse("16-bit colour stored one plane a channel", "save it interleaved (contiguous)")
	}
	return nil
}

func (h Header) checkAlpha() *Refusal {
	const save = "save it without the alpha channel"
	colours := map[Colour]int{Gray: 1, MinIsWhite: 1, Palette: 1, RGB: 3, YCbCr: 3, CMYK: 4}[h.Colour]
	extra := h.Channels - colours
	switch {
	case extra < 0:
		return refusef("save it anew", "%d channels are too few for %s", h.Channels, h.Colour)
	case extra > 1:
		return refusef(save, "%d channels beside the colours", extra)
	case extra == 1 && h.Kind == TIFF && colours == 1 && h.Bits == 16 && !h.plainlyStored():
		return refusef(save, "%d-bit gray with alpha", h.Bits)
	}
	return nil
}

func (h Header) checkData() *Refusal {
	if !h.Complete {
		return refuse("the file is cut off before the picture's end", "copy or scan it again")
	}
	raw := int64(h.StoredWidth) * int64(h.StoredHeight) * int64(h.Channels) * int64(h.Bits) / 8
	if raw > h.DataBytes*maxRatio {
		return refusef("save it anew", "%d bytes of data cannot hold %d x %d px", h.DataBytes, h.StoredWidth, h.StoredHeight)
	}
	return nil
}

// Default tells that the declared resolution is one that programs write when
// they know nothing (72 and 96 dpi; 72 is Exif's stated default).
func isDefaultDPI(d [2]float64) bool {
	return d[0] == d[1] && (d[0] == 72 || d[0] == 96)
}

// dpi makes a declared resolution of two numbers a unit of length, or nil
// where it cannot be one: outside 1 to 100 000 dpi, or not a number.
func dpi(x, y, unitsPerInch float64) *[2]float64 {
	d := [2]float64{x * unitsPerInch, y * unitsPerInch}
	for _, v := range d {
		if !(v >= 1 && v <= 1e5) {
			return nil
		}
	}
	return &d
}
