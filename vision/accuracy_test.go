package vision

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
	marks "pithward/vision/phantom/score"
)

// measured runs the whole chain on a picture file.
func measured(t *testing.T, path string) measure.Measurement {
	t.Helper()
	s, err := ReadScan(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	m, err := Measure(context.Background(), s, measure.Job{Scan: path, Settings: measure.Settings{Season: measure.DefaultSeason()}}, func(string, int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	if err := measure.Validate(m); err != nil {
		t.Error(err)
	}
	return m
}

func writeTIFF(t *testing.T, p *phantom.Picture) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tray.tif")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := p.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestRenderedTrays measures one rendered tray of each kind of wood, told
// nothing but the picture, against its truth. The limits are those the first
// version of the reading had to meet; `make evaluate` prints what it reaches.
func TestRenderedTrays(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures three trays")
	}
	for _, tt := range []struct {
		wood measure.Wood
		seed uint64
		f1   float64
	}{
		{measure.Conifer, 7101, 0.95},
		{measure.RingPorous, 7102, 0.90},
		{measure.DiffusePorous, 7103, 0.80},
	} {
		t.Run(string(tt.wood), func(t *testing.T) {
			p, truth := phantom.Render(phantom.RandomTray(tt.seed, phantom.Options{Wood: tt.wood, Cores: 4, LengthMM: 60}), tt.seed)
			s := marks.Of(measured(t, writeTIFF(t, p)), truth, marks.Rule{})
			if len(s.Missed) > 0 || len(s.Invented) > 0 {
				t.Errorf("cores missed %v, invented %v", s.Missed, s.Invented)
			}
			if truth.Ruler != nil && !(math.Abs(s.ScaleErr) < 0.001) {
				t.Errorf("scale wrong by %.4f", s.ScaleErr)
			}
			judgeCores(t, s, tt.f1)
		})
	}
}

// f1 is the F1 of the boundaries of all cores of a scan.
func f1(s marks.Scan) (f float64, right, wrong, missed int) {
	for _, c := range s.Cores {
		for _, b := range c.Boundaries {
			if b.Right {
				right++
			} else {
				wrong++
			}
		}
		missed += len(c.Missed)
	}
	return 2 * float64(right) / float64(2*right+wrong+missed), right, wrong, missed
}

func judgeCores(t *testing.T, s marks.Scan, least float64) {
	t.Helper()
	if f, right, wrong, missed := f1(s); f < least {
		t.Errorf("boundary F1 %.3f (right %d, wrong %d, missed %d), want at least %.2f", f, right, wrong, missed, least)
	}
	var square, n float64
	for _, c := range s.Cores {
		for _, w := range c.Widths {
			square += (w.FoundMM - w.TrueMM) * (w.FoundMM - w.TrueMM)
			n++
		}
	}
	if rms := math.Sqrt(square / n); !(rms < 0.03) {
		t.Errorf("width RMSE %.4f mm, want under 0.03", rms)
	}
}

// TestRealStrips measures strips of real pine with traced boundaries (Marichal
// et al. 2024, arXiv 2404.10856), where they are there. Their README gives the
// tolerance: the truth is known to 0.17 mm.
func TestRealStrips(t *testing.T) {
	dirs, _ := filepath.Glob("../../shared/real/pine-*")
	if len(dirs) == 0 {
		t.Skip("../shared/real is not there")
	}
	all := marks.Scan{}
	for _, dir := range dirs {
		truth, err := phantom.ReadTruth(filepath.Join(dir, "truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		s := marks.Of(measured(t, filepath.Join(dir, truth.File)), truth, marks.Rule{ToleranceMM: 0.17})
		if len(s.Missed) > 0 || len(s.Invented) > 0 {
			t.Errorf("%s: cores missed %v, invented %v", truth.Case, s.Missed, s.Invented)
		}
		if !(math.Abs(s.ScaleErr) < 0.001) {
			t.Errorf("%s: scale wrong by %.4f", truth.Case, s.ScaleErr)
		}
		all.Cores = append(all.Cores, s.Cores...)
	}
	if f, right, wrong, missed := f1(all); f < 0.90 {
		t.Errorf("boundary F1 %.3f (right %d, wrong %d, missed %d), want at least 0.90", f, right, wrong, missed)
	}
}
