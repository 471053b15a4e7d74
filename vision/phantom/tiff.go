package phantom

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"sync"
)

// Compression is how a TIFF's strips are packed.
type Compression int

// The compressions, by their TIFF numbers.
const (
	None    Compression = 1
	LZW     Compression = 5
	Deflate Compression = 8
)

// TIFFOptions say how a TIFF is stored.
type TIFFOptions struct {
	Compression Compression // 0: None
	Predictor   bool        // store differences along the rows
	Make, Model string      // of the scanner; "": not said
}

const stripBytes = 1 << 18 // about how much one strip holds, unpacked

// WriteTIFF writes the picture as a little-endian baseline TIFF (TIFF 6.0,
// Adobe 1992), with a resolution tag unless TagDPI is zero.
func (p *Picture) WriteTIFF(w io.WriteSeeker, o TIFFOptions) error {
	if o.Compression == 0 {
		o.Compression = None
	}
	if o.Compression != None && o.Compression != LZW && o.Compression != Deflate {
		return fmt.Errorf("tiff: compression %d is not written: use None, LZW or Deflate", o.Compression)
	}
	if _, err := w.Write([]byte{'I', 'I', 42, 0, 0, 0, 0, 0}); err != nil {
		return err
	}
	rows := max(1, stripBytes/p.rowBytes())
	offsets, sizes, err := p.writeStrips(w, o, rows)
	if err != nil {
		return err
	}
	end, err := w.Seek(0, io.SeekCurrent)
	if err != nil {
		return err
	}
	dir := p.directory(o, rows, offsets, sizes, end)
	if end+int64(len(dir)) > math.MaxUint32 {
		return errors.New("tiff: the picture is over 4 GiB: render fewer cores or at a lower resolution")
	}
	if _, err := w.Write(dir); err != nil {
		return err
	}
	if _, err := w.Seek(4, io.SeekStart); err != nil {
		return err
	}
	if err := binary.Write(w, binary.LittleEndian, uint32(end)); err != nil {
		return err
	}
	_, err = w.Seek(0, io.SeekEnd)
	return err
}

func (p *Picture) rowBytes() int { return p.Width * p.Channels * p.Bits() / 8 }

// writeStrips packs and writes the strips, several at a time.
func (p *Picture) writeStrips(w io.Writer, o TIFFOptions, rows int) (offsets, sizes []uint32, err error) {
	n := (p.Height + rows - 1) / rows
	at := uint32(8)
	batch := 4 * runtime.GOMAXPROCS(0)
	for first := 0; first < n; first += batch {
		packed := make([][]byte, min(batch, n-first))
		var wg sync.WaitGroup
		for i := range packed {
			wg.Go(func() {
				y := (first + i) * rows
				packed[i] = p.packStrip(o, y, min(y+rows, p.Height))
			})
		}
		wg.Wait()
		for _, b := range packed {
			if len(b)%2 == 1 {
				b = append(b, 0) // offsets are even
			}
			if _, err := w.Write(b); err != nil {
				return nil, nil, err
			}
			offsets, sizes = append(offsets, at), append(sizes, uint32(len(b)))
			at += uint32(len(b))
		}
	}
	return offsets, sizes, nil
}

// packStrip returns rows y0 <= y < y1 as stored.
func (p *Picture) packStrip(o TIFFOptions, y0, y1 int) []byte {
	raw := make([]byte, 0, (y1-y0)*p.rowBytes())
	for y := y0; y < y1; y++ {
		raw = p.appendRow(raw, y, o.Predictor, binary.LittleEndian)
	}
	switch o.Compression {
	case LZW:
		return lzwPack(raw)
	case Deflate:
		var b bytes.Buffer
		z, _ := zlib.NewWriterLevel(&b, zlib.BestSpeed) // the level is valid
		z.Write(raw)                                    // a buffer takes all
		z.Close()
		return b.Bytes()
	}
	return raw
}

// appendRow appends the samples of row y, as differences if asked for.
func (p *Picture) appendRow(dst []byte, y int, differences bool, order binary.AppendByteOrder) []byte {
	n, c := p.Width*p.Channels, p.Channels
	if p.U16 == nil {
		row := p.U8[y*n : (y+1)*n]
		if !differences {
			return append(dst, row...)
		}
		dst = append(dst, row[:c]...)
		for i := c; i < n; i++ {
			dst = append(dst, row[i]-row[i-c])
		}
		return dst
	}
	row := p.U16[y*n : (y+1)*n]
	for i, v := range row {
		if differences && i >= c {
			v -= row[i-c]
		}
		dst = order.AppendUint16(dst, v)
	}
	return dst
}

