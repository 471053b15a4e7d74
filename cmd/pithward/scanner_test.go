package main

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
	"pithward/vision/phantom"
)

// storedIn has this test's scanners kept in a file of its own.
func storedIn(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "settings", "scanners.json")
	t.Setenv(scannersVariable, path)
	return path
}

func TestScanner(t *testing.T) {
	store := storedIn(t)
	dir := t.TempDir()
	scans(t, dir, "ruler.tif", "rulerx.tif", "rulery.tif", "tray.tif", "abort.tif")
	in := func(name string) string { return filepath.Join(dir, name) }
	for _, tt := range []struct {
		name      string
		args      []string
		status    int
		out, talk string // regular expressions
	}{
		{"an empty list", []string{"list"}, 0, `^no scanner was checked yet\nkept in ` + regexp.QuoteMeta(store) + `\n$`, `^$`},
		{"nothing is known", []string{"show", "flatbed"}, 1, `^$`, `no scanner "flatbed" in .*: none is known; pithward scanner RULER.tif --name checks one`},
		{"no scan", nil, 2, `^$`, `name one SCAN with a ruler along each side`},
		{"a scan that names no scanner", []string{in("ruler.tif")}, 2, `^$`, `ruler.tif does not say what scanner it comes from: give it a name with --name`},
		{"no ruler one way", []string{in("rulerx.tif"), "--name", "flatbed"}, 1, `^$`, `not stored: no ruler along y was found: scan the ruler once along each side`},
		{"no ruler", []string{in("tray.tif"), "--name", "flatbed"}, 1, `^$`, `no ruler along x was found \(tray.tif: nothing in the scan repeats`},
		{"no such scan", []string{in("absent.tif"), "--name", "flatbed"}, 1, `^$`, `absent.tif: there is no such file`},
		{"a worker that dies", []string{in("abort.tif"), "--name", "flatbed"}, 1, `^$`, `abort.tif: the worker died`},
		{"a ruler each way", []string{in("ruler.tif"), "--name", "flatbed"}, 0,
			`(?s)^scanner flatbed, checked 20\d\d-\d\d-\d\d\n.*x +0.021200 +1198.11 +1200 +\+0.16 % +0.15 %\n.*y +0.021221 .*longer along y than along x.*measure them with --scanner "flatbed"\nstored in `, `^$`},
		{"again", []string{in("ruler.tif"), "--name", "flatbed"}, 2, `^$`, `flatbed was checked before: give --replace`},
		{"one ruler twice", []string{in("rulerx.tif"), in("rulery.tif"), "--name", "flatbed", "--replace"}, 0, `y: mm, longer at 5 and 10, 201 ticks over 200 mm in rulery.tif\n`, `^$`},
		{"a second one", []string{in("ruler.tif"), "--name", "Bench 2"}, 0, `stored in`, `^$`},
		{"the list", []string{"list"}, 0, `(?s)scanner +checked.*Bench 2 .*flatbed +20.*\+0.16 % +\+0.26 %`, `^$`},
		{"show", []string{"show", "flatbed"}, 0, `^scanner flatbed`, `^$`},
		{"remove", []string{"remove", "Bench 2"}, 0, `^Bench 2: removed from `, `^$`},
		{"remove again", []string{"remove", "Bench 2"}, 1, `^$`, `known are flatbed`},
		{"in a file of its own", []string{"list", "--scanners", in("mine.json")}, 0, `no scanner was checked yet\nkept in .*mine.json`, `^$`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, out, talk := call(t, append([]string{"scanner"}, tt.args...)...)
			if status != tt.status || !regexp.MustCompile(tt.out).MatchString(out) || !regexp.MustCompile(tt.talk).MatchString(talk) {
				t.Errorf("status %d, out:\n%s\nsaid:\n%s", status, out, talk)
			}
		})
	}
	var file struct {
		Schema   string
		Scanners []measure.Scanner
	}
	if err := json.Unmarshal([]byte(read(t, store)), &file); err != nil || file.Schema != scannersSchema || len(file.Scanners) != 1 {
		t.Errorf("%v: %+v", err, file)
	}
	if _, out, _ := call(t, "scanner", "list", "--json"); out != read(t, store) {
		t.Errorf("as JSON:\n%s", out)
	}
	for _, args := range [][]string{{"scanner", "show", ""}, {"scanner", "remove", ""}, {"measure", "--scanner", ""}} {
		_, out, _ := call(t, append([]string{"__complete"}, args...)...)
		want := []string{"flatbed", ":4"}
		if args[0] == "measure" {
			want = []string{"flatbed", "auto", "none", ":4"}
		}
		if d := cmp.Diff(want, lines(out)); d != "" {
			t.Errorf("%v (-want +got):\n%s", args, d)
		}
	}
}

