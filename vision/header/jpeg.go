package header

import (
	"bytes"
	"encoding/binary"
)

// maxSegments bounds the walk through a JPEG's segments.
const maxSegments = 4096

// jpegInfo is what the segments before the first scan say.
type jpegInfo struct {
	jfif  *[2]float64
	exif  exif
	adobe int // colour transform of the APP14 segment; -1: none
}

// readJPEG walks the segments of a JPEG (ISO/IEC 10918-1 annex B) up to the
// first scan, then looks for the end marker.
func readJPEG(f *file) (Header, error) {
	h := Header{Kind: JPEG, Pages: 1, Alpha: NoAlpha, SampleFormat: "unsigned"}
	info := jpegInfo{adobe: -1}
	off := int64(2)
	for n := 0; n < maxSegments; n++ {
		head, err := f.bytes(off, 4)
		if err != nil {
			return h, err
		}
		switch m := head[1]; {
		case head[0] != 0xff:
			return h, refuse("no JPEG marker where one must be", "save it anew")
		case m == 0xff: // fill byte
			off++
			continue
		case m == 0x01 || m >= 0xd0 && m <= 0xd8: // markers without a length
			off += 2
			continue
		case m == 0xd9:
			return h, refuse("it ends before any picture data", "save it anew")
		case m == 0xda:
			return h, h.jpegScan(f, off, info)
		}
		length := int64(binary.BigEndian.Uint16(head[2:]))
		if length < 2 {
			return h, refuse("a segment of impossible length", "save it anew")
		}
		body, err := f.bytes(off+4, int(length-2))
		if err != nil {
			return h, err
		}
		if err := h.jpegSegment(head[1], body, &info); err != nil {
			return h, err
		}
		off += 2 + length
	}
	return h, refuse("too many segments before the picture", "save it anew")
}

func (h *Header) jpegSegment(marker byte, b []byte, info *jpegInfo) error {
	switch {
	case marker >= 0xc0 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc:
		return h.jpegFrame(marker, b)
	case marker == 0xe0 && bytes.HasPrefix(b, []byte("JFIF\x00")) && len(b) >= 12:
		x, y := float64(binary.BigEndian.Uint16(b[8:])), float64(binary.BigEndian.Uint16(b[10:]))
		switch b[7] { // JFIF 1.02 page 5: 1 dots an inch, 2 dots a cm, 0 only a ratio
		case 1:
			info.jfif = dpi(x, y, 1)
		case 2:
			info.jfif = dpi(x, y, 2.54)
		}
	case marker == 0xe1 && bytes.HasPrefix(b, []byte("Exif\x00\x00")):
		info.exif = readExif(b[6:])
	case marker == 0xee && bytes.HasPrefix(b, []byte("Adobe")) && len(b) >= 12:
		info.adobe = int(b[11])
	}
	return nil
}

// jpegFrame reads the frame header (B.2.2). The size may be repeated only by
// hierarchical files, which are refused.
func (h *Header) jpegFrame(marker byte, b []byte) error {
	if len(b) < 6 || len(b) < 6+3*int(b[5]) {
		return refuse("its JPEG frame header is too short", "save it anew")
	}
	switch marker {
	case 0xc0, 0xc1:
		h.Compression = "JPEG baseline"
	case 0xc2:
		h.Compression = "JPEG progressive"
	default:
		return refusef("save it as TIFF or PNG", "a JPEG of a rare kind (SOF%d)", marker-0xc0)
	}
	h.Bits, h.Channels = int(b[0]), int(b[5])
	h.StoredHeight, h.StoredWidth = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
	return nil
}

// jpegScan settles the colours, orientation and resolution once all segments
// before the first scan, which starts at off, are known.
func (h *Header) jpegScan(f *file, off int64, info jpegInfo) error {
	if h.Bits == 0 {
		return refuse("picture data before the frame header", "save it anew")
	}
	switch {
	case h.Channels == 1:
		h.Colour = Gray
	case h.Channels == 3 && info.adobe == 0:
		h.Colour = RGB
	case h.Channels == 3:
		h.Colour = YCbCr
	case h.Channels == 4:
		h.Colour = CMYK
	default:
		h.Colour = OtherSpace
	}
	h.Orientation = info.exif.orientation
	h.Make, h.Model = info.exif.make, info.exif.model
	h.DPI = info.jfif
	// Files often carry both, one of them the writer's default.
	if e := info.exif.dpi; e != nil && (h.DPI == nil || isDefaultDPI(*h.DPI)) {
		h.DPI = e
	}
	h.DataBytes = f.size - off
	var err error
	h.Complete, err = f.endMarker(off)
	return err
}

// endMarker looks from the end of the file back to from for the end-of-image
// marker, which cannot occur within entropy-coded data (B.1.1.5).
func (f *file) endMarker(from int64) (bool, error) {
	const block = 1 << 16
	for end := f.size; end > from+1; end -= block {
		start := max(from, end-block-1) // one byte of overlap: the marker has two
		b, err := f.bytes(start, int(end-start))
		if err != nil {
			return false, err
		}
		if bytes.Contains(b, []byte{0xff, 0xd9}) {
			return true, nil
		}
	}
	return false, nil
}