// directory returns the image file directory and its values, to be written at
// offset end.
func (p *Picture) directory(o TIFFOptions, rows int, offsets, sizes []uint32, end int64) []byte {
	le := binary.LittleEndian
	type entry struct {
		tag, kind uint16
		values    []uint32
		text      string // instead of values, for ascii
	}
	const ascii, short, long, rational = 2, 3, 4, 5
	bits := make([]uint32, p.Channels)
	for i := range bits {
		bits[i] = uint32(p.Bits())
	}
	photometric := uint32(1)
	if p.Channels == 3 {
		photometric = 2
	}
	entries := []entry{
		{tag: 256, kind: long, values: []uint32{uint32(p.Width)}},
		{tag: 257, kind: long, values: []uint32{uint32(p.Height)}},
		{tag: 258, kind: short, values: bits},
		{tag: 259, kind: short, values: []uint32{uint32(o.Compression)}},
		{tag: 262, kind: short, values: []uint32{photometric}},
		{tag: 273, kind: long, values: offsets},
		{tag: 277, kind: short, values: []uint32{uint32(p.Channels)}},
		{tag: 278, kind: long, values: []uint32{uint32(rows)}},
		{tag: 279, kind: long, values: sizes},
	}
	if p.TagDPI[0] > 0 && p.TagDPI[1] > 0 {
		x, y := uint32(math.Round(p.TagDPI[0]*1000)), uint32(math.Round(p.TagDPI[1]*1000))
		entries = append(entries, entry{tag: 282, kind: rational, values: []uint32{x, 1000}}, entry{tag: 283, kind: rational, values: []uint32{y, 1000}},
			entry{tag: 296, kind: short, values: []uint32{2}})
	}
	if o.Predictor && o.Compression != None {
		entries = append(entries, entry{tag: 317, kind: short, values: []uint32{2}})
	}
	for tag, text := range map[uint16]string{271: o.Make, 272: o.Model} {
		if text != "" {
			entries = append(entries, entry{tag: tag, kind: ascii, text: text + "\x00"})
		}
	}
	slices.SortFunc(entries, func(a, b entry) int { return int(a.tag) - int(b.tag) })
	out := le.AppendUint16(nil, uint16(len(entries)))
	var extra []byte
	at := uint32(end) + 2 + 12*uint32(len(entries)) + 4
	for _, e := range entries {
		v := []byte(e.text)
		for _, x := range e.values {
			if e.kind == short {
				v = le.AppendUint16(v, uint16(x))
			} else {
				v = le.AppendUint32(v, x)
			}
		}
		count := len(e.values) + len(e.text)
		if e.kind == rational {
			count /= 2
		}
		out = le.AppendUint16(out, e.tag)
		out = le.AppendUint16(out, e.kind)
		out = le.AppendUint32(out, uint32(count))
		if len(v) <= 4 {
			out = append(out, append(v, make([]byte, 4-len(v))...)...)
			continue
		}
		out = le.AppendUint32(out, at+uint32(len(extra)))
		extra = append(extra, v...)
	}
	out = le.AppendUint32(out, 0)
	return append(out, extra...)
}

// lzwPack packs bytes by the variable-width LZW of TIFF 6.0, section 13: most
// significant bit first, the width changing one code early.
func lzwPack(src []byte) []byte {
	const (
		clearCode, endCode, first = 256, 257, 258
		slots                     = 1 << 14
	)
	out := make([]byte, 0, len(src)*3/4+16)
	var acc uint64
	var held uint
	width, next := uint(9), first
	put := func(code int) {
		acc = acc<<width | uint64(code)
		held += width
		for held >= 8 {
			held -= 8
			out = append(out, byte(acc>>held))
		}
	}
	var keys [slots]int32 // prefix<<8 | byte, plus 1; open addressing
	var codes [slots]int16
	put(clearCode)
	if len(src) == 0 {
		put(endCode)
		return append(out, byte(acc<<(8-held)))
	}
	prefix := int(src[0])
	for _, c := range src[1:] {
		key := int32(prefix<<8|int(c)) + 1
		h := uint32(key) * 2654435761 >> 18
		for keys[h] != 0 && keys[h] != key {
			h = (h + 1) & (slots - 1)
		}
		if keys[h] == key {
			prefix = int(codes[h])
			continue
		}
		put(prefix)
		keys[h], codes[h] = key, int16(next)
		next++
		prefix = int(c)
		switch {
		case next == 4094:
			put(clearCode)
			clear(keys[:])
			width, next = 9, first
		case next == 1<<width:
			width++
		}
	}
	put(prefix)
	next++
	if next == 1<<width && width < 12 {
		width++
	}
	put(endCode)
	if held > 0 {
		out = append(out, byte(acc<<(8-held)))
	}
	return out
}