// A file of scanners that cannot be relied on is named, with what to do, and
// nothing is measured by it.
func TestScannersThatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "tray.tif")[0]
	for name, tt := range map[string]struct{ text, says string }{
		"no JSON":       {"scanners:\n", "no file of scanners"},
		"another kind":  {`{"schema": "pithward/measurement/1"}`, `its schema is "pithward/measurement/1"`},
		"a newer one":   {`{"schema": "pithward/scanners/2"}`, "update pithward"},
		"without scale": {`{"schema": "pithward/scanners/1", "scanners": [{"name": "a"}]}`, `scanner "a" has no scale`},
	} {
		t.Run(name, func(t *testing.T) {
			path := writeFile(t, filepath.Join(dir, "scanners.json"), tt.text)
			status, _, talk := call(t, "measure", scan, "--scanners", path)
			if status != 2 || !strings.Contains(talk, tt.says) {
				t.Errorf("status %d, said %q", status, talk)
			}
			status, _, talk = call(t, "scanner", "list", "--scanners", path)
			if status != 1 || !strings.Contains(talk, tt.says) {
				t.Errorf("status %d, said %q", status, talk)
			}
		})
	}
}

// A check that has changed is a setting that has changed: the run that is gone
// on with says so.
func TestScannerAndResume(t *testing.T) {
	storedIn(t)
	dir := t.TempDir()
	all := scans(t, dir, "tray.tif", "ruler.tif")
	if status, _, talk := call(t, "scanner", all[1], "--name", "flatbed"); status != 0 {
		t.Fatal(talk)
	}
	with := []string{"measure", all[0], "--scanner", "flatbed", "--resume"}
	if status, _, talk := call(t, with...); status != 0 {
		t.Fatal(talk)
	}
	if status, _, talk := call(t, with...); status != 0 || !strings.Contains(talk, "nothing has changed") {
		t.Errorf("status %d, said %q", status, talk)
	}
	if status, _, talk := call(t, "measure", all[0], "--resume"); status != 1 || !strings.Contains(talk, "made with other settings") {
		t.Errorf("without the check: status %d, said %q", status, talk)
	}
	if status, _, talk := call(t, "measure", all[0], "--scanner", "flatbet"); status != 2 || !strings.Contains(talk, `no scanner "flatbet"`) {
		t.Errorf("a slip: status %d, said %q", status, talk)
	}
}

// paint renders a tray to a TIFF of a scanner of our own.
func paint(t *testing.T, path string, tray phantom.Tray) phantom.Truth {
	t.Helper()
	pic, truth := phantom.Render(tray, 21)
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pic.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW, Make: "Osmundvale", Model: "Millrace 4"}), f.Close()); err != nil {
		t.Fatal(err)
	}
	return truth
}

