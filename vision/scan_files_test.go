package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// filed is a picture to be stored as TIFF in every way that scanners do. Its
// samples are known by formula.
type filed struct {
	order       binary.AppendByteOrder
	w, h        int
	bits        int
	channels    int // alpha included
	photometric uint32
	extra       int // of ExtraSamples; -1: none
	compression uint32
	predictor   bool
	tiled       bool
	planar      bool
	orientation uint32
	palette     bool
	big         bool // BigTIFF
}

// place appends a place in the file, or a count of values.
func (p filed) place(b []byte, v int) []byte {
	if p.big {
		return p.order.AppendUint64(b, uint64(v))
	}
	return p.order.AppendUint32(b, uint32(v))
}

// value is sample c of the pixel at x, y as stored, at 8 bits; smooth, so that
// JPEG keeps it too.
func (p filed) value(x, y, c int) int {
	if p.extra >= 0 && c == p.channels-1 {
		return 64 + (x+y)%128 // alpha
	}
	v := (3*x + 2*y + 40*c) % 400
	return 20 + max(v-200, 200-v)
}

func (p filed) sample(b []byte, x, y, c int) []byte {
	v := p.value(min(x, p.w-1), min(y, p.h-1), c)
	if p.bits == 16 {
		return p.order.AppendUint16(b, uint16(v*257+x%7))
	}
	return append(b, byte(v))
}

// want is the sample expected of the decoded scan: channel c of blue, green
// and red, or gray.
func (p filed) want(x, y, c int) int {
	if p.palette {
		r, g, b := paletteAt(p.value(x, y, 0))
		return []int{b, g, r}[c]
	}
	colours := p.channels
	if p.extra >= 0 {
		colours--
	}
	if colours == 3 {
		c = 2 - c
	}
	v := p.value(x, y, c)
	if p.bits == 16 {
		v = v*257 + x%7
	}
	if p.photometric == 0 {
		v = 1<<p.bits - 1 - v
	}
	return v
}

func paletteAt(i int) (r, g, b int) { return i, 255 - i, (i * 5) % 256 }

// block is a strip or tile of bw x bh pixels from x0, y0, of one plane or all.
func (p filed) block(t *testing.T, x0, y0, bw, bh int, planes []int) []byte {
	var b []byte
	for y := y0; y < y0+bh; y++ {
		row := []byte(nil)
		for x := x0; x < x0+bw; x++ {
			for _, c := range planes {
				row = p.sample(row, x, y, c)
			}
		}
		if p.predictor {
			row = p.differences(row, len(planes))
		}
		b = append(b, row...)
	}
	switch p.compression {
	case 5:
		return lzwLiterals(b)
	case 7:
		return p.jpegBlock(t, x0, y0, bw, bh)
	case 8:
		var z bytes.Buffer
		w := zlib.NewWriter(&z)
		if _, err := w.Write(b); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return z.Bytes()
	case 32773: // PackBits: literal runs of at most 128 bytes (TIFF 6.0 page 42)
		var out []byte
		for len(b) > 0 {
			n := min(128, len(b))
			out = append(append(out, byte(n-1)), b[:n]...)
			b = b[n:]
		}
		return out
	}
	return b
}

// differences applies predictor 2 (TIFF 6.0 page 64) to a row.
func (p filed) differences(row []byte, stride int) []byte {
	out := append([]byte(nil), row...)
	if p.bits == 8 {
		for i := len(row) - 1; i >= stride; i-- {
			out[i] = row[i] - row[i-stride]
		}
		return out
	}
	for i := len(row) - 2; i >= 2*stride; i -= 2 {
		v := binary.LittleEndian.Uint16
		put := binary.LittleEndian.PutUint16
		if p.order == binary.AppendByteOrder(binary.BigEndian) {
			v, put = binary.BigEndian.Uint16, binary.BigEndian.PutUint16
		}
		put(out[i:], v(row[i:])-v(row[i-2*stride:]))
	}
	return out
}

// lzwLiterals is LZW (TIFF 6.0 page 57) without ever using its table: a clear
// code before it would need codes of ten bits.
func lzwLiterals(b []byte) []byte {
	var out []byte
	acc, n := uint32(0), 0
	code := func(c uint32) {
		acc, n = acc<<9|c, n+9
		for ; n >= 8; n -= 8 {
			out = append(out, byte(acc>>(n-8)))
		}
	}
	for i, v := range b {
		if i%250 == 0 {
			code(256)
		}
		code(uint32(v))
	}
	code(257)
	if n > 0 {
		out = append(out, byte(acc<<(8-n)))
	}
	return out
}

