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

// entry is a string of the table. A short one is held whole: its bytes, the
// first in the lowest bits, and above them its length. A longer one is known by
// where it stands in what was written before. 0: none.
type entry uint64

const (
	lenBits = 56 // below the length; what fits there is short
	away    = 8  // the length that says: a long one, its place in the lowest 32 bits, its length above them
	atBits  = 32
)

func longer(at, n int) entry { return away<<lenBits | entry(n)<<atBits | entry(uint32(at)) }

// place is where a long string stands, and how long it is.
func (e entry) place() (at, n int) { return int(uint32(e)), int(e &^ (away << lenBits) >> atBits) }

// and is the string with the byte behind it; at and n are where it stands.
func (e entry) and(b byte, at, n int) entry {
	if e < (away-1)<<lenBits {
		return e + 1<<lenBits + entry(b)<<(8*(e>>lenBits))
	}
	return longer(at, n+1)
}

// unpacking is a strip that is being unpacked.
type unpacking struct {
	dst, src []byte
	at, pos  int // where to write, and which bit to read

	table       [maxCodes]entry
	width, next int
	last        entry // the string before, 0 since the table was cleared
	from        int   // where it begins
}

// unLZW fills dst from TIFF's LZW (TIFF 6.0 section 13: codes of 9 to 12 bits,
// most significant bit first, each width left one code early). What follows in
// src once dst is full does not matter.
func unLZW(dst, src []byte) error {
	z := unpacking{dst: dst, src: src, width: 9, next: firstFree}
	for i := range codeClear {
		z.table[i] = 1<<lenBits | entry(i)
	}
	for z.at < len(dst) {
		z.run()
		if err := z.step(); err != nil {
			return err
		}
	}
	return nil
}

// step takes one code, whatever it means, if there is room to write.
func (z *unpacking) step() error {
	if z.at == len(z.dst) {
		return nil
	}
	code := int(bitsAt(z.src, z.pos) >> (64 - z.width))
	z.pos += z.width
	switch {
	case z.pos > 8*len(z.src), code == codeEnd:
		return errShort
	case code == codeClear:
		z.width, z.next, z.last = 9, firstFree, 0
		return nil
	case code > z.next, code == z.next && z.last == 0, z.last != 0 && z.next == maxCodes:
		return errLZW
	}
	is := z.table[code]
	if code == z.next { // the string that is only now made: the one before and its own first byte
		is = longer(z.from, z.at-z.from+1)
	}
	n := is.write(z.dst, z.at)
	if z.last != 0 {
		z.table[z.next] = z.last.and(z.dst[z.at], z.from, z.at-z.from)
		if z.next++; z.next >= 1<<z.width-1 && z.width < 12 {
			z.width++
		}
	}
	z.last, z.from = is, z.at
	z.at += n
	return nil
}

// run is step for as many codes as mean a short string and leave the codes as
// wide as they are: in the grain of a scan nearly all, two or three bytes long,
// each as likely as the other. So a string is written by one store, whatever
// its length, and no branch hangs on what cannot be foreseen.
func (z *unpacking) run() {
	if z.last == 0 {
		return
	}
	dst, src, table := z.dst, z.src, &z.table
	at, pos, next, last, from := z.at, z.pos, z.next, z.last, z.from
	for shift, end := 64-z.width, 1<<z.width-2; next < end && at <= len(dst)-8 && pos>>3 <= len(src)-8; {
		code := int(binary.BigEndian.Uint64(src[pos>>3:]) << (pos & 7) >> (shift & 63))
		is := table[code&(maxCodes-1)]
		if code >= next || is-1<<lenBits >= (away-1)<<lenBits {
			break
		}
		binary.LittleEndian.PutUint64(dst[at:], uint64(is)) // what is written too much is written over
		table[next&(maxCodes-1)] = last.and(byte(is), from, at-from)
		last, from = is, at
		at += int(is >> lenBits)
		pos += 64 - shift
		next++
	}
	z.at, z.pos, z.next, z.last, z.from = at, pos, next, last, from
}

// write writes a string at a place, as far as there is room, and returns how
// many bytes it wrote.
func (e entry) write(dst []byte, at int) int {
	if n := int(e >> lenBits); n != away {
		var text [8]byte
		binary.LittleEndian.PutUint64(text[:], uint64(e))
		return copy(dst[at:], text[:n])
	}
	from, n := e.place()
	n = min(n, len(dst)-at)
	repeat(dst, at, from, n)
	return n
}

// bitsAt returns the bits of src from bit pos on, at the top, at least 57 of
// them; 0 for those behind its end.
func bitsAt(src []byte, pos int) uint64 {
	var some [8]byte
	copy(some[:], src[min(pos>>3, len(src)):])
	return binary.BigEndian.Uint64(some[:]) << (pos & 7)
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
