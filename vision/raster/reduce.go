package raster

import (
	"encoding/binary"
	"fmt"
	"runtime"
	"sync"
)

// Reduced returns the picture reduced by a whole factor, as 8 bits: each pixel
// is the mean of factor by factor. Columns and rows beyond the last whole block
// are left out. It fails where there is no block.
func (p Pixels) Reduced(factor int) (Pixels, error) {
	if factor < 1 || p.Width/factor < 1 || p.Height/factor < 1 {
		return Pixels{}, fmt.Errorf("a picture of %d x %d px cannot be reduced by %d", p.Width, p.Height, factor)
	}
	out := Pixels{Width: p.Width / factor, Height: p.Height / factor, Channels: p.Channels}
	out.U8 = make([]uint8, out.Width*out.Height*out.Channels)
	var wg sync.WaitGroup
	parts := min(runtime.GOMAXPROCS(0), out.Height)
	for i := range parts {
		wg.Go(func() {
			from, to := i*out.Height/parts, (i+1)*out.Height/parts
			if p.U16 != nil {
				reduceRows(out, p.U16, p.Width, factor, 257, from, to, addDown)
			} else if factor <= mostInLane {
				reduceRows(out, p.U8, p.Width, factor, 1, from, to, addDownByEight)
			} else {
				reduceRows(out, p.U8, p.Width, factor, 1, from, to, addDown)
			}
		})
	}
	wg.Wait()
	return out, nil
}

// reduceRows fills rows from..to of a reduced picture from the samples of the
// full one, of which unit make one of 8 bits. addDown sums factor rows.
func reduceRows[T uint8 | uint16](out Pixels, src []T, width, factor int, unit uint64, from, to int, addDown func(sums []uint32, src []T, row, factor int)) {
	ch := out.Channels // 1 or 3
	row := out.Width * ch
	sums := make([]uint32, row*factor)
	norm := uint64(factor) * uint64(factor) * unit
	for y := from; y < to; y++ {
		addDown(sums, src[y*factor*width*ch:], width*ch, factor)
		addAcross(out.U8[y*row:(y+1)*row], sums, factor, ch, norm)
	}
}

// addDown sums factor rows, row samples apart, as far as there are sums.
func addDown[T uint8 | uint16](sums []uint32, src []T, row, factor int) {
	clear(sums)
	for r := range factor {
		for i, v := range src[r*row:][:len(sums)] {
			sums[i] += uint32(v)
		}
	}
}

// mostInLane is how many bytes can be summed in 16 bits.
const mostInLane = 257

// addDownByEight is addDown for up to mostInLane rows of bytes, eight of them at
// a time: four sums to a word, those of every other byte.
func addDownByEight(sums []uint32, src []uint8, row, factor int) {
	const lanes = 0x00ff00ff00ff00ff
	whole := len(sums) &^ 7
	for i := 0; i < whole; i += 8 {
		var even, odd uint64
		for at, n := i, factor; n > 0; at, n = at+row, n-1 {
			v := binary.LittleEndian.Uint64(src[at:])
			even += v & lanes
			odd += v >> 8 & lanes
		}
		s := sums[i : i+8 : i+8]
		s[0], s[2], s[4], s[6] = uint32(even&0xffff), uint32(even>>16&0xffff), uint32(even>>32&0xffff), uint32(even>>48)
		s[1], s[3], s[5], s[7] = uint32(odd&0xffff), uint32(odd>>16&0xffff), uint32(odd>>32&0xffff), uint32(odd>>48)
	}
	addDown(sums[whole:], src[whole:], row, factor)
}

// addAcross takes the means of factor pixels of sums each; norm samples make
// one value.
func addAcross(out []uint8, sums []uint32, factor, ch int, norm uint64) {
	mean := func(sum uint64) uint8 { return uint8((sum + norm/2) / norm) }
	for ; len(out) >= ch; out, sums = out[ch:], sums[factor*ch:] {
		block := sums[:factor*ch]
		if ch != 3 {
			var s uint64
			for _, v := range block {
				s += uint64(v)
			}
			out[0] = mean(s)
			continue
		}
		var a, b, c uint64
		for ; len(block) >= 3; block = block[3:] {
			a, b, c = a+uint64(block[0]), b+uint64(block[1]), c+uint64(block[2])
		}
		out[0], out[1], out[2] = mean(a), mean(b), mean(c)
	}
}
