package header

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// tag is a TIFF field to write: type 2 (ascii), 3 (short), 4 (long) or 5
// (rational, the values in pairs).
type tag struct {
	id, kind uint16
	values   []uint32
}

func short(id uint16, v ...uint32) tag    { return tag{id, 3, v} }
func long(id uint16, v ...uint32) tag     { return tag{id, 4, v} }
func rational(id uint16, v ...uint32) tag { return tag{id, 5, v} }

// ascii is a text with its closing zero (type 2).
func ascii(id uint16, text string) tag {
	t := tag{id: id, kind: 2}
	for _, b := range []byte(text + "\x00") {
		t.values = append(t.values, uint32(b))
	}
	return t
}

// tiff builds a TIFF file, one directory a page, by TIFF 6.0 pages 13 to 16.
func tiff(order binary.AppendByteOrder, pages ...[]tag) []byte {
	b := []byte("II")
	if order == binary.AppendByteOrder(binary.BigEndian) {
		b = []byte("MM")
	}
	b = order.AppendUint16(b, 42)
	b = order.AppendUint32(b, 8)
	for p, tags := range pages {
		var extra []byte
		at := uint32(len(b) + 2 + 12*len(tags) + 4)
		b = order.AppendUint16(b, uint16(len(tags)))
		for _, t := range tags {
			n := len(t.values)
			if t.kind == 5 {
				n /= 2
			}
			b = order.AppendUint16(order.AppendUint16(b, t.id), t.kind)
			b = order.AppendUint32(b, uint32(n))
			var v []byte
			for _, x := range t.values {
				switch t.kind {
				case 2:
					v = append(v, byte(x))
				case 3:
					v = order.AppendUint16(v, uint16(x))
				default:
					v = order.AppendUint32(v, x)
				}
			}
			if len(v) <= 4 {
				b = append(b, append(v, make([]byte, 4-len(v))...)...)
				continue
			}
			b = order.AppendUint32(b, at+uint32(len(extra)))
			extra = append(extra, v...)
		}
		next := uint32(0)
		if p+1 < len(pages) {
			next = at + uint32(len(extra))
		}
		b = append(order.AppendUint32(b, next), extra...)
	}
	return b
}

// rgb is a small 8-bit RGB page whose one strip lies over the file's start;
// nobody decodes it. Fields given replace those of the same tag.
func rgb(with ...tag) []tag {
	tags := []tag{
		long(tagWidth, 40), long(tagHeight, 20), short(tagBits, 8, 8, 8), short(tagCompression, 1),
		short(tagPhotometric, 2), long(tagStrips, 8), short(tagSamples, 3), long(tagStripCounts, 100),
	}
	for _, t := range with {
		replaced := false
		for i := range tags {
			if tags[i].id == t.id {
				tags[i], replaced = t, true
			}
		}
		if !replaced {
			tags = append(tags, t)
		}
	}
	return tags
}

// chunk is a PNG chunk with its CRC (PNG 5.3).
func chunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func ihdr(w, h uint32, bits, colour byte) []byte {
	b := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	return chunk("IHDR", append(b, bits, colour, 0, 0, 0))
}

func png(chunks ...[]byte) []byte {
	return append([]byte("\x89PNG\r\n\x1a\n"), bytes.Join(chunks, nil)...)
}

func phys(x, y uint32, unit byte) []byte {
	return chunk("pHYs", append(binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, x), y), unit))
}

var (
	idat = chunk("IDAT", make([]byte, 64))
	iend = chunk("IEND", nil)
)

// segment is a JPEG marker segment: its length counts itself (B.1.1.4).
func segment(marker byte, data ...byte) []byte {
	n := len(data) + 2
	return append([]byte{0xff, marker, byte(n >> 8), byte(n)}, data...)
}

func jfif(unit byte, x, y uint16) []byte {
	return segment(0xe0, 'J', 'F', 'I', 'F', 0, 1, 2, unit, byte(x>>8), byte(x), byte(y>>8), byte(y), 0, 0)
}

func sof(marker, bits byte, h, w uint16, channels byte) []byte {
	d := []byte{bits, byte(h >> 8), byte(h), byte(w >> 8), byte(w), channels}
	return segment(marker, append(d, make([]byte, 3*int(channels))...)...)
}

func jpeg(segments ...[]byte) []byte {
	return append([]byte{0xff, 0xd8}, bytes.Join(segments, nil)...)
}