func (p filed) jpegBlock(t *testing.T, x0, y0, bw, bh int) []byte {
	var pic image.Image
	at := func(x, y, c int) uint8 { return uint8(p.value(min(x0+x, p.w-1), min(y0+y, p.h-1), c)) }
	if p.channels == 1 {
		g := image.NewGray(image.Rect(0, 0, bw, bh))
		for y := range bh {
			for x := range bw {
				g.SetGray(x, y, color.Gray{Y: at(x, y, 0)})
			}
		}
		pic = g
	} else {
		g := image.NewNRGBA(image.Rect(0, 0, bw, bh))
		for y := range bh {
			for x := range bw {
				g.SetNRGBA(x, y, color.NRGBA{at(x, y, 0), at(x, y, 1), at(x, y, 2), 255})
			}
		}
		pic = g
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, pic, &jpeg.Options{Quality: 100}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// page appends the picture and its directory to a file, whose last directory's
// pointer to the next stands at link, and returns where its own does.
func (p filed) page(t *testing.T, file []byte, link int) ([]byte, int) {
	t.Helper()
	planes := [][]int{{}}
	for c := range p.channels {
		if p.planar && c > 0 {
			planes = append(planes, nil)
		}
		planes[len(planes)-1] = append(planes[len(planes)-1], c)
	}
	var offs, lens []uint32
	add := func(x0, y0, bw, bh int, plane []int) {
		b := p.block(t, x0, y0, bw, bh, plane)
		offs, lens = append(offs, uint32(len(file))), append(lens, uint32(len(b)))
		file = append(file, b...)
		file = append(file, make([]byte, len(file)%2)...)
	}
	const tile, rows = 32, 16
	for _, plane := range planes {
		for y := 0; y < p.h; y += map[bool]int{true: tile, false: rows}[p.tiled] {
			if !p.tiled {
				add(0, y, p.w, min(rows, p.h-y), plane)
				continue
			}
			for x := 0; x < p.w; x += tile {
				add(x, y, tile, tile, plane)
			}
		}
	}
	bits := make([]uint32, p.channels)
	for i := range bits {
		bits[i] = uint32(p.bits)
	}
	type field struct {
		tag    uint16
		long   bool
		values []uint32
	}
	fields := []field{{256, true, []uint32{uint32(p.w)}}, {257, true, []uint32{uint32(p.h)}}, {258, false, bits},
		{259, false, []uint32{p.compression}}, {262, false, []uint32{p.photometric}}}
	if !p.tiled {
		fields = append(fields, field{273, true, offs})
	}
	fields = append(fields, field{274, false, []uint32{max(p.orientation, 1)}}, field{277, false, []uint32{uint32(p.channels)}})
	if !p.tiled {
		fields = append(fields, field{278, true, []uint32{rows}}, field{279, true, lens})
	}
	if p.planar {
		fields = append(fields, field{284, false, []uint32{2}})
	}
	if p.predictor {
		fields = append(fields, field{317, false, []uint32{2}})
	}
	if p.palette {
		table := make([]uint32, 3*256)
		for i := range 256 {
			r, g, b := paletteAt(i)
			table[i], table[256+i], table[512+i] = uint32(r*257), uint32(g*257), uint32(b*257)
		}
		fields = append(fields, field{320, false, table})
	}
	if p.tiled {
		fields = append(fields, field{322, true, []uint32{tile}}, field{323, true, []uint32{tile}}, field{324, true, offs}, field{325, true, lens})
	}
	if p.extra >= 0 {
		fields = append(fields, field{338, false, []uint32{uint32(p.extra)}})
	}
	if p.photometric == 6 {
		fields = append(fields, field{530, false, []uint32{2, 2}})
	}
	copy(file[link:], p.place(nil, len(file)))
	countLen, fieldLen, placeLen := 2, 12, 4
	if p.big {
		countLen, fieldLen, placeLen = 8, 20, 8
	}
	var dir, extra []byte
	if p.big {
		dir = p.place(nil, len(fields))
	} else {
		dir = p.order.AppendUint16(nil, uint16(len(fields)))
	}
	at := len(file) + countLen + fieldLen*len(fields) + placeLen
	for _, f := range fields {
		kind, data := uint16(3), []byte(nil)
		for _, v := range f.values {
			if f.long {
				kind, data = 4, p.order.AppendUint32(data, v)
			} else {
				data = p.order.AppendUint16(data, uint16(v))
			}
		}
		dir = p.order.AppendUint16(p.order.AppendUint16(dir, f.tag), kind)
		dir = p.place(dir, len(f.values))
		if len(data) <= placeLen {
			dir = append(dir, append(data, make([]byte, placeLen-len(data))...)...)
			continue
		}
		dir = p.place(dir, at+len(extra))
		extra = append(extra, data...)
	}
	next := len(file) + len(dir)
	dir = p.place(dir, 0)
	return append(append(file, dir...), extra...), next
}

// tiffFile stores pictures as the pages of one file.
func tiffFile(t *testing.T, pages ...filed) string {
	t.Helper()
	file := []byte("II*\x00\x00\x00\x00\x00")
	if pages[0].order == binary.AppendByteOrder(binary.BigEndian) {
		file = []byte("MM\x00*\x00\x00\x00\x00")
	}
	link := 4
	if pages[0].big { // version 43, places of 8 bytes, 0
		file = pages[0].order.AppendUint16([]byte(file[:2]), 43)
		file = append(pages[0].order.AppendUint16(file, 8), make([]byte, 10)...)
		link = 8
	}
	for _, p := range pages {
		file, link = p.page(t, file, link)
	}
	path := filepath.Join(t.TempDir(), "scan.tif")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// shown returns where the pixel at x, y as displayed is stored, in a picture of
// w x h as stored (TIFF 6.0, page 36: what the first row and column are).
func shown(orientation uint32, x, y, w, h int) (int, int) {
	switch orientation {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return y, h - 1 - x
	case 7:
		return w - 1 - y, h - 1 - x
	case 8:
		return w - 1 - y, x
	}
	return x, y
}

// compareScan holds a decoded scan to the samples that were stored.
func compareScan(t *testing.T, s *Scan, p filed, tolerance int) {
	t.Helper()
	w, h := p.w, p.h
	if p.orientation >= 5 {
		w, h = h, w
	}
	px := s.Pixels()
	if px.Width != w || px.Height != h || px.Depth() != p.bits {
		t.Fatalf("decoded %d x %d px of %d bits, want %d x %d of %d", px.Width, px.Height, px.Depth(), w, h, p.bits)
	}
	for y := range h {
		for x := range w {
			for c := range px.Channels {
				i := (y*w+x)*px.Channels + c
				var got int
				if px.U16 != nil {
					got = int(px.U16[i])
				} else {
					got = int(px.U8[i])
				}
				sx, sy := shown(p.orientation, x, y, p.w, p.h)
				if want := p.want(sx, sy, c); got < want-tolerance || got > want+tolerance {
					t.Fatalf("x %d y %d channel %d: %d, want %d", x, y, c, got, want)
				}
			}
		}
	}
}

// Every way in which scanners store a TIFF comes out with its values in place.
// Stored by this test's own writer after TIFF 6.0 (Aldus 1992).
func TestReadTIFF(t *testing.T) {
	le, be := binary.AppendByteOrder(binary.LittleEndian), binary.AppendByteOrder(binary.BigEndian)
	base := filed{order: le, w: 75, h: 53, extra: -1, compression: 1}
	with := func(change func(*filed)) filed { p := base; change(&p); return p }
	gray := func(bits int, change func(*filed)) filed {
		return with(func(p *filed) { p.bits, p.channels, p.photometric = bits, 1, 1; change(p) })
	}
	rgb := func(bits int, change func(*filed)) filed {
		return with(func(p *filed) { p.bits, p.channels, p.photometric = bits, 3, 2; change(p) })
	}
	plain := func(*filed) {}
	type test struct {
		name      string
		p         filed
		tolerance int
	}
	tests := []test{
		{"8-bit palette", gray(8, func(p *filed) { p.palette, p.photometric = true, 3 }), 0},
		{"8-bit min-is-white", gray(8, func(p *filed) { p.photometric = 0 }), 0},
		{"16-bit min-is-white", gray(16, func(p *filed) { p.photometric = 0 }), 0},
		{"16-bit min-is-white, big-endian, turned", gray(16, func(p *filed) { p.photometric, p.order, p.orientation = 0, be, 6 }), 0},
		{"8-bit colour, one plane a channel", rgb(8, func(p *filed) { p.planar = true }), 0},
		{"8-bit colour, associated alpha", rgb(8, func(p *filed) { p.channels, p.extra = 4, 1 }), 0},
		{"8-bit colour, unassociated alpha", rgb(8, func(p *filed) { p.channels, p.extra = 4, 2 }), 0},
		{"8-bit colour, unassociated alpha, tiled, big-endian", rgb(8, func(p *filed) { p.channels, p.extra, p.tiled, p.order = 4, 2, true, be }), 0},
		{"8-bit colour, unassociated alpha, turned", rgb(8, func(p *filed) { p.channels, p.extra, p.orientation = 4, 2, 8 }), 0},
		{"8-bit colour, alpha unspecified", rgb(8, func(p *filed) { p.channels, p.extra = 4, 0 }), 0},
		{"16-bit colour, associated alpha", rgb(16, func(p *filed) { p.channels, p.extra = 4, 1 }), 0},
		{"16-bit colour, unassociated alpha", rgb(16, func(p *filed) { p.channels, p.extra = 4, 2 }), 0},
		{"16-bit gray, unassociated alpha", gray(16, func(p *filed) { p.channels, p.extra = 2, 2 }), 0},
		{"16-bit gray, associated alpha, tiled, LZW, predictor, big-endian", gray(16, func(p *filed) {
			p.channels, p.extra, p.tiled, p.compression, p.predictor, p.order = 2, 1, true, 5, true, be
		}), 0},
		{"16-bit min-is-white with alpha, deflate", gray(16, func(p *filed) { p.channels, p.extra, p.photometric, p.compression = 2, 2, 0, 8 }), 0},
		{"16-bit colour, one plane a channel", rgb(16, func(p *filed) { p.planar = true }), 0},
		{"16-bit colour, one plane a channel, deflate, predictor", rgb(16, func(p *filed) { p.planar, p.compression, p.predictor = true, 8, true }), 0},
		{"16-bit colour and alpha, one plane a channel, tiled, LZW, big-endian", rgb(16, func(p *filed) {
			p.planar, p.channels, p.extra, p.tiled, p.compression, p.order = true, 4, 2, true, 5, be
		}), 0},
		{"BigTIFF, 8-bit colour, LZW", rgb(8, func(p *filed) { p.big, p.compression = true, 5 }), 0},
		{"BigTIFF, 16-bit gray, tiled, big-endian, min-is-white", gray(16, func(p *filed) { p.big, p.tiled, p.order, p.photometric = true, true, be, 0 }), 0},
		{"BigTIFF, 8-bit colour, unassociated alpha", rgb(8, func(p *filed) { p.big, p.channels, p.extra = true, 4, 2 }), 0},
		{"8-bit gray, associated alpha", gray(8, func(p *filed) { p.channels, p.extra = 2, 1 }), 0},
		{"8-bit gray, unassociated alpha", gray(8, func(p *filed) { p.channels, p.extra = 2, 2 }), 0},
		{"JPEG in TIFF, gray", gray(8, func(p *filed) { p.compression = 7; p.h = 48 }), 3},
		{"JPEG in TIFF, colour", rgb(8, func(p *filed) { p.compression, p.photometric = 7, 6; p.w, p.h = 80, 48 }), 8},
	}
	for _, compression := range []struct {
		name string
		n    uint32
	}{{"uncompressed", 1}, {"LZW", 5}, {"deflate", 8}, {"PackBits", 32773}} {
		for _, tiled := range []bool{false, true} {
			for _, predictor := range []bool{false, true} {
				if predictor && compression.n != 5 && compression.n != 8 {
					continue
				}
				name := fmt.Sprintf("%s, tiled %v, predictor %v", compression.name, tiled, predictor)
				change := func(p *filed) { p.compression, p.tiled, p.predictor = compression.n, tiled, predictor }
				tests = append(tests, test{"8-bit gray " + name, gray(8, change), 0}, test{"16-bit gray " + name, gray(16, change), 0},
					test{"8-bit colour " + name, rgb(8, change), 0}, test{"16-bit colour " + name, rgb(16, change), 0},
					test{"16-bit colour, big-endian, " + name, rgb(16, func(p *filed) { change(p); p.order = be }), 0})
			}
		}
	}
	for o := uint32(1); o <= 8; o++ {
		change := func(p *filed) { p.orientation = o }
		tests = append(tests, test{fmt.Sprintf("8-bit colour, orientation %d", o), rgb(8, change), 0},
			test{fmt.Sprintf("16-bit gray, orientation %d", o), gray(16, change), 0})
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := ReadScan(tiffFile(t, tt.p))
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if s.damage != nil {
				t.Errorf("called damaged: %v", s.damage)
			}
			compareScan(t, s, tt.p, tt.tolerance)
			if s.Header.Uncommon() {
				return // the image library does not read it
			}
			plain, err := ReadScanPlainly(tiffFile(t, tt.p))
			if err != nil {
				t.Fatal(err)
			}
			defer plain.Close()
			if !bytes.Equal(s.Pixels().Bytes(), plain.Pixels().Bytes()) {
				t.Error("not what the image library reads")
			}
		})
	}

	// Of several pages the first of full size is read, and it is said.
	small := rgb(8, func(p *filed) { p.w, p.h = 18, 13 })
	for name, pages := range map[string][]filed{
		"a preview first in a BigTIFF": {with(func(p *filed) { *p = small; p.big = true }), gray(16, func(p *filed) { p.big = true })},
		"a preview first":              {small, gray(16, plain), rgb(8, plain)},
		"a preview behind":             {gray(16, plain), small},
		"alpha and preview":            {small, rgb(8, func(p *filed) { p.channels, p.extra = 4, 2 })},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := ReadScan(tiffFile(t, pages...))
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			at := map[bool]int{true: 1, false: 0}[pages[0].w == 18]
			compareScan(t, s, pages[at], 0)
			want := fmt.Sprintf("the file holds %d pictures: the first of full size, number %d, was measured, the others were not", len(pages), at+1)
			if notes := s.Header.Notes(); len(notes) != 1 || notes[0] != want {
				t.Errorf("said %q", notes)
			}
		})
	}
}

