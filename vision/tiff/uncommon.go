package tiff

import (
	"slices"

	"pithward/vision/header"
)

// scatter decodes one part of an uncommon picture (see [header.Header.Uncommon]),
// whose samples do not lie in the file as they do in the picture, into its
// place. Alpha is left out.
func (d *decoder) scatter(p part, s *scratch) error {
	stored, colours := together(d.h), d.h.DecodedChannels()
	if p.plane >= colours {
		return nil
	}
	row := p.w * stored
	s.tile = sized(s.tile, 2*row*p.h)
	if err := d.unpack(s.tile, p, s); err != nil {
		return err
	}
	words := wordsOf(s.tile)
	if d.h.Chunks.BigEndian != bigEndian {
		for i, v := range words {
			words[i] = v<<8 | v>>8
		}
	}
	wide, low := min(p.w, d.h.StoredWidth-p.x), min(p.h, d.h.StoredHeight-p.y)
	for y, line := range slices.Collect(slices.Chunk(words, row))[:low] {
		if d.h.Chunks.Predictor && d.h.Compression != "none" {
			for i := stored; i < len(line); i++ {
				line[i] += line[i-stored]
			}
		}
		to := d.px.U16[((p.y+y)*d.h.StoredWidth+p.x)*colours:]
		for c := p.plane; c < min(p.plane+stored, colours); c++ {
			d.spread(to, line[c-p.plane:], stored, colours, c, wide)
		}
	}
	return nil
}

// spread writes channel c of n pixels: red, green, blue as stored; the picture
// has blue first, and black 0.
func (d *decoder) spread(to, from []uint16, stored, colours, c, n int) {
	if colours == 3 {
		c = 2 - c
	}
	invert := uint16(0)
	if d.h.Colour == header.MinIsWhite {
		invert = 0xffff
	}
	for x := range n {
		to[x*colours+c] = from[x*stored] ^ invert
	}
}
