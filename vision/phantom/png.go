package phantom

import (
	"bufio"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"io"
	"math"
)

// WritePNG writes the picture as a PNG (ISO/IEC 15948), with a pHYs chunk
// unless TagDPI is zero.
func (p *Picture) WritePNG(w io.Writer) error {
	be := binary.BigEndian
	if _, err := io.WriteString(w, "\x89PNG\r\n\x1a\n"); err != nil {
		return err
	}
	head := be.AppendUint32(nil, uint32(p.Width))
	head = be.AppendUint32(head, uint32(p.Height))
	colour := byte(0)
	if p.Channels == 3 {
		colour = 2
	}
	head = append(head, byte(p.Bits()), colour, 0, 0, 0)
	if err := writeChunk(w, "IHDR", head); err != nil {
		return err
	}
	if p.TagDPI[0] > 0 && p.TagDPI[1] > 0 {
		phys := be.AppendUint32(nil, uint32(math.Round(p.TagDPI[0]/0.0254)))
		phys = be.AppendUint32(phys, uint32(math.Round(p.TagDPI[1]/0.0254)))
		if err := writeChunk(w, "pHYs", append(phys, 1)); err != nil {
			return err
		}
	}
	if err := p.writeRows(w); err != nil {
		return err
	}
	return writeChunk(w, "IEND", nil)
}

// writeRows writes the IDAT chunks, every row as differences from its left
// neighbours (filter 1).
func (p *Picture) writeRows(w io.Writer) error {
	buffered := bufio.NewWriterSize(chunkWriter{w}, 1<<16)
	z, err := zlib.NewWriterLevel(buffered, zlib.BestSpeed)
	if err != nil {
		return err
	}
	step := p.Channels * p.Bits() / 8
	var row, line []byte
	for y := range p.Height {
		row = p.appendRow(row[:0], y, false, binary.BigEndian)
		line = append(line[:0], 1)
		line = append(line, row[:step]...)
		for i := step; i < len(row); i++ {
			line = append(line, row[i]-row[i-step])
		}
		if _, err := z.Write(line); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	return buffered.Flush()
}

// chunkWriter turns each write into an IDAT chunk.
type chunkWriter struct{ w io.Writer }

func (c chunkWriter) Write(b []byte) (int, error) {
	if err := writeChunk(c.w, "IDAT", b); err != nil {
		return 0, err
	}
	return len(b), nil
}

func writeChunk(w io.Writer, kind string, data []byte) error {
	be := binary.BigEndian
	head := append(be.AppendUint32(nil, uint32(len(data))), kind...)
	crc := crc32.Update(crc32.ChecksumIEEE([]byte(kind)), crc32.IEEETable, data)
	for _, b := range [][]byte{head, data, be.AppendUint32(nil, crc)} {
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return nil
}
