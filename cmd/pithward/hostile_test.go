package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"pithward/measure"
	"pithward/vision/phantom"
)

// drawn writes a gray picture.
func drawn(shade func(x, y int) uint8) func(t *testing.T, path string) {
	return func(t *testing.T, path string) {
		p := image.NewGray(image.Rect(0, 0, 1200, 800))
		for y := range 800 {
			for x := range 1200 {
				p.SetGray(x, y, color.Gray{Y: shade(x, y)})
			}
		}
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(png.Encode(f, p), f.Close()); err != nil {
			t.Fatal(err)
		}
	}
}

// holding writes a file of these bytes.
func holding(text string) func(t *testing.T, path string) {
	return func(t *testing.T, path string) { writeFile(t, path, text) }
}

// vastTIFF is the head of a gray TIFF of 200000 x 100000 px with a byte of
// data (TIFF 6.0, pages 13 to 20).
func vastTIFF() string {
	le := binary.LittleEndian
	b := append([]byte("II*\x00"), 8, 0, 0, 0, 7, 0)
	for _, f := range [][2]uint32{{256, 200000}, {257, 100000}, {258, 8}, {262, 1}, {273, 8}, {278, 200000}, {279, 1}} {
		b = le.AppendUint32(le.AppendUint16(le.AppendUint16(b, uint16(f[0])), 4), 1)
		b = le.AppendUint32(b, f[1])
	}
	return string(append(b, 0, 0, 0, 0, 0))
}

// A photograph: a sky over hills with a round sun and some leaves.
func photograph(x, y int) uint8 {
	switch {
	case math.Hypot(float64(x-900), float64(y-150)) < 70:
		return 250
	case math.Hypot(float64(x%97-48), float64(y%83-41)) < 12 && y > 620:
		return 60
	case float64(y) > 500+60*math.Sin(float64(x)/140):
		return uint8(90 + (x*7+y*13)%23)
	}
	return uint8(190 - y/8)
}

// smeared writes a rendered tray whose cores show no rings: along its length,
// each row of a core is of one colour, but for grain.
func smeared(t *testing.T, path string) {
	t.Helper()
	pic, truth := phantom.Render(phantom.RandomTray(11, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 40, Plain: true}), 11)
	random := rand.New(rand.NewPCG(5, 6))
	for _, c := range truth.Cores {
		x0, x1, y0, y1 := pic.Width, 0, pic.Height, 0
		for _, p := range c.OutlinePx {
			x0, x1 = min(x0, int(p[0])), max(x1, int(p[0]))
			y0, y1 = min(y0, int(p[1])), max(y1, int(p[1]))
		}
		for y := max(y0, 0); y <= min(y1, pic.Height-1); y++ {
			for ch := range pic.Channels {
				from := (y*pic.Width+(x0+x1)/2)*pic.Channels + ch
				for x := max(x0, 0); x <= min(x1, pic.Width-1); x++ {
					pic.U8[(y*pic.Width+x)*pic.Channels+ch] = uint8(min(255, int(pic.U8[from])+random.IntN(7)))
				}
			}
		}
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		t.Fatal(err)
	}
}

// What is no scan of cores is refused, or found empty, each in its own words;
// a good one beside all of them is measured. The worker that dies or hangs is
// the real one but for the scans that are named so.
func TestHostileScans(t *testing.T) {
	if testing.Short() {
		t.Skip("measures whole scans")
	}
	dir := filepath.Join(t.TempDir(), "Käfertal [1], new scans")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	good, _ := tray(t, dir)
	named := filepath.Join(dir, "Tray 7 – ñandú's (2).tif")
	if err := os.Link(good, named); err != nil {
		t.Fatal(err)
	}
	whole := read(t, good)
	random := rand.New(rand.NewPCG(1, 2))
	const refused, empty = "refused", "no core"
	tests := []struct {
		name   string
		make   func(t *testing.T, path string)
		result string
		want   string // at the message's begin
	}{
		{"empty.tif", holding(""), refused, "the file is empty: copy it again"},
		{"notes.tif", holding("these are notes, not a scan\n"), refused, "not a TIFF, PNG or JPEG picture: save the scan as TIFF or PNG"},
		{"cut.tif", holding(whole[:len(whole)/2]), refused, "the file is cut off"},
		{"vast.tif", holding(vastTIFF()), refused, "200000 x 100000 px is over the limit of 1024 million pixels"},
		// PNG, third edition, 11.2.1.
		{"absurd.png", holding("\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR\x00\x03\x0d\x40\x00\x03\x0d\x40\x08\x02\x00\x00\x00\x39\x83\x5d\x01" + strings.Repeat("\x00", 100)), refused, "200000 x 200000 px"},
		{"absent.tif", func(*testing.T, string) {}, refused, "there is no such file"},
		{"folder.tif", func(t *testing.T, p string) {
			if err := os.Mkdir(p, 0o777); err != nil {
				t.Fatal(err)
			}
		}, refused, "is a folder, not a scan"},
		{"loop.tif", func(t *testing.T, p string) {
			if err := os.Symlink(p, p); err != nil {
				t.Fatal(err)
			}
		}, refused, "cannot be read: too many levels of symbolic links"},
		{"pipe.tif", func(t *testing.T, p string) {
			if err := syscall.Mkfifo(p, 0o666); err != nil {
				t.Fatal(err)
			}
		}, refused, "is not a regular file"},
		{"dies.tif", holding(whole), refused, "the worker died (segmentation fault)"},
		{"black.png", drawn(func(int, int) uint8 { return 0 }), empty, "no core was found"},
		{"white.png", drawn(func(int, int) uint8 { return 255 }), empty, "no core was found"},
		{"noise.png", drawn(func(int, int) uint8 { return uint8(random.IntN(256)) }), empty, "no core was found"},
		{"photograph.png", drawn(photograph), empty, "no core was found"},
		{"ringless.tif", smeared, empty, "no core was found"},
	}
	args := []string{"measure", good, named}
	for _, tt := range tests {
		path := filepath.Join(dir, tt.name)
		tt.make(t, path)
		args = append(args, path)
	}
	t.Setenv("PITHWARD_SCAN", mishap(t, built(t)+"-scan"))
	status, out, talk := user(t, append(args, "--out", filepath.Join(dir, "results"))...)
	if status != 1 || strings.Contains(talk, "goroutine") {
		t.Fatalf("status %d, said:\n%s", status, talk)
	}
	seen := map[string]string{}
	for _, tt := range tests {
		path := filepath.Join(dir, tt.name)
		_, words, is := strings.Cut(talk, "pithward: "+path+": ")
		words, _, _ = strings.Cut(words, "\n")
		if !is || !strings.HasPrefix(words, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, words, tt.want)
		}
		if other, twice := seen[words]; twice && tt.result == refused {
			t.Errorf("%s and %s are told alike: %s", tt.name, other, words)
		}
		seen[words] = tt.name
		result := filepath.Join(dir, "results", measure.Stem(tt.name)+".json")
		if _, err := os.Stat(result); tt.result == refused {
			if err == nil {
				t.Errorf("%s has a result", tt.name)
			}
			continue
		}
		m := checkJSON(t, result)
		if len(m.Cores) != 0 || !strings.Contains(read(t, result), `"cores": []`) {
			t.Errorf("%s: %d cores", tt.name, len(m.Cores))
		}
	}
	for _, scan := range []string{good, named} {
		if !strings.Contains(out, scan+": 2 cores") {
			t.Errorf("nothing said of %s:\n%s", scan, out)
		}
		checkJSON(t, filepath.Join(dir, "results", measure.Stem(scan)+".json"))
	}
}

