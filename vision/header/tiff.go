package header

import (
	"bytes"
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	maxPages   = 4096    // directories followed in one file
	maxEntries = 4096    // entries in one directory
	maxStrips  = 1 << 22 // strips or tiles of one picture
)

// The TIFF tags read (TIFF 6.0 section 8 and Exif 4.6.4).
const (
	tagSubfile     = 254
	tagOldSubfile  = 255
	tagWidth       = 256
	tagHeight      = 257
	tagBits        = 258
	tagCompression = 259
	tagPhotometric = 262
	tagFillOrder   = 266
	tagMake        = 271
	tagModel       = 272
	tagStrips      = 273
	tagOrientation = 274
	tagSamples     = 277
	tagStripRows   = 278
	tagStripCounts = 279
	tagXRes        = 282
	tagYRes        = 283
	tagPlanar      = 284
	tagResUnit     = 296
	tagPredictor   = 317
	tagTileWidth   = 322
	tagTileHeight  = 323
	tagTiles       = 324
	tagTileCounts  = 325
	tagExtra       = 338
	tagFormat      = 339
)

// typeSize is the length of one value by TIFF type 1 to 12 (page 15), and 16 to
// 18, which BigTIFF adds; 0: there is no such type.
var typeSize = [...]int64{0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 0, 0, 0, 8, 8, 8}

// layout is how a file's directories are laid out: classic TIFF, or BigTIFF
// (the public description "The BigTIFF File Format Proposal", Aware Systems
// 2004 on), whose counts and places take eight bytes.
type layout struct {
	order binary.ByteOrder
	big   bool
}

// place reads a place in the file, or a count, of the layout's length.
func (l layout) place(b []byte) int64 {
	if l.big {
		return int64(l.order.Uint64(b)) // beyond any file: negative, and refused as such
	}
	return int64(l.order.Uint32(b))
}

// bytesOf is the inverse of place.
func (l layout) bytesOf(place int64) []byte {
	if l.big {
		b := make([]byte, 8)
		l.order.PutUint64(b, uint64(place))
		return b
	}
	b := make([]byte, 4)
	l.order.PutUint32(b, uint32(place))
	return b
}

// lengths returns the bytes of a directory's count of fields, of a field, and
// of a place.
func (l layout) lengths() (count, field, place int) {
	if l.big {
		return 8, 20, 8
	}
	return 2, 12, 4
}

// entry is one field of a directory: count values of a type, at off.
type entry struct {
	kind  uint16
	count int64
	off   int64
}

// directory is one IFD: its entries by tag, and where the next one is.
type directory struct {
	f *file
	layout
	entries map[uint16]entry
	next    int64
}

// readDirectory reads the IFD at off: a count, the fields (tag, type, count,
// value), the place of the next one (TIFF 6.0 page 14). Values that fit stand
// in the field itself.
func readDirectory(f *file, l layout, off int64) (directory, error) {
	d := directory{f: f, layout: l, entries: map[uint16]entry{}}
	countLen, fieldLen, placeLen := l.lengths()
	b, err := f.bytes(off, countLen)
	if err != nil {
		return d, err
	}
	n := int64(l.order.Uint16(b))
	if l.big {
		n = l.place(b)
	}
	if n <= 0 || n > maxEntries {
		return d, refusef("save it anew", "a TIFF directory of %d fields", n)
	}
	first := off + int64(countLen)
	b, err = f.bytes(first, fieldLen*int(n)+placeLen)
	if err != nil { // some writers leave out the place of the next one
		if b, err = f.bytes(first, fieldLen*int(n)); err != nil {
			return d, err
		}
		b = append(b, make([]byte, placeLen)...)
	}
	for i := range int(n) {
		e := b[fieldLen*i:]
		tag, kind, count := l.order.Uint16(e), l.order.Uint16(e[2:]), l.place(e[4:])
		if int(kind) >= len(typeSize) || typeSize[kind] == 0 || count < 0 || count > math.MaxUint32 {
			continue
		}
		at := first + int64(fieldLen*i+4+placeLen)
		if count*typeSize[kind] > int64(placeLen) {
			at = l.place(e[4+placeLen:])
		}
		if _, twice := d.entries[tag]; !twice {
			d.entries[tag] = entry{kind, count, at}
		}
	}
	d.next = l.place(b[fieldLen*int(n):])
	return d, nil
}

