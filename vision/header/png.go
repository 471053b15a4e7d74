package header

import (
	"encoding/binary"
)

// maxChunks bounds the walk through a PNG; a scan of 2^30 pixels in chunks of
// 8 KB stays below it.
const maxChunks = 1 << 20

// readPNG walks the chunks of a PNG (third edition, section 5.3: length, type,
// data, CRC) up to IEND.
func readPNG(f *file) (Header, error) {
	h := Header{Kind: PNG, Pages: 1, Alpha: NoAlpha, SampleFormat: "unsigned", Compression: "deflate"}
	off := int64(8)
	for n := 0; n < maxChunks && !h.Complete; n++ {
		head, err := f.bytes(off, 8)
		if err != nil {
			break // cut off: Complete stays false
		}
		length, kind := int64(binary.BigEndian.Uint32(head)), string(head[4:])
		if n == 0 && kind != "IHDR" {
			return h, refuse("not a whole PNG: its header chunk is missing", "save it anew")
		}
		if length > 1<<31-1 {
			return h, refuse("a chunk of absurd length", "save it anew")
		}
		if off+12+length > f.size {
			break
		}
		if err := h.pngChunk(f, kind, off+8, length); err != nil {
			return h, err
		}
		off += 12 + length
	}
	return h, nil
}

// pngChunk takes what the chunk of the given type, with n bytes of data at
// off, says.
func (h *Header) pngChunk(f *file, kind string, off, n int64) error {
	switch kind {
	case "IHDR":
		return h.pngIHDR(f, off, n)
	case "IDAT":
		h.DataBytes += n
	case "IEND":
		h.Complete = h.DataBytes > 0
	case "tRNS":
		h.Alpha = Unassociated
	case "pHYs": // 11.3.4.3: px a unit in x and y, unit 1 is the metre
		if b, err := f.bytes(off, 9); err == nil && n >= 9 && b[8] == 1 {
			h.DPI = dpi(float64(binary.BigEndian.Uint32(b)), float64(binary.BigEndian.Uint32(b[4:])), 0.0254)
		}
	case "eXIf": // 11.3.4.5: a TIFF structure without the "Exif" lead
		if n <= maxRead {
			if b, err := f.bytes(off, int(n)); err == nil {
				e := readExif(b)
				h.Orientation, h.Make, h.Model = e.orientation, e.make, e.model
				if h.DPI == nil {
					h.DPI = e.dpi
				}
			}
		}
	}
	return nil
}

// pngIHDR reads the image header (11.2.1).
func (h *Header) pngIHDR(f *file, off, n int64) error {
	if n != 13 {
		return refuse("its PNG header chunk has a wrong length", "save it anew")
	}
	b, err := f.bytes(off, 13)
	if err != nil {
		return err
	}
	w, ht := binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])
	if w > 1<<31-1 || ht > 1<<31-1 {
		return refuse("a width or height beyond what PNG allows", "save it anew")
	}
	h.StoredWidth, h.StoredHeight, h.Bits = int(w), int(ht), int(b[8])
	switch b[9] {
	case 0:
		h.Colour, h.Channels = Gray, 1
	case 2:
		h.Colour, h.Channels = RGB, 3
	case 3:
		h.Colour, h.Channels = Palette, 1
	case 4:
		h.Colour, h.Channels, h.Alpha = Gray, 2, Unassociated
	case 6:
		h.Colour, h.Channels, h.Alpha = RGB, 4, Unassociated
	default:
		return refusef("save it anew", "PNG colour type %d does not exist", b[9])
	}
	return nil
}