// A scanner whose pixels are 0.4 % longer along y, checked by one ruler scanned
// along each side, gives y on trays whose ruler lies along x; by its make and
// model it is known again. A ruler above the wood is noticed.
func TestMeasureWithScanner(t *testing.T) {
	if testing.Short() {
		t.Skip("measures whole scans")
	}
	store := storedIn(t)
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	mm := [2]float64{25.4 / 600 * 1.001, 25.4 / 600 * 1.005}
	ruler := phantom.Ruler{LengthMM: 120, BreadthMM: 20, MarginMM: 3, TickMM: 0.15, Material: "steel", Body: phantom.RGB{176, 180, 184},
		Ink: phantom.RGB{36, 36, 38}, Scales: []phantom.RulerScale{{Unit: "mm", Finest: 1, ShortMM: 3, Numbers: true}}}
	bed := phantom.Tray{DPI: 600, MMPerPx: mm, TagDPI: [2]float64{600, 600}, WidthPx: int(132 / mm[0]), HeightPx: int(32 / mm[1]),
		Ground: phantom.Ground{Colour: phantom.RGB{46, 48, 52}, Grain: 2}, Scanner: phantom.Scanner{BlurPx: 0.6, PixelNoise: 1}}
	lying, standing := bed, bed
	along, across := ruler, ruler
	along.AtMM, across.AtMM, across.AngleDeg = [2]float64{6, 6}, [2]float64{6, 126}, 90
	lying.Ruler, standing.Ruler = &along, &across
	standing.WidthPx, standing.HeightPx = int(32/mm[0]), int(132/mm[1])
	paint(t, in("along.tif"), lying)
	paint(t, in("across.tif"), standing)
	status, out, talk := user(t, "scanner", in("along.tif"), in("across.tif"))
	if status != 0 || !strings.Contains(out, `scans that say "Osmundvale Millrace 4" are recognised`) {
		t.Fatalf("status %d, said %q\n%s", status, talk, out)
	}
	s, err := openScanners(store)
	if err != nil || len(s.scanners) != 1 {
		t.Fatal(err, s)
	}
	for a, want := range mm {
		if got := s.scanners[0].MMPerPx[a]; math.Abs(got/want-1) > 5e-5 {
			t.Errorf("axis %d: %v mm a pixel, want %v", a, got, want)
		}
	}

	tray := phantom.RandomTray(12, phantom.Options{Wood: measure.Conifer, Cores: 1, LengthMM: 60, Plain: true, DPI: 600})
	tray.WidthPx, tray.HeightPx = int(float64(tray.WidthPx)*tray.MMPerPx[0]/mm[0]), int(float64(tray.HeightPx)*tray.MMPerPx[1]/mm[1])
	tray.MMPerPx, tray.TagDPI = mm, [2]float64{600, 600}
	paint(t, in("tray.tif"), tray)
	raised := *tray.Ruler
	raised.Raised = 0.012
	tray.Ruler = &raised
	paint(t, in("raised.tif"), tray)
	status, out, talk = user(t, "measure", in("tray.tif"), in("raised.tif"))
	if status != 0 {
		t.Fatalf("status %d, said %q", status, talk)
	}
	m := checkJSON(t, in("tray.json"))
	if got := m.Scale.MMPerPx; m.Scale.Source != measure.ScaleRuler || math.Abs(got[0]/mm[0]-1) > 1e-4 || math.Abs(got[1]/mm[1]-1) > 2e-4 {
		t.Errorf("scale %s %v, want %v", m.Scale.Source, got, mm)
	}
	if u := m.Scale.RelativeStandardUncertaintyXY; u[1] < u[0] || u[1] > 1.5*u[0] {
		t.Errorf("uncertainty %v", *u)
	}
	if !strings.Contains(read(t, in("tray.json")), "y from the ruler along x by the check of scanner Osmundvale Millrace 4") {
		t.Error("what the check was used for is not said")
	}
	for _, w := range m.Warnings {
		if strings.Contains(w, "scale in doubt") {
			t.Errorf("the tray warns: %s", w)
		}
	}
	m = checkJSON(t, in("raised.json"))
	if w := strings.Join(m.Warnings, "\n"); !strings.Contains(w, "scale in doubt: ruler and scanner: ") || !strings.Contains(out, "does the ruler lie flat, at the height of the wood?") {
		t.Errorf("the raised ruler: %s\n%s", w, out)
	}
}
