package overlay

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/adler32"
	"hash/crc32"
	"image"
	"io"
	"os"
	"path/filepath"
	"runtime"

	"golang.org/x/sync/errgroup"
)

// WritePNG writes an opaque picture as an 8-bit RGB PNG (ISO/IEC 15948),
// whole or not at all: it writes beside path and renames. Alpha is left out.
func WritePNG(path string, img *image.NRGBA) error {
	if img == nil || img.Rect.Empty() {
		return fmt.Errorf("%s: no picture to write: it has no pixels", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("%s: cannot write the picture: check that the folder exists and may be written: %w", path, err)
	}
	err = errors.Join(EncodePNG(f, img), f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("%s: cannot write the picture: check the room on the disk: %w", path, err), os.Remove(f.Name()))
	}
	return nil
}

// bandRows is the height of the bands that are compressed side by side. Bands
// are cut by rows alone, so the bytes do not depend on the processors.
const bandRows = 128

// band is a run of rows, filtered, and compressed.
type band struct {
	sum    uint32 // Adler-32 of the filtered bytes
	length int    // of the filtered bytes
	data   []byte // deflate blocks
}

// EncodePNG writes an opaque picture as an 8-bit RGB PNG. Its bytes are coded
// by how often they come and not looked up as repeats: a scan's grain does not
// repeat, so that to look takes twice the time and gives no smaller files; a
// picture without grain comes out larger. Bands of rows are compressed side by
// side and their deflate blocks joined at byte borders (RFC 1951, an empty
// stored block), which any PNG reader sees as one stream.
func EncodePNG(w io.Writer, img *image.NRGBA) error {
	width, height := img.Rect.Dx(), img.Rect.Dy()
	bands := make([]band, (height+bandRows-1)/bandRows)
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range bands {
		g.Go(func() (err error) {
			bands[i], err = squeeze(img, i*bandRows, min((i+1)*bandRows, height), i == len(bands)-1)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	head := make([]byte, 13)
	binary.BigEndian.PutUint32(head, uint32(width))
	binary.BigEndian.PutUint32(head[4:], uint32(height))
	head[8], head[9] = 8, 2 // bits, true colour
	out := &chunks{w: w}
	out.raw([]byte("\x89PNG\r\n\x1a\n"))
	out.chunk("IHDR", head)
	out.chunk("IDAT", []byte{0x78, 0x01}) // zlib: deflate, 32 KiB window, quick
	sum := uint32(1)
	for _, b := range bands {
		out.chunk("IDAT", b.data)
		sum = joinSums(sum, b.sum, b.length)
	}
	out.chunk("IDAT", binary.BigEndian.AppendUint32(nil, sum))
	out.chunk("IEND", nil)
	return out.err
}

// squeeze filters and compresses rows from..to.
func squeeze(img *image.NRGBA, from, to int, last bool) (band, error) {
	width := img.Rect.Dx()
	raw := make([]byte, 0, (to-from)*(1+3*width))
	for y := from; y < to; y++ {
		raw = append(raw, 1) // filter: the difference to the pixel at the left
		row := img.Pix[y*img.Stride : y*img.Stride+4*width]
		var r, g, b byte
		for x := 0; x+3 < len(row); x += 4 {
			raw = append(raw, row[x]-r, row[x+1]-g, row[x+2]-b)
			r, g, b = row[x], row[x+1], row[x+2]
		}
	}
	var buf bytes.Buffer
	z, err := flate.NewWriter(&buf, flate.HuffmanOnly)
	if err != nil {
		return band{}, err
	}
	if _, err := z.Write(raw); err != nil {
		return band{}, err
	}
	end := z.Flush
	if last {
		end = z.Close
	}
	if err := end(); err != nil {
		return band{}, err
	}
	return band{adler32.Checksum(raw), len(raw), buf.Bytes()}, nil
}

// joinSums returns the Adler-32 sum (RFC 1950) of two runs of bytes one after
// the other, from their sums and the second one's length.
func joinSums(first, second uint32, length int) uint32 {
	const mod = 65521
	a1, b1 := uint64(first&0xffff), uint64(first>>16)
	a2, b2 := uint64(second&0xffff), uint64(second>>16)
	a := (a1 + a2 + mod - 1) % mod
	b := (b1 + b2 + uint64(length)%mod*(a1+mod-1)) % mod
	return uint32(b<<16 | a)
}

// chunks writes PNG chunks and keeps the first error.
type chunks struct {
	w   io.Writer
	err error
}

func (c *chunks) raw(p []byte) {
	if c.err == nil {
		_, c.err = c.w.Write(p)
	}
}

func (c *chunks) chunk(kind string, data []byte) {
	head := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	head = append(head, kind...)
	sum := crc32.Update(crc32.ChecksumIEEE(head[4:]), crc32.IEEETable, data)
	c.raw(head)
	c.raw(data)
	c.raw(binary.BigEndian.AppendUint32(nil, sum))
}