func app1(exif []byte) []byte { return segment(0xe1, append([]byte("Exif\x00\x00"), exif...)...) }

var (
	sos = append(segment(0xda, 1, 1, 0, 0, 63, 0), make([]byte, 200)...)
	eoi = []byte{0xff, 0xd9}
)

func TestRead(t *testing.T) {
	le, be := binary.LittleEndian, binary.BigEndian
	tests := []struct {
		name string
		file []byte
		want Header
	}{
		{"TIFF little-endian, inch", tiff(le, rgb(short(tagResUnit, 2), rational(tagXRes, 1200, 1), rational(tagYRes, 12000, 10))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, DPI: &[2]float64{1200, 1200}, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		{"TIFF big-endian, cm, turned by 90 degrees", tiff(be, rgb(short(tagResUnit, 3), rational(tagXRes, 1000, 1), rational(tagYRes, 500, 1), short(tagOrientation, 6), short(tagCompression, 5))),
			// 1000 a cm is 2540 an inch; x and y change places (TIFF 6.0 pages 36, 38).
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 20, Height: 40, Bits: 8, Channels: 3, Colour: RGB, DPI: &[2]float64{1270, 2540}, Compression: "LZW", Orientation: 6, Pages: 1, DataBytes: 100}},
		{"TIFF unit absent means inch", tiff(le, rgb(rational(tagXRes, 600, 1), rational(tagYRes, 600, 1))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, DPI: &[2]float64{600, 600}, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		{"TIFF unit none is no resolution", tiff(le, rgb(short(tagResUnit, 1), rational(tagXRes, 600, 1), rational(tagYRes, 600, 1))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		{"TIFF resolution over zero", tiff(le, rgb(rational(tagXRes, 600, 0), rational(tagYRes, 0, 0))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		{"TIFF 16-bit gray with a thumbnail behind", tiff(le, rgb(short(tagBits, 16), short(tagSamples, 1), short(tagPhotometric, 1)), rgb(long(tagSubfile, 1))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 16, Channels: 1, Colour: Gray, Compression: "none", Orientation: 1, Pages: 2, DataBytes: 100}},
		{"TIFF two strips, 16-bit RGB, associated alpha", tiff(le, rgb(short(tagBits, 16, 16, 16, 16), short(tagSamples, 4), short(tagExtra, 1), long(tagStrips, 8, 20), short(tagStripCounts, 60, 50))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 16, Channels: 4, Colour: RGB, Alpha: Associated, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 110}},
		{"TIFF 8-bit min-is-white", tiff(le, rgb(short(tagBits, 8), short(tagSamples, 1), short(tagPhotometric, 0))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 1, Colour: MinIsWhite, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		{"TIFF 16-bit min-is-white", tiff(le, rgb(short(tagBits, 16), short(tagSamples, 1), short(tagPhotometric, 0))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 16, Channels: 1, Colour: MinIsWhite, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100}},
		// The ninth field of the first directory: 8 + 2 + 8 fields of 12 + 8.
		{"TIFF 8-bit RGB, unassociated alpha", tiff(be, rgb(short(tagBits, 8, 8, 8, 8), short(tagSamples, 4), short(tagExtra, 2))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 4, Colour: RGB, Alpha: Unassociated, Compression: "none", Orientation: 1, Pages: 1, DataBytes: 100,
				Patches: []Patch{{114, []byte{0, 1}}}}},
		// A directory of nine fields, its next pointer and six bytes of depths
		// come first: 8 + 2 + 9 * 12 + 4 + 6.
		{"TIFF with a preview first that says so", tiff(le, rgb(long(tagSubfile, 1)), rgb()),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, Compression: "none", Orientation: 1, Pages: 2, Page: 1, DataBytes: 100,
				Patches: []Patch{{4, []byte{128, 0, 0, 0}}}}},
		// As before, with eight fields.
		{"TIFF with a small preview first that says nothing", tiff(le, rgb(long(tagWidth, 9)), rgb(), rgb(long(tagWidth, 38))),
			Header{Kind: TIFF, StoredWidth: 40, StoredHeight: 20, Width: 40, Height: 20, Bits: 8, Channels: 3, Colour: RGB, Compression: "none", Orientation: 1, Pages: 3, Page: 1, DataBytes: 100,
				Patches: []Patch{{4, []byte{116, 0, 0, 0}}}}},
		{"PNG 16-bit RGB, 47244 a metre", png(ihdr(300, 200, 16, 2), phys(47244, 47244, 1), idat, idat, iend),
			Header{Kind: PNG, StoredWidth: 300, StoredHeight: 200, Width: 300, Height: 200, Bits: 16, Channels: 3, Colour: RGB, DPI: &[2]float64{1199.9976, 1199.9976}, Compression: "deflate", Orientation: 1, Pages: 1, DataBytes: 128}},
		{"PNG pHYs of unknown unit", png(ihdr(30, 20, 8, 0), phys(2, 1, 0), idat, iend),
			Header{Kind: PNG, StoredWidth: 30, StoredHeight: 20, Width: 30, Height: 20, Bits: 8, Channels: 1, Colour: Gray, Compression: "deflate", Orientation: 1, Pages: 1, DataBytes: 64}},
		{"PNG eXIf turns, behind the picture", png(ihdr(30, 20, 8, 6), phys(23622, 11811, 1), idat, chunk("eXIf", tiff(be, []tag{short(tagOrientation, 8)})), iend),
			Header{Kind: PNG, StoredWidth: 30, StoredHeight: 20, Width: 20, Height: 30, Bits: 8, Channels: 4, Colour: RGB, Alpha: Unassociated, DPI: &[2]float64{299.9994, 599.9988}, Compression: "deflate", Orientation: 8, Pages: 1, DataBytes: 64}},
		{"JPEG, JFIF inch", jpeg(jfif(1, 1200, 600), sof(0xc0, 8, 20, 30, 3), sos, eoi),
			Header{Kind: JPEG, StoredWidth: 30, StoredHeight: 20, Width: 30, Height: 20, Bits: 8, Channels: 3, Colour: YCbCr, DPI: &[2]float64{1200, 600}, Compression: "JPEG baseline", Orientation: 1, Pages: 1, DataBytes: 212}},
		{"JPEG, JFIF cm, progressive gray", jpeg(jfif(2, 300, 300), sof(0xc2, 8, 20, 30, 1), sos, eoi, []byte("trailer")),
			Header{Kind: JPEG, StoredWidth: 30, StoredHeight: 20, Width: 30, Height: 20, Bits: 8, Channels: 1, Colour: Gray, DPI: &[2]float64{762, 762}, Compression: "JPEG progressive", Orientation: 1, Pages: 1, DataBytes: 219}},
		{"JPEG, JFIF ratio only, Exif turned with resolution", jpeg(jfif(0, 1, 1), app1(tiff(le, []tag{short(tagOrientation, 5), rational(tagXRes, 800, 1), rational(tagYRes, 400, 1), short(tagResUnit, 2)})), sof(0xc0, 8, 20, 30, 3), sos, eoi),
			Header{Kind: JPEG, StoredWidth: 30, StoredHeight: 20, Width: 20, Height: 30, Bits: 8, Channels: 3, Colour: YCbCr, DPI: &[2]float64{400, 800}, Compression: "JPEG baseline", Orientation: 5, Pages: 1, DataBytes: 212}},
		{"JPEG, JFIF default gives way to Exif", jpeg(jfif(1, 72, 72), app1(tiff(le, []tag{rational(tagXRes, 1200, 1), rational(tagYRes, 1200, 1)})), sof(0xc0, 8, 20, 30, 3), sos, eoi),
			Header{Kind: JPEG, StoredWidth: 30, StoredHeight: 20, Width: 30, Height: 20, Bits: 8, Channels: 3, Colour: YCbCr, DPI: &[2]float64{1200, 1200}, Compression: "JPEG baseline", Orientation: 1, Pages: 1, DataBytes: 212}},
	}
	near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Abs(b) })
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if tc.want.Alpha == "" {
				tc.want.Alpha = NoAlpha
			}
			tc.want.SampleFormat, tc.want.Complete = "unsigned", true
			got, err := Read("tray.tif", bytes.NewReader(tc.file), int64(len(tc.file)))
			if err != nil {
				t.Fatal(err)
			}
			got.Chunks = nil // what is decoded by them shows whether they are right: see package tiff
			if d := cmp.Diff(tc.want, got, near); d != "" {
				t.Errorf("header (-want +got):\n%s", d)
			}
		})
	}
}

// The scanner's make and model, without blanks round them; what is no text, or
// none that can be shown, counts as not said.
func TestDevice(t *testing.T) {
	maker, model := ascii(tagMake, "Osmundvale "), ascii(tagModel, "Millrace 4\x00\x00")
	exif := tiff(binary.BigEndian, []tag{maker, model})
	for _, tt := range []struct {
		name        string
		file        []byte
		make, model string
	}{
		{"TIFF", tiff(binary.LittleEndian, rgb(maker, model)), "Osmundvale", "Millrace 4"},
		{"a name that fits into the field", tiff(binary.LittleEndian, rgb(ascii(tagModel, "P2"))), "", "P2"},
		{"JPEG", jpeg(app1(exif), sof(0xc0, 8, 20, 30, 3), sos, eoi), "Osmundvale", "Millrace 4"},
		{"PNG", png(ihdr(30, 20, 8, 2), chunk("eXIf", exif), idat, iend), "Osmundvale", "Millrace 4"},
		{"none", tiff(binary.LittleEndian, rgb()), "", ""},
		{"a number", tiff(binary.LittleEndian, rgb(short(tagModel, 7))), "", ""},
		{"not to be shown", tiff(binary.LittleEndian, rgb(ascii(tagMake, "a\x1b[2J"), ascii(tagModel, "\xff\xfe"))), "", ""},
		{"longer than names are", tiff(binary.LittleEndian, rgb(ascii(tagModel, strings.Repeat("x", 300)))), "", ""},
	} {
		h, err := Read("tray", bytes.NewReader(tt.file), int64(len(tt.file)))
		if err != nil || h.Make != tt.make || h.Model != tt.model {
			t.Errorf("%s: %v, %q %q, want %q %q", tt.name, err, h.Make, h.Model, tt.make, tt.model)
		}
	}
}

func TestRefusals(t *testing.T) {
	le := binary.LittleEndian
	gray := func(bits uint32, with ...tag) []byte {
		return tiff(le, rgb(append([]tag{short(tagBits, bits), short(tagSamples, 1), short(tagPhotometric, 1)}, with...)...))
	}
	circle := tiff(le, rgb(), rgb())
	binary.LittleEndian.PutUint32(circle[len(circle)-6-4:], 8) // the second page's "next"; its bits follow
	tests := []struct {
		name string
		file []byte
		want string // part of the message
	}{
		{"empty", nil, "empty"},
		{"text", []byte("a core sheet, not a scan"), "not a TIFF, PNG or JPEG"},
		{"GIF", []byte("GIF89a..........."), "not a TIFF, PNG or JPEG"},
		{"BigTIFF of an unknown layout", []byte("II+\x00\x10\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00\x00"), "a BigTIFF of an unknown layout"},
		{"BigTIFF, its directory at 2^63", []byte("II+\x00\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x80"), "cut off"},
		{"BigTIFF of 2^63 fields", []byte("II+\x00\x08\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x80"), "fields"},
		{"16-bit CMYK", tiff(le, rgb(short(tagBits, 16, 16, 16, 16), short(tagSamples, 4), short(tagPhotometric, 5))), "16-bit CMYK"},
		{"float samples", gray(32, short(tagFormat, 3)), "float"},
		{"signed samples", gray(16, short(tagFormat, 2)), "signed"},
		{"16-bit planes, turned", tiff(le, rgb(short(tagBits, 16, 16, 16), short(tagPlanar, 2), short(tagOrientation, 6))), "one plane a channel"},
		{"16-bit planes, PackBits", tiff(le, rgb(short(tagBits, 16, 16, 16), short(tagPlanar, 2), short(tagCompression, 32773))), "one plane a channel"},
		{"bi-level", gray(1), "1 bit"},
		{"12 bit", gray(12), "12 bits"},
		{"32-bit whole numbers", gray(32), "32 bits"},
		{"unequal depths", tiff(le, rgb(short(tagBits, 5, 6, 5))), "unequal"},
		{"16-bit gray with alpha, turned", gray(16, short(tagSamples, 2), short(tagExtra, 2), short(tagOrientation, 3)), "16-bit gray with alpha"},
		{"16-bit palette", gray(16, short(tagPhotometric, 3)), "16-bit palette colours: save it as RGB"},
		{"too few channels", gray(8, short(tagPhotometric, 2)), "too few"},
		{"five channels", tiff(le, rgb(short(tagSamples, 5))), "2 channels beside"},
		{"fax", gray(8, short(tagCompression, 4)), "fax"},
		{"LAB", tiff(le, rgb(short(tagPhotometric, 8))), "neither gray"},
		{"zero width", tiff(le, rgb(long(tagWidth, 0))), "0 x 20 px"},
		{"a line of pixels", tiff(le, rgb(long(tagWidth, 5000), long(tagHeight, 3))), "5000 x 3 px is too narrow to hold a core: scan the whole tray"},
		{"over 2^30 pixels", tiff(le, rgb(long(tagWidth, 40000), long(tagHeight, 40000))), "over the limit"},
		{"side over 2^20", tiff(le, rgb(long(tagWidth, 1<<20+1), long(tagHeight, 900))), "over the limit"},
		{"4 G wide", tiff(le, rgb(long(tagWidth, math.MaxUint32))), "over the limit"},
		{"more pixels than its data can hold", tiff(le, rgb(long(tagWidth, 20000), long(tagHeight, 20000), short(tagCompression, 5))), "cannot hold"},
		{"strip beyond the end", tiff(le, rgb(long(tagStripCounts, 1<<20))), "cut off"},
		{"no data", tiff(le, []tag{long(tagWidth, 4), long(tagHeight, 4), short(tagBits, 8), short(tagPhotometric, 1)}), "no picture data"},
		{"lengths do not match", tiff(le, rgb(long(tagStrips, 8, 9))), "2 strips of picture data, 1 lengths"},
		{"only a thumbnail", tiff(le, rgb(long(tagSubfile, 1))), "no full-size picture"},
		{"directory beyond the end", []byte("II*\x00\xff\xff\x00\x00"), "cut off"},
		{"PNG without header chunk", png(idat, iend), "header chunk is missing"},
		{"PNG cut off", png(ihdr(30, 20, 8, 2), idat), "cut off"},
		{"PNG without data", png(ihdr(30, 20, 8, 2), iend), "cut off"},
		{"PNG bi-level", png(ihdr(30, 20, 1, 0), idat, iend), "1 bit"},
		{"PNG colour type 5", png(ihdr(30, 20, 8, 5), idat, iend), "colour type 5"},
		{"PNG zero height", png(ihdr(30, 0, 8, 2), idat, iend), "30 x 0 px"},
		{"PNG bomb", png(ihdr(30000, 30000, 8, 2), idat, iend), "cannot hold"},
		{"PNG side over 2^31", png(ihdr(1<<31, 4, 8, 2), idat, iend), "beyond what PNG allows"},
		{"JPEG cut off", jpeg(sof(0xc0, 8, 20, 30, 3), sos), "cut off"},
		{"JPEG cut off, end marker only in a thumbnail", jpeg(app1([]byte{0xff, 0xd8, 0xff, 0xd9}), sof(0xc0, 8, 20, 30, 3), sos), "cut off"},
		{"JPEG 12 bit", jpeg(sof(0xc1, 12, 20, 30, 3), sos, eoi), "12 bits"},
		{"JPEG CMYK", jpeg(sof(0xc0, 8, 20, 30, 4), sos, eoi), "CMYK"},
		{"JPEG lossless", jpeg(sof(0xc3, 8, 20, 30, 3), sos, eoi), "SOF3"},
		{"JPEG without frame", jpeg(sos, eoi), "before the frame"},
		{"JPEG ends at once", jpeg(eoi), "cut off"},
		{"JPEG segment past the end", append(jpeg(), 0xff, 0xe0, 0xff, 0xff), "cut off"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Read("tray.tif", bytes.NewReader(tc.file), int64(len(tc.file)))
			var r *Refusal
			if !errors.As(err, &r) {
				t.Fatalf("got %v, want a refusal", err)
			}
			if !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %q, want it to say %q", err, tc.want)
			}
			if r.File != "tray.tif" || r.Remedy == "" || !strings.HasPrefix(err.Error(), "tray.tif: ") {
				t.Errorf("%q must name file and remedy", err)
			}
		})
	}
	t.Run("circle of pages", func(t *testing.T) {
		_, err := Read("tray.tif", bytes.NewReader(circle), int64(len(circle)))
		if err == nil || !strings.Contains(err.Error(), "circle") {
			t.Errorf("got %v", err)
		}
	})
}

// Every classic TIFF cut at any byte is refused or read, and never with data
// beyond its end.
func TestCutAnywhere(t *testing.T) {
	for _, whole := range [][]byte{
		tiff(binary.BigEndian, rgb(rational(tagXRes, 1200, 1))),
		png(ihdr(30, 20, 8, 2), phys(1, 1, 1), idat, iend),
		jpeg(jfif(1, 1, 1), sof(0xc0, 8, 20, 30, 3), sos, eoi),
	} {
		for n := range len(whole) {
			h, err := Read("cut", bytes.NewReader(whole[:n]), int64(n))
			if err == nil && h.DataBytes > int64(n) {
				t.Fatalf("%s cut at %d: %d bytes of data accepted", h.Kind, n, h.DataBytes)
			}
			if err == nil && h.Kind != TIFF { // our TIFF keeps its data before its tags' values
				t.Fatalf("%s cut at %d of %d accepted", h.Kind, n, len(whole))
			}
		}
	}
}

func TestReadFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "tray.jpg") // the name is not believed
	if err := os.WriteFile(path, png(ihdr(30, 20, 8, 2), idat, iend), 0o600); err != nil {
		t.Fatal(err)
	}
	h, err := ReadFile(path)
	if err != nil || h.Kind != PNG {
		t.Errorf("got %v, %v", h.Kind, err)
	}
	if got := h.DecodedBytes(); got != 30*20*3 {
		t.Errorf("decoded bytes %d, want 1800", got)
	}
	pipe := filepath.Join(dir, "pipe.tif") // to open it would wait for ever
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{dir, pipe, filepath.Join(dir, "none.tif")} {
		if _, err := ReadFile(bad); err == nil {
			t.Errorf("%s: no error", bad)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(tiff(binary.LittleEndian, rgb(rational(tagXRes, 1200, 1)), rgb(long(tagSubfile, 1))))
	f.Add(tiff(binary.BigEndian, rgb(long(tagStrips, 8, 20), short(tagStripCounts, 60, 50))))
	f.Add(tiff(binary.BigEndian, rgb(long(tagSubfile, 1)), rgb(short(tagBits, 8, 8, 8, 8), short(tagSamples, 4), short(tagExtra, 2))))
	f.Add(tiff(binary.LittleEndian, rgb(ascii(tagMake, "Osmundvale"), ascii(tagModel, "P2"), short(tagBits, 16, 16, 16), short(tagPlanar, 2))))
	f.Add([]byte("II+\x00\x08\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x00\x00\x00\x00\x00\x01\x10\x00\x01\x00\x00\x00\x00\x00\x00\x00\x28\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
	f.Add(png(ihdr(30, 20, 8, 2), phys(47244, 47244, 1), chunk("eXIf", tiff(binary.BigEndian, []tag{short(tagOrientation, 8)})), idat, iend))
	f.Add(jpeg(jfif(1, 300, 300), app1(tiff(binary.LittleEndian, []tag{short(tagOrientation, 5)})), sof(0xc0, 8, 20, 30, 3), sos, eoi))
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := Read("f", bytes.NewReader(b), int64(len(b)))
		if err != nil {
			var r *Refusal
			if !errors.As(err, &r) || r.Fault == "" || r.Remedy == "" {
				t.Fatalf("error %v is no full refusal", err)
			}
			return
		}
		if n := h.DecodedBytes(); n <= 0 || n > 6*maxPixels || int64(h.Width)*int64(h.Height) > maxPixels {
			t.Fatalf("accepted %+v", h)
		}
		for _, p := range h.Patches {
			if p.Off < 4 || p.Off+int64(len(p.Bytes)) > int64(len(b)) {
				t.Fatalf("a patch at %d of %d bytes", p.Off, len(b))
			}
		}
		if h.Orientation < 1 || h.Orientation > 8 {
			t.Fatalf("orientation %d", h.Orientation)
		}
		if h.DPI != nil && !(h.DPI[0] >= 1 && h.DPI[1] >= 1) {
			t.Fatalf("dpi %v", *h.DPI)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	offs, lens := make([]uint32, 6000), make([]uint32, 6000) // a row a strip
	for i := range offs {
		offs[i], lens[i] = 8, 1000
	}
	file := tiff(binary.LittleEndian, rgb(long(tagWidth, 1400), long(tagHeight, 600), long(tagStrips, offs...), long(tagStripCounts, lens...)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Read("tray.tif", bytes.NewReader(file), int64(len(file))); err != nil {
			b.Fatal(err)
		}
	}
}
