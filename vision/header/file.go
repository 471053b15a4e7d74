package header

import (
	"errors"
	"fmt"
	"io"
)

// maxRead bounds every single read, whatever a length in the file says.
const maxRead = 1 << 20

// file reads pieces of an image file, never more than maxRead at once and
// never past its end.
type file struct {
	r    io.ReaderAt
	size int64
}

var errCut = errors.New("the file is cut off within its header")

// bytes returns the n bytes at off.
func (f *file) bytes(off int64, n int) ([]byte, error) {
	if n < 0 || n > maxRead {
		return nil, fmt.Errorf("a length of %d in the header is absurd", n)
	}
	if off < 0 || off > f.size-int64(n) {
		return nil, errCut
	}
	b := make([]byte, n)
	if _, err := f.r.ReadAt(b, off); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	} else if err != nil && n > 0 && off+int64(n) < f.size {
		return nil, errCut // shorter than promised
	}
	return b, nil
}
