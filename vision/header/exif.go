package header

import (
	"bytes"
	"encoding/binary"
)

// exif is what Exif data says of how a picture is to be shown.
type exif struct {
	orientation int // 0: not stated
	dpi         *[2]float64
	make, model string
}

// readExif reads the first directory of Exif data, which is a TIFF structure
// with TIFF's tags for orientation, resolution and device (CIPA DC-008, 4.6.4). What
// cannot be read counts as not stated.
func readExif(b []byte) exif {
	if len(b) < 8 {
		return exif{}
	}
	var order binary.ByteOrder
	switch string(b[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return exif{}
	}
	f := &file{r: bytes.NewReader(b), size: int64(len(b))}
	d, err := readDirectory(f, layout{order: order}, int64(order.Uint32(b[4:])))
	if err != nil {
		return exif{}
	}
	return exif{orientation: d.number(tagOrientation, 0), dpi: d.resolution(), make: d.text(tagMake), model: d.text(tagModel)}
}