// value returns the i-th value of a tag as a number; ok is false where it is
// missing or of another kind.
func (d directory) value(tag uint16, i int64) (v float64, ok bool) {
	e, there := d.entries[tag]
	if !there || i >= e.count {
		return 0, false
	}
	b, err := d.f.bytes(e.off+i*typeSize[e.kind], int(typeSize[e.kind]))
	if err != nil {
		return 0, false
	}
	switch e.kind {
	case 1, 7:
		return float64(b[0]), true
	case 3:
		return float64(d.order.Uint16(b)), true
	case 4:
		return float64(d.order.Uint32(b)), true
	case 5:
		num, den := d.order.Uint32(b), d.order.Uint32(b[4:])
		return float64(num) / float64(den), den != 0
	case 16:
		return float64(d.order.Uint64(b)), true
	case 11:
		v = float64(math.Float32frombits(d.order.Uint32(b)))
		return v, !math.IsNaN(v)
	case 12:
		v = math.Float64frombits(d.order.Uint64(b))
		return v, !math.IsNaN(v)
	}
	return 0, false
}

// text returns a tag of letters (type 2, TIFF 6.0 page 15), without blanks round
// it; "" where it is missing, longer than names are, or not printable.
func (d directory) text(tag uint16) string {
	const longest = 256
	e, there := d.entries[tag]
	if !there || e.kind != 2 || e.count > longest {
		return ""
	}
	b, err := d.f.bytes(e.off, int(e.count))
	if err != nil {
		return ""
	}
	b, _, _ = bytes.Cut(b, []byte{0})
	s := strings.TrimSpace(string(b))
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return ""
	}
	return s
}

// number returns the first value of a tag, or def where it is missing.
func (d directory) number(tag uint16, def int) int {
	if v, ok := d.value(tag, 0); ok && v >= 0 && v <= math.MaxUint32 {
		return int(v)
	}
	return def
}

// resolution returns the declared dpi (TIFF 6.0 page 38: unit 2 inch, the
// default, 3 cm, 1 none), or nil.
func (d directory) resolution() *[2]float64 {
	x, okX := d.value(tagXRes, 0)
	y, okY := d.value(tagYRes, 0)
	switch {
	case !okX && !okY:
		return nil
	case !okX:
		x = y
	case !okY:
		y = x
	}
	switch d.number(tagResUnit, 2) {
	case 2:
		return dpi(x, y, 1)
	case 3:
		return dpi(x, y, 2.54)
	}
	return nil
}

// readTIFF follows the chain of directories and takes the first picture of
// full size.
func readTIFF(f *file) (Header, error) {
	h := Header{Kind: TIFF}
	b, err := f.bytes(0, 16)
	if err != nil {
		return h, err
	}
	l := layout{order: binary.LittleEndian}
	if b[0] == 'M' {
		l.order = binary.BigEndian
	}
	link := int64(4) // where the head says where the first directory is
	if l.order.Uint16(b[2:]) == 43 {
		l.big, link = true, 8
		if l.order.Uint16(b[4:]) != 8 {
			return h, refuse("a BigTIFF of an unknown layout", "save it as an ordinary TIFF")
		}
	}
	pages, err := readPages(f, l, l.place(b[link:]))
	if err != nil {
		return h, err
	}
	h.Pages, h.Page = len(pages), fullSize(pages)
	if h.Page < 0 {
		return h, refuse("no full-size picture in it", "save it anew")
	}
	p := pages[h.Page]
	if h.Page > 0 { // the library reads the directory that the file's head points at
		h.Patches = append(h.Patches, Patch{link, l.bytesOf(p.off)})
	}
	return h, h.tiffPicture(p.directory)
}

