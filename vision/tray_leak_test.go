//go:build matprofile

package vision

import (
	"testing"

	"gocv.io/x/gocv"

	"pithward/vision/phantom"
)

// Every Mat made on the way from a file to its cores is closed again, also
// where the file cannot be read.
func TestNoMatIsLeft(t *testing.T) {
	pic, truth := phantom.Render(trayFor(3, 300), 3)
	path := savePNG(t, pic)
	before := gocv.MatProfile.Count()
	for range 2 {
		s, err := ReadScan(path)
		if err != nil {
			t.Fatal(err)
		}
		o, err := s.Overview(1200)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := FindCores(s.Pixels(), o, Hints{Avoid: avoidOf(truth)}); err != nil {
			t.Fatal(err)
		}
		if _, err := s.Reduced(1 << 19); err == nil {
			t.Fatal("reduced by more than the scan's sides")
		}
		s.Close()
	}
	if s, err := ReadScan(path + ".none"); err == nil {
		s.Close()
		t.Fatal("read a file that is not there")
	}
	if after := gocv.MatProfile.Count(); after != before {
		t.Errorf("%d Mats before, %d after", before, after)
	}
}
