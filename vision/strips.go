package vision

import (
	"fmt"
	"image"
	"os"
	"path/filepath"

	"pithward/measure"
)

var _ = image.Rect
var _ = fmt.Sprint
var _ = os.Open
var _ = filepath.Join

func WriteStrips(s *Scan, m measure.Measurement, dir string) ([]string, error) { return nil, nil }