// page is a directory in a file's chain.
type page struct {
	directory
	off int64
}

// readPages returns the directories of a file, at least one. What follows a
// page that is whole is not needed: there the chain may be broken.
func readPages(f *file, l layout, off int64) (pages []page, err error) {
	seen := map[int64]bool{}
	for off != 0 && len(pages) < maxPages {
		if seen[off] {
			return nil, refuse("its pages point at one another in a circle", "save it anew")
		}
		seen[off] = true
		d, err := readDirectory(f, l, off)
		if err != nil && len(pages) == 0 {
			return nil, err
		}
		if err != nil {
			break
		}
		pages = append(pages, page{d, off})
		off = d.next
	}
	if len(pages) == 0 {
		return nil, refuse("no picture in it", "save it anew")
	}
	return pages, nil
}

// fullSize returns the index of the first picture that is neither said to be a
// reduced copy or a mask (NewSubfileType, TIFF 6.0 page 36; SubfileType, page
// 40) nor, as scanners write previews without saying so, smaller than a quarter
// of the largest one (chosen); -1 if there is none.
func fullSize(pages []page) int {
	area := func(p page) int64 {
		if p.number(tagSubfile, 0)&(1|4) != 0 || p.number(tagOldSubfile, 1) == 2 {
			return -1
		}
		return int64(p.number(tagWidth, 0)) * int64(p.number(tagHeight, 0))
	}
	largest := int64(-1)
	for _, p := range pages {
		largest = max(largest, area(p))
	}
	return slices.IndexFunc(pages, func(p page) bool { return area(p) >= 0 && area(p) >= largest/4 })
}

// tiffPicture takes what a directory says of its picture.
func (h *Header) tiffPicture(d directory) error {
	h.StoredWidth, h.StoredHeight = d.number(tagWidth, 0), d.number(tagHeight, 0)
	h.Bits, h.Channels = d.number(tagBits, 1), d.number(tagSamples, 1)
	h.Planar = d.number(tagPlanar, 1) == 2
	h.Orientation = d.number(tagOrientation, 1)
	h.DPI = d.resolution()
	h.Make, h.Model = d.text(tagMake), d.text(tagModel)
	h.Colour = tiffColour(d.number(tagPhotometric, -1))
	h.Alpha = tiffAlpha(d)
	if h.Alpha == Unassociated {
		h.patchAlpha(d)
	}
	h.SampleFormat = tiffFormat(d.number(tagFormat, 1))
	if h.Channels < 1 || h.Channels > 16 {
		return refusef("save it as RGB or gray", "%d channels", h.Channels)
	}
	for i := range int64(h.Channels) {
		if v, ok := d.value(tagBits, i); ok && int(v) != h.Bits {
			return refuse("channels of unequal depth", "save it with 8 or 16 bits a channel")
		}
	}
	var known bool
	if h.Compression, known = tiffCompression(d.number(tagCompression, 1)); !known {
		return refusef("save it uncompressed or with LZW or deflate", "%s compression", h.Compression)
	}
	return h.tiffData(d)
}

// tiffData adds up the strips or tiles and sees that they lie in the file.
// Files that do not give the lengths are taken as whole.
func (h *Header) tiffData(d directory) error {
	offTag, lenTag := uint16(tagStrips), uint16(tagStripCounts)
	if _, tiled := d.entries[tagTiles]; tiled {
		offTag, lenTag = tagTiles, tagTileCounts
	}
	offs, there := d.entries[offTag]
	if !there || offs.count == 0 {
		return refuse("no picture data in it", "save it anew")
	}
	lens, there := d.entries[lenTag]
	if !there {
		h.Complete, h.DataBytes = true, d.f.size
		return nil
	}
	if offs.count > maxStrips || lens.count != offs.count {
		return refusef("save it anew", "%d strips of picture data, %d lengths", offs.count, lens.count)
	}
	h.Complete = true
	at, err := d.list(offs)
	if err != nil {
		return err
	}
	n, err := d.list(lens)
	if err != nil {
		return err
	}
	for i := range at {
		if at[i] < 0 || n[i] < 0 || at[i] > d.f.size || n[i] > d.f.size-at[i] {
			h.Complete = false
			return nil
		}
		h.DataBytes += n[i]
	}
	h.Chunks = d.chunks(h, offTag == tagTiles, at, n)
	return nil
}

