package vision

import (
	"errors"
	"image"
	"unsafe"

	"gocv.io/x/gocv"

	"pithward/vision/raster"
)

// This file alone calls the image library. A C++ exception there ends the
// process, so that every function below checks type, size and bounds before it
// calls, and gives plain slices back.

// maxSide is the largest side, in pixels, that the library decodes.
const maxSide = 1 << 20

var (
	errEmpty = errors.New("the picture has no pixels")
	errType  = errors.New("the picture is neither 8 nor 16 bits, gray nor colour")
)

// decode reads a picture as displayed, with its own depth, gray or colour. The
// caller has checked the file's header and closes the Mat. The library gives
// no reason when it fails.
func decode(path string) (gocv.Mat, error) {
	return taken(gocv.IMRead(path, gocv.IMReadAnyDepth|gocv.IMReadAnyColor))
}

// decodeBytes is decode for a file in memory, of which the library makes a
// copy for the time of the call.
func decodeBytes(file []byte) (gocv.Mat, error) {
	if len(file) == 0 {
		return gocv.Mat{}, errEmpty
	}
	m, err := gocv.IMDecode(file, gocv.IMReadAnyDepth|gocv.IMReadAnyColor)
	if err != nil {
		return gocv.Mat{}, err
	}
	return taken(m)
}

// taken checks a Mat that was just decoded, and closes it if it is none that
// the rest of this file takes.
func taken(m gocv.Mat) (gocv.Mat, error) {
	if m.Empty() {
		m.Close()
		return gocv.Mat{}, errors.New("the image library could not decode it")
	}
	if err := checkMat(&m); err != nil {
		m.Close()
		return gocv.Mat{}, err
	}
	return m, nil
}

// checkMat tells whether m is a picture that the rest of this file takes.
func checkMat(m *gocv.Mat) error {
	if m.Ptr() == nil || m.Empty() {
		return errEmpty
	}
	switch m.Type() {
	case gocv.MatTypeCV8UC1, gocv.MatTypeCV8UC3, gocv.MatTypeCV16UC1, gocv.MatTypeCV16UC3:
	default:
		return errType
	}
	if !m.IsContinuous() || m.Rows() > maxSide || m.Cols() > maxSide {
		return errors.New("the picture is too large or not stored row by row")
	}
	return nil
}

// view returns m's own memory as pixels, valid until m is closed. The first
// row alone is asked for, since the library's lengths overflow at 2 GiB.
func view(m *gocv.Mat) (raster.Pixels, error) {
	if err := checkMat(m); err != nil {
		return raster.Pixels{}, err
	}
	p := raster.Pixels{Width: m.Cols(), Height: m.Rows(), Channels: m.Channels()}
	n := p.Width * p.Height * p.Channels
	row := m.Region(image.Rect(0, 0, p.Width, 1))
	defer row.Close()
	if m.Type() == gocv.MatTypeCV8UC1 || m.Type() == gocv.MatTypeCV8UC3 {
		first, err := row.DataPtrUint8()
		if err != nil {
			return raster.Pixels{}, err
		}
		p.U8 = unsafe.Slice(&first[0], n)
		return p, nil
	}
	first, err := row.DataPtrUint16()
	if err != nil {
		return raster.Pixels{}, err
	}
	p.U16 = unsafe.Slice(&first[0], n)
	return p, nil
}

// copy8 returns a copy of m's pixels as 8 bits.
func copy8(m *gocv.Mat) (raster.Pixels, error) {
	p, err := view(m)
	if err != nil {
		return raster.Pixels{}, err
	}
	if p.U8 != nil {
		p.U8 = append([]uint8(nil), p.U8...)
		return p, nil
	}
	out := make([]uint8, len(p.U16))
	for i, v := range p.U16 {
		out[i] = uint8((uint32(v)*255 + 32767) / 65535)
	}
	p.U8, p.U16 = out, nil
	return p, nil
}

// mask is a picture of yes (255) and no (0), row by row.
type mask struct {
	w, h int
	on   []uint8
}

func newMask(w, h int) mask { return mask{w, h, make([]uint8, w*h)} }

// mat copies a mask into a Mat, which the caller closes.
func (k mask) mat() (gocv.Mat, error) {
	if k.w < 1 || k.h < 1 || len(k.on) != k.w*k.h {
		return gocv.Mat{}, errEmpty
	}
	m := gocv.NewMatWithSize(k.h, k.w, gocv.MatTypeCV8UC1)
	p, err := m.DataPtrUint8()
	if err != nil {
		m.Close()
		return gocv.Mat{}, err
	}
	copy(p, k.on)
	return m, nil
}

// morph returns the mask after op with a rectangle of w by h pixels, made odd.
// Outside the picture counts as neither yes nor no.
func (k mask) morph(op gocv.MorphType, w, h int) (mask, error) {
	m, err := k.mat()
	if err != nil {
		return mask{}, err
	}
	defer m.Close()
	size := image.Pt(max(w, 1)|1, max(h, 1)|1)
	kernel := gocv.GetStructuringElement(gocv.MorphRect, size)
	defer kernel.Close()
	out := gocv.NewMat()
	defer out.Close()
	gocv.MorphologyEx(m, &out, op, kernel)
	p, err := copy8(&out)
	if err != nil {
		return mask{}, err
	}
	return mask{k.w, k.h, p.U8}, nil
}

// closed fills openings up to w by h pixels; opened removes specks that small.
func (k mask) closed(w, h int) (mask, error) { return k.morph(gocv.MorphClose, w, h) }
func (k mask) opened(w, h int) (mask, error) { return k.morph(gocv.MorphOpen, w, h) }

const (
	dilate = gocv.MorphDilate
	erode  = gocv.MorphErode
)

// blob is one connected component of a mask.
type blob struct {
	label int32
	box   image.Rectangle // of its pixels, Max outside
	area  int
}

// blobs labels the connected (8 neighbours) parts of the mask: the label of
// each pixel, 0 for none, and the parts of at least minArea pixels, in order of
// label, which runs from the top down.
func (k mask) blobs(minArea int) ([]int32, []blob, error) {
	m, err := k.mat()
	if err != nil {
		return nil, nil, err
	}
	defer m.Close()
	labels, stats, centroids := gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	defer labels.Close()
	defer stats.Close()
	defer centroids.Close()
	n := gocv.ConnectedComponentsWithStats(m, &labels, &stats, &centroids)
	of, err := ints(&labels)
	if err != nil {
		return nil, nil, err
	}
	table, err := ints(&stats)
	if err != nil {
		return nil, nil, err
	}
	if len(of) != k.w*k.h || len(table) != 5*n {
		return nil, nil, errors.New("the image library labelled another picture")
	}
	var found []blob
	for i := 1; i < n; i++ {
		s := table[5*i : 5*i+5] // left, top, width, height, area
		if int(s[4]) >= minArea {
			box := image.Rect(int(s[0]), int(s[1]), int(s[0]+s[2]), int(s[1]+s[3]))
			found = append(found, blob{int32(i), box, int(s[4])})
		}
	}
	return of, found, nil
}

// ints returns a copy of a Mat of 32-bit whole numbers.
func ints(m *gocv.Mat) ([]int32, error) {
	if m.Empty() || m.Type() != gocv.MatTypeCV32SC1 || !m.IsContinuous() {
		return nil, errors.New("the image library gave no table of numbers")
	}
	b, err := m.DataPtrUint8() // the memory as bytes, whatever the type
	if err != nil {
		return nil, err
	}
	return append([]int32(nil), unsafe.Slice((*int32)(unsafe.Pointer(&b[0])), len(b)/4)...), nil
}
