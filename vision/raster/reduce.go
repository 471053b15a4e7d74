package raster

import (
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
				reduceRows(out, p.U16, p.Width, factor, 257, from, to)
			} else {
				reduceRows(out, p.U8, p.Width, factor, 1, from, to)
			}
		})
	}
	wg.Wait()
	return out, nil
}

// reduceRows fills rows from..to of a reduced picture from the samples of the
// full one, of which unit make one of 8 bits.
func reduceRows[T uint8 | uint16](out Pixels, src []T, width, factor int, unit uint64, from, to int) {
	ch := out.Channels
	row := out.Width * ch
	sums := make([]uint64, row)
	norm := uint64(factor) * uint64(factor) * unit
	for y := from; y < to; y++ {
		clear(sums)
		for r := range factor {
			line := src[(y*factor+r)*width*ch:]
			if ch == 3 {
				addBlocks3(sums, line, factor)
			} else {
				addBlocks(sums, line, factor)
			}
		}
		for i, s := range sums {
			out.U8[y*row+i] = uint8((s + norm/2) / norm)
		}
	}
}

// addBlocks adds to each sum the next factor samples.
func addBlocks[T uint8 | uint16](sums []uint64, line []T, factor int) {
	for i := range sums {
		var s uint32
		for _, v := range line[i*factor : (i+1)*factor] {
			s += uint32(v)
		}
		sums[i] += uint64(s)
	}
}

// addBlocks3 is addBlocks for three interleaved channels.
func addBlocks3[T uint8 | uint16](sums []uint64, line []T, factor int) {
	for len(sums) >= 3 {
		var a, b, c uint32
		block := line[:3*factor]
		for ; len(block) >= 3; block = block[3:] {
			a, b, c = a+uint32(block[0]), b+uint32(block[1]), c+uint32(block[2])
		}
		sums[0], sums[1], sums[2] = sums[0]+uint64(a), sums[1]+uint64(b), sums[2]+uint64(c)
		sums, line = sums[3:], line[3*factor:]
	}
}
