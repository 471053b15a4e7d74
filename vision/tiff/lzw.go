package tiff

import (
	"encoding/binary"
	"errors"
)

// The two codes with a meaning of their own, and the bounds of the table
// (TIFF 6.0 section 13).
const (
	codeClear = 256
	codeEnd   = 257
	firstFree = 258
	maxCodes  = 4096
)

var (
	errLZW   = errors.New("the LZW data contradict themselves")
	errShort = errors.New("the data end before the picture does")
)

// unLZW fills dst from TIFF's LZW (TIFF 6.0 section 13: codes of 9 to 12 bits,
// most significant bit first, each width left one code early). What follows in
// src once dst is full does not matter.
//
// Every string in the table is one that was written before, with the byte
// after it: so the table holds places in dst, and to decode is to copy.
func unLZW(dst, src []byte) error {
	var table [maxCodes]struct{ at, n uint32 }
	var bits uint64 // read ahead, from the top
	have, width := uint(0), uint(9)
	next := firstFree
	at, in := 0, 0
	var last, lastLen int // the string before; lastLen 0: none since the table was cleared
	for at < len(dst) {
		for have < width {
			switch left := src[in:]; {
			case len(left) >= 4:
				bits |= uint64(binary.BigEndian.Uint32(left)) << (32 - have)
				have, in = have+32, in+4
			case len(left) > 0:
				bits |= uint64(left[0]) << (56 - have)
				have, in = have+8, in+1
			default:
				return errShort
			}
		}
		code := int(bits >> (64 - width))
		bits <<= width
		have -= width
		if code == codeClear {
			next, width, lastLen = firstFree, 9, 0
			continue
		}
		if code == codeEnd {
			return errShort
		}
		if lastLen > 0 {
			if next >= maxCodes {
				return errLZW
			}
			table[next].at, table[next].n = uint32(last), uint32(lastLen+1)
			if next++; next >= 1<<width-1 && width < 12 {
				width++
			}
		}
		from, n := at, 1
		if code < codeClear {
			dst[at] = byte(code)
		} else {
			if code >= next || code < firstFree || lastLen == 0 {
				return errLZW
			}
			s := table[code&(maxCodes-1)]
			from, n = int(s.at), min(int(s.n), len(dst)-at)
			repeat(dst, at, from, n)
		}
		last, lastLen = at, n
		at += n
	}
	return nil
}

// repeat writes the n bytes at from once more at at. They may reach into what
// is being written, as the string of a code that is just being made does.
func repeat(dst []byte, at, from, n int) {
	if n <= 16 && from+n <= at && at+16 <= len(dst) { // what is written too much is written over
		*(*[16]byte)(dst[at:]) = *(*[16]byte)(dst[from:])
		return
	}
	if from+n <= at {
		copy(dst[at:at+n], dst[from:from+n])
		return
	}
	for i := range n {
		dst[at+i] = dst[from+i]
	}
}