// A picture whose data are damaged is read as far as it goes, and that is said:
// the libraries go on behind such a place with whatever comes of it.
func TestDamagedPictures(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	pic := &phantom.Picture{Width: 300, Height: 200, Channels: 3}
	for range 300 * 200 * 3 {
		pic.U8 = append(pic.U8, uint8(random.IntN(256)))
	}
	var jpg bytes.Buffer
	if err := jpeg.Encode(&jpg, pic, nil); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	tif := filepath.Join(dir, "lzw.tif")
	f, err := os.Create(tif)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Close()); err != nil {
		t.Fatal(err)
	}
	lzw, whole := read(t, tif), jpg.String()
	spoilt := lzw[:5000] + strings.Repeat("\xa5", 500) + lzw[5500:]
	cut := whole[:len(whole)/2] + "\xff\xd9" // with an end marker all the same
	for _, tt := range []struct {
		name, file string
		damaged    bool
	}{{"lzw.tif", lzw, false}, {"lzw-spoilt.tif", spoilt, true}, {"whole.jpg", whole, false}, {"cut.jpg", cut, true}} {
		path := writeFile(t, filepath.Join(dir, tt.name), tt.file)
		status, out, talk := user(t, "measure", path, "--overwrite", "--out", filepath.Join(dir, "results"))
		if status > 1 || strings.Contains(talk, "worker") {
			t.Fatalf("%s: status %d, said %q", tt.name, status, talk)
		}
		if said := strings.Contains(out, "heed: the picture's data are damaged ("); said != tt.damaged {
			t.Errorf("%s: damage told %v, want %v:\n%s", tt.name, said, tt.damaged, out)
		}
	}
}

// A worker that hangs is ended when its time is up, and its scan named.
func TestHangingWorker(t *testing.T) {
	dir := t.TempDir()
	hangs := scans(t, dir, "hangs.tif")[0]
	t.Setenv("PITHWARD_SCAN", mishap(t, built(t)+"-scan"))
	status, out, talk := user(t, "measure", hangs, "--time-limit", "2s")
	want := "pithward: " + hangs + ": not measured within 2s, so its worker was ended: raise --time-limit, or look whether the scan is what it should be"
	if status != 1 || out != "" || !strings.HasPrefix(talk, want) || len(files(t, dir)) != 1 {
		t.Errorf("status %d, said %q, files %q", status, talk, files(t, dir))
	}
}

// mishap returns a program that is the worker, but dies or hangs on scans that
// are named so.
func mishap(t *testing.T, worker string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "worker")
	script := "#!/bin/sh\nread -r job\ncase $job in\n*/dies.tif*) kill -SEGV $$ ;;\n*/hangs.tif*) sleep 600 ;;\nesac\nprintf '%s\\n' \"$job\" | exec " + worker + "\n"
	if err := os.WriteFile(path, []byte(script), 0o777); err != nil {
		t.Fatal(err)
	}
	return path
}

// A scan that may not be read is named, with what to do; the others are
// measured.
func TestUnreadableScan(t *testing.T) {
	dir := openFolder(t)
	drawn(func(int, int) uint8 { return 0 })(t, filepath.Join(dir, "black.png"))
	secret := filepath.Join(dir, "secret.tif")
	writeFile(t, secret, "a scan")
	if err := os.Chmod(secret, 0); err != nil {
		t.Fatal(err)
	}
	status, talk := asNobody(t, dir, "measure", secret, filepath.Join(dir, "black.png"))
	if status != 1 || !strings.Contains(talk, "pithward: "+secret+": cannot be read: permission denied: change its permissions or copy it\n") ||
		!strings.Contains(talk, "black.png: no core was found") {
		t.Errorf("status %d, said:\n%s", status, talk)
	}
}