// chunks says how the picture is cut up (TIFF 6.0 pages 39 and 67), nil where
// that is unusual: bits in reverse, or a predictor other than differences.
func (d directory) chunks(h *Header, tiled bool, off, length []int64) *Chunks {
	predictor := d.number(tagPredictor, 1)
	if d.number(tagFillOrder, 1) != 1 || predictor < 1 || predictor > 2 {
		return nil
	}
	c := &Chunks{Tiled: tiled, Width: h.StoredWidth, Off: off, Len: length,
		Predictor: predictor == 2, BigEndian: d.order == binary.BigEndian}
	c.Height = min(h.StoredHeight, d.number(tagStripRows, math.MaxUint32))
	if tiled {
		c.Width, c.Height = d.number(tagTileWidth, 0), d.number(tagTileHeight, 0)
	}
	return c
}

// list returns all values of an entry of whole numbers. The entry's extent is
// checked against the file before anything is allocated.
func (d directory) list(e entry) ([]int64, error) {
	size := typeSize[e.kind]
	if e.kind != 3 && e.kind != 4 && e.kind != 16 {
		return nil, refuse("places of picture data that are not whole numbers", "save it anew")
	}
	if e.off < 0 || e.off > d.f.size || e.count*size > d.f.size-e.off {
		return nil, errCut
	}
	out := make([]int64, 0, e.count)
	const block = 1 << 14
	for i := int64(0); i < e.count; i += block {
		b, err := d.f.bytes(e.off+i*size, int(min(block, e.count-i)*size))
		if err != nil {
			return nil, err
		}
		for ; len(b) > 0; b = b[size:] {
			switch size {
			case 2:
				out = append(out, int64(d.order.Uint16(b)))
			case 4:
				out = append(out, int64(d.order.Uint32(b)))
			default:
				out = append(out, int64(d.order.Uint64(b)))
			}
		}
	}
	return out, nil
}

func tiffColour(photometric int) Colour {
	switch photometric {
	case 0:
		return MinIsWhite
	case 1:
		return Gray
	case 2:
		return RGB
	case 3:
		return Palette
	case 5:
		return CMYK
	case 6:
		return YCbCr
	}
	return OtherSpace
}

// tiffAlpha reads ExtraSamples (page 31).
func tiffAlpha(d directory) Alpha {
	v, ok := d.value(tagExtra, 0)
	switch {
	case !ok:
		return NoAlpha
	case v == 1:
		return Associated
	case v == 2:
		return Unassociated
	}
	return Unspecified
}

// patchAlpha has the image library take unassociated alpha for associated. It
// would multiply the colours by the former; so they stay as they are stored,
// and the alpha itself is left out in either case.
func (h *Header) patchAlpha(d directory) {
	e := d.entries[tagExtra]
	value := make([]byte, typeSize[e.kind])
	switch e.kind {
	case 3:
		d.order.PutUint16(value, 1)
	case 4:
		d.order.PutUint32(value, 1)
	default:
		value[0] = 1
	}
	h.Patches = append(h.Patches, Patch{e.off, value})
}

// tiffFormat reads SampleFormat (page 80).
func tiffFormat(v int) string {
	switch v {
	case 1:
		return "unsigned"
	case 2:
		return "signed"
	case 3:
		return "float"
	}
	return "undefined"
}

// tiffCompression names a compression and says whether it is read.
func tiffCompression(v int) (string, bool) {
	switch v {
	case 1:
		return "none", true
	case 5:
		return "LZW", true
	case 7:
		return "JPEG", true
	case 8, 32946:
		return "deflate", true
	case 32773:
		return "PackBits", true
	case 2, 3, 4:
		return "fax", false
	case 6:
		return "old-style JPEG", false
	}
	return "an unusual", false
}
