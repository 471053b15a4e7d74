package tiff

import (
	"encoding/binary"
	"unsafe"
)

// bigEndian tells the machine's byte order.
var bigEndian = binary.NativeEndian.Uint16([]byte{1, 0}) != 1

// wordsOf returns the memory of rows of 16-bit samples as numbers. The rows
// begin at even places: whole pages, or whole allocations, hold them.
func wordsOf(b []byte) []uint16 {
	if len(b) == 0 {
		return nil
	}
	return unsafe.Slice((*uint16)(unsafe.Pointer(&b[0])), len(b)/2)
}
