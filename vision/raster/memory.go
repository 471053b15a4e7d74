package raster

import (
	"fmt"
	"syscall"
	"unsafe"
)

// Allocate returns a black picture of 8 or 16 bits a sample, to be filled, and
// the function that gives its memory back: then the slice must not be used
// again. The memory lies outside the Go heap, whose collector would else let
// the heap grow to a multiple of the picture before it looks.
func Allocate(width, height, channels, depth int) (Pixels, func(), error) {
	p := Pixels{Width: width, Height: height, Channels: channels}
	n := width * height * channels
	if n <= 0 || depth != 8 && depth != 16 {
		return Pixels{}, nil, fmt.Errorf("no memory for a picture of %d x %d px of %d x %d bits", width, height, channels, depth)
	}
	mem, err := syscall.Mmap(-1, 0, n*depth/8, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_PRIVATE|syscall.MAP_ANON)
	if err != nil {
		return Pixels{}, nil, fmt.Errorf("no memory for a picture of %d MB: %w", n*depth/8>>20, err)
	}
	if depth == 16 {
		p.U16 = unsafe.Slice((*uint16)(unsafe.Pointer(&mem[0])), n)
	} else {
		p.U8 = mem
	}
	return p, func() { _ = syscall.Munmap(mem) }, nil
}

// Bytes returns the picture's memory, in the machine's byte order.
func (p Pixels) Bytes() []byte {
	if p.U16 != nil {
		return unsafe.Slice((*byte)(unsafe.Pointer(&p.U16[0])), 2*len(p.U16))
	}
	return p.U8
}