// exif is Exif data that holds an orientation alone (CIPA DC-008).
func exifOf(orientation byte) []byte {
	return append([]byte("II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00"), orientation, 0, 0, 0, 0, 0, 0, 0)
}

// JPEG and PNG are turned as their Exif data say.
func TestReadOriented(t *testing.T) {
	for o := byte(1); o <= 8; o++ {
		p := filed{order: binary.AppendByteOrder(binary.LittleEndian), w: 64, h: 48, bits: 8, channels: 1, photometric: 1, extra: -1, orientation: uint32(o)}
		pic := image.NewGray(image.Rect(0, 0, p.w, p.h))
		for y := range p.h {
			for x := range p.w {
				pic.SetGray(x, y, color.Gray{Y: uint8(p.value(x, y, 0))})
			}
		}
		var j, n bytes.Buffer
		if err := jpeg.Encode(&j, pic, &jpeg.Options{Quality: 100}); err != nil {
			t.Fatal(err)
		}
		if err := png.Encode(&n, pic); err != nil {
			t.Fatal(err)
		}
		app1 := append([]byte("Exif\x00\x00"), exifOf(o)...)
		jpegFile := append([]byte{0xff, 0xd8, 0xff, 0xe1, 0, byte(len(app1) + 2)}, app1...)
		jpegFile = append(jpegFile, j.Bytes()[2:]...)
		chunk := append([]byte("eXIf"), exifOf(o)...)
		chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk))
		chunk = append(binary.BigEndian.AppendUint32(nil, uint32(len(exifOf(o)))), chunk...)
		const head = 8 + 25 // signature and IHDR
		pngFile := append(append(append([]byte(nil), n.Bytes()[:head]...), chunk...), n.Bytes()[head:]...)
		for name, file := range map[string][]byte{"scan.jpg": jpegFile, "scan.png": pngFile} {
			t.Run(fmt.Sprintf("%s orientation %d", name, o), func(t *testing.T) {
				path := filepath.Join(t.TempDir(), name)
				if err := os.WriteFile(path, file, 0o600); err != nil {
					t.Fatal(err)
				}
				s, err := ReadScan(path)
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				compareScan(t, s, p, 3)
			})
		}
	}
}

// Inks of 8 bits become what light they leave: (255 - ink)(255 - black)/255 (TIFF
// 6.0 section 16 leaves the inks' colours open; ideal inks, common practice).
func TestReadCMYK(t *testing.T) {
	p := filed{order: binary.LittleEndian, w: 50, h: 40, bits: 8, channels: 4, photometric: 5, extra: -1, compression: 1}
	s, err := ReadScan(tiffFile(t, p))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	px := s.Pixels()
	if px.Width != p.w || px.Height != p.h || px.Channels != 3 || px.Depth() != 8 {
		t.Fatalf("read %d x %d, %d channels, %d bits", px.Width, px.Height, px.Channels, px.Depth())
	}
	for y := range p.h {
		for x := range p.w {
			for ink := range 3 {
				want := float64((255-p.value(x, y, ink))*(255-p.value(x, y, 3))) / 255
				if got := float64(px.At(x, y, 2-ink)); math.Abs(got-want) > 1 { // rounded down or to the nearest
					t.Fatalf("x %d y %d ink %d: %g, want %g", x, y, ink, got, want)
				}
			}
		}
	}
}
