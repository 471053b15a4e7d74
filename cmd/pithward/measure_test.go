package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/schema"
)

const sheetText = "scan,position,core,status,sampled,hemisphere\n" +
	"good.tif,1,LK01A,living,2021-11-20,N\n" +
	"good.tif,2,LK02A,,,\n"

func writeFile(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestMeasureWritesEveryFile(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"), sheetText)
	out := filepath.Join(dir, "results", "new")
	status, stdout, talk := call(t, "measure", scan, "--sheet", sheet, "--out", out, "--strips")
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	want := []string{"good.csv", "good.json", "good.overlay.png", "good.rwl", "good.strips", "good.undated.rwl"}
	if d := cmp.Diff(want, files(t, out)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	f := func(name string) string { return filepath.Join(out, name) }
	wantOut := scan + ": 2 cores, 0.02000 mm a pixel as given (standard uncertainty 0.10 %)\n" +
		"  core   rings      years  mean mm  expected  doubtful  warnings\n" +
		"  LK01A      4  2018–2021    1.250       4.2         1         0\n" +
		"  LK02A      4    undated    1.250       4.2         1         0\n" +
		"  " + strings.Join([]string{f("good.csv"), f("good.rwl"), f("good.undated.rwl"), f("good.overlay.png"), f("good.strips"), f("good.json")}, "\n  ") + "\n"
	if d := cmp.Diff(wantOut, stdout); d != "" {
		t.Errorf("summary (-want +got):\n%s", d)
	}
	// Widths: 50, 70, 50 and 80 px of 0.02 mm from the bark; the files run from
	// the pith. Layout: NOAA/WDS, "Format for tree ring data files".
	if d := cmp.Diff("LK01A   2018  1600  1000\nLK01A   2020  1400  1000 -9999\n", read(t, f("good.rwl"))); d != "" {
		t.Errorf("dated (-want +got):\n%s", d)
	}
	if d := cmp.Diff("LK02A      1  1600  1000  1400  1000 -9999\n", read(t, f("good.undated.rwl"))); d != "" {
		t.Errorf("undated (-want +got):\n%s", d)
	}
	if got := lines(read(t, f("good.csv"))); len(got) != 9 || got[1] != "LK01A,1,2021,0.0000,1.0000,1.0000,0.0142,0.970," {
		t.Errorf("table:\n%s", strings.Join(got, "\n"))
	}
	checkJSON(t, f("good.json"))
}

// checkJSON holds a measurement to the schema and to the rules a schema cannot
// say, and returns it.
func checkJSON(t *testing.T, path string) measure.Measurement {
	t.Helper()
	text := read(t, path)
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	sch, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema.Measurement))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("m.json", sch); err != nil {
		t.Fatal(err)
	}
	if err := c.MustCompile("m.json").Validate(doc); err != nil {
		t.Errorf("%s: %v", path, err)
	}
	m, err := measure.Decode(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := measure.Validate(m); err != nil {
		t.Errorf("%s: %v", path, err)
	}
	return m
}

func TestTucsonUnit(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	if status, _, talk := call(t, "measure", scan, "--tucson-unit", "0.01"); status != 0 {
		t.Fatal(talk)
	}
	got, err := archive.ReadTucson("good.undated.rwl", []byte(read(t, filepath.Join(dir, "good.undated.rwl"))))
	if err != nil {
		t.Fatal(err)
	}
	if s := got.Series[0]; s.Unit != archive.Hundredths || s.ID != "good-1" || !slices.Equal(s.Widths, []archive.Width{1.6, 1, 1.4, 1}) {
		t.Errorf("read back: %+v", s)
	}
}

func TestIDsThatDoNotFitAreSaid(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good-with-a-long-name.tif")[0]
	status, stdout, _ := call(t, "measure", scan)
	if status != 0 {
		t.Fatal(stdout)
	}
	m := checkJSON(t, filepath.Join(dir, "good-with-a-long-name.json"))
	if m.Cores[0].ID != "good-with-a-long-name-1" || len(m.Warnings) != 1 || !strings.Contains(m.Warnings[0], "good-with-a-long-name-1 as ") || !strings.Contains(stdout, m.Warnings[0]) {
		t.Errorf("id %s, warnings %q, said:\n%s", m.Cores[0].ID, m.Warnings, stdout)
	}
	for _, line := range lines(read(t, filepath.Join(dir, "good-with-a-long-name.undated.rwl"))) {
		if !strings.Contains(m.Warnings[0], strings.TrimSpace(line[:8])) {
			t.Errorf("%q holds an id that no warning names", line)
		}
	}
}

func TestWithoutScale(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "unscaled.tif")[0]
	status, stdout, talk := call(t, "measure", scan)
	if status != 0 {
		t.Fatal(talk)
	}
	if d := cmp.Diff([]string{"unscaled.csv", "unscaled.json", "unscaled.overlay.png", "unscaled.tif"}, files(t, dir)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	if !strings.Contains(stdout, "no scale (lengths in px)") || !strings.HasPrefix(read(t, filepath.Join(dir, "unscaled.csv")), "core,ring,year,from_px,") {
		t.Errorf("said:\n%s", stdout)
	}
	checkJSON(t, filepath.Join(dir, "unscaled.json"))
}

func TestNoCoreFound(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "none.tif")[0]
	status, stdout, talk := call(t, "measure", scan)
	if status != 1 || !strings.Contains(talk, scan+": no core was found") {
		t.Errorf("status %d, said %q", status, talk)
	}
	if d := cmp.Diff([]string{"none.csv", "none.json", "none.overlay.png", "none.tif"}, files(t, dir)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	if !strings.Contains(read(t, filepath.Join(dir, "none.json")), `"cores": []`) || !strings.Contains(stdout, "none.json") {
		t.Errorf("no empty list of cores, or its file not named:\n%s", stdout)
	}
	checkJSON(t, filepath.Join(dir, "none.json"))
}

// One bad scan fails alone, whatever is wrong with it.
func TestOneBadScanFailsAlone(t *testing.T) {
	tests := []struct {
		name, want string
		make       func(t *testing.T, path string)
	}{
		{"absent.tif", "there is no such file: check the name", func(*testing.T, string) {}},
		{"nowhere/absent.tif", "there is no such file: check the name", func(*testing.T, string) {}},
		{"file/absent.tif", "there is no such file: check the name", func(t *testing.T, p string) { writeFile(t, filepath.Dir(p), "no folder") }},
		{"circle/absent.tif", "cannot be read: too many levels of symbolic links", func(t *testing.T, p string) {
			if err := os.Symlink(filepath.Dir(p), filepath.Dir(p)); err != nil {
				t.Fatal(err)
			}
		}},
		{"l\xe4ngs.tif", "its name is not UTF-8: rename it", nil},
		{"folder.tif", "is a folder, not a scan: name the image files in it", func(t *testing.T, p string) {
			if err := os.Mkdir(p, 0o777); err != nil {
				t.Fatal(err)
			}
		}},
		{"loop.tif", "cannot be read: too many levels of symbolic links", func(t *testing.T, p string) {
			if err := os.Symlink(p, p); err != nil {
				t.Fatal(err)
			}
		}},
		{"refused.tif", "cannot be read: save it as TIFF", nil},
		{"abort.tif", "the worker died (abort)", nil},
		{"segfault.tif", "the worker died (segmentation fault)", nil},
		{"hang.tif", "not measured within 3s", nil},
		{"garbage.tif", "the worker said something that is no answer", nil},
		{"silent.tif", "the worker ended without a result", nil},
		{"contradiction.tif", "the worker's result contradicts itself; report it with the scan: core 1", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			good := scans(t, dir, "good-1.tif", "good-2.tif")
			bad := filepath.Join(dir, tt.name)
			if tt.make != nil {
				tt.make(t, bad)
			} else {
				scans(t, dir, tt.name)
			}
			status, stdout, talk := call(t, "measure", good[0], bad, good[1], "--time-limit", "3s")
			said := lines(talk)
			if status != 1 || len(said) != 2 || !strings.HasPrefix(said[0], fmt.Sprintf("pithward: %s: %s", bad, tt.want)) || said[1] != "pithward: 1 of 3 scans failed" {
				t.Errorf("status %d, said:\n%s", status, talk)
			}
			for _, g := range good {
				checkJSON(t, strings.TrimSuffix(g, ".tif")+".json")
				if !strings.Contains(stdout, g+": 2 cores") {
					t.Errorf("nothing said of %s:\n%s", g, stdout)
				}
			}
			for _, f := range files(t, dir) {
				if strings.HasPrefix(f, ".") || f != tt.name && strings.HasPrefix(f, measure.Stem(tt.name)+".") {
					t.Errorf("%s was left", f)
				}
			}
		})
	}
}

func TestWrongCalls(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	twin := scans(t, dir, "good.png")[0]
	nested := scans(t, dir, "good.undated.tif")[0]
	other := scans(t, dir, "b/good.tif")[0]
	picture := scans(t, dir, "good.overlay.png")[0]
	file := scans(t, dir, "afile")[0]
	sheet := func(text string) string { return writeFile(t, filepath.Join(dir, "s.csv"), text) }
	old := filepath.Join(dir, "l\xe4ngs")
	latin := writeFile(t, filepath.Join(dir, "latin.csv"), "scan,position,note\ngood,1,K\xe4fer\n")
	tests := []struct {
		name string
		args []string
		want string
	}{
		{"no scan", []string{}, "name at least one SCAN"},
		{"an unknown flag", []string{scan, "--fast"}, "unknown flag: --fast"},
		{"a scale of 0", []string{scan, "--mm-per-px", "0"}, "--mm-per-px 0: want 0.0001 to 1 mm a pixel"},
		{"a negative scale", []string{scan, "--dpi", "-1200"}, "--dpi -1200: want 25.4 to 254000 pixels an inch"},
		{"no dots at all", []string{scan, "--dpi", "0"}, "--dpi 0: want 25.4 to 254000 pixels an inch"},
		{"a scale that is no number", []string{scan, "--mm-per-px", "NaN"}, "--mm-per-px NaN"},
		{"two scales", []string{scan, "--mm-per-px", "0.02", "--dpi", "1200"}, "--mm-per-px and --dpi both give the scale: leave one out"},
		{"an unknown wood", []string{scan, "--wood", "bamboo"}, "--wood bamboo: want one of auto, conifer, ring-porous, diffuse-porous"},
		{"an unknown end", []string{scan, "--bark", "up"}, "--bark up: want one of auto, left, right, top, bottom"},
		{"no jobs", []string{scan, "--jobs", "0"}, "--jobs 0: want at least 1"},
		{"a unit of the decadal format that is none", []string{scan, "--tucson-unit", "0.1"}, "--tucson-unit 0.1: want 0.001 or 0.01"},
		{"no time", []string{scan, "--time-limit", "0s"}, "--time-limit 0s: want a time above 0"},
		{"a season turned round", []string{scan, "--season-north", "9-4"}, "northern growing season"},
		{"a season in words", []string{scan, "--season-south", "spring"}, "--season-south spring: want two months as numbers"},
		{"two scans of one stem", []string{scan, twin}, scan + " and " + twin + " would both write " + filepath.Join(dir, "good.csv")},
		{"two scans of one stem in one --out", []string{scan, other, "--out", dir}, scan + " and " + other + " would both write"},
		{"one scan twice", []string{scan, scan}, scan + " and " + scan + " would both write"},
		{"stems that meet in one file", []string{scan, nested}, scan + " and " + nested + " would both write " + filepath.Join(dir, "good.undated.rwl")},
		{"a result as a scan", []string{scan, picture}, picture + " is a result of " + scan},
		{"an --out that is a file", []string{scan, "--out", file}, "--out " + file + ": cannot be made: not a directory"},
		{"an --out in Latin-1", []string{scan, "--out", old}, old + ": no results can be written there: its name is not UTF-8: give another folder with --out"},
		{"a sheet that is not there", []string{scan, "--sheet", filepath.Join(dir, "no.csv")}, "cannot be read: no such file"},
		{"a sheet that is a folder", []string{scan, "--sheet", dir}, "--sheet " + dir + ": is a folder, not a CSV file"},
		{"a sheet without position", []string{scan, "--sheet", sheet("scan,core\n")}, `no column "position"`},
		{"a sheet in Latin-1", []string{scan, "--sheet", latin}, "line 2 is not UTF-8"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, stdout, talk := call(t, append([]string{"measure"}, tt.args...)...)
			if status != 2 || stdout != "" || !strings.Contains(talk, tt.want) || !strings.HasSuffix(talk, "help: pithward measure --help\n") {
				t.Errorf("status %d, out %q, said:\n%s\nwant %q", status, stdout, talk, tt.want)
			}
			if _, err := os.Stat(filepath.Join(dir, "good.json")); err == nil {
				t.Error("measured all the same")
			}
		})
	}
}

// A folder that may not be written to is one message about the call, before
// anything is measured, and nothing is made.
func TestUnwritableFolder(t *testing.T) {
	dir := openFolder(t)
	shut := filepath.Join(dir, "shut")
	if err := os.Mkdir(shut, 0o777); err != nil {
		t.Fatal(err)
	}
	own, others := scans(t, shut, "own.tif")[0], scans(t, dir, "good.tif")[0]
	if err := errors.Join(os.Chmod(shut, 0o555), os.Chmod(own, 0o644), os.Chmod(others, 0o644)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(shut, 0o777) })
	for _, tt := range []struct {
		name string
		args []string
		says string
	}{
		{"the scan's own", []string{"measure", own}, shut + ": no results can be written there: permission denied: give another folder with --out"},
		{"--out", []string{"measure", others, "--out", shut}, shut + ": no results can be written there: permission denied"},
		{"a new one in it", []string{"measure", others, "--out", filepath.Join(shut, "new")}, "--out " + filepath.Join(shut, "new") + ": cannot be made: permission denied"},
		{"for a project", []string{"measure", others, "--project", filepath.Join(shut, "new.pithward")}, filepath.Join(shut, "new.pithward")},
		{"watched", []string{"measure", "--watch", shut}, shut + ": no results can be written there: permission denied"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, talk := asNobody(t, dir, tt.args...)
			if status != 2 || !strings.HasPrefix(talk, "pithward: ") || !strings.Contains(talk, tt.says) || strings.Count(talk, "\npithward: ") > 0 {
				t.Errorf("status %d, said %q", status, talk)
			}
		})
	}
	if got := append(files(t, dir), files(t, shut)...); !slices.Equal(got, []string{"good.tif", "shut", "own.tif"}) {
		t.Errorf("files %q", got)
	}
}

// openFolder is a folder that anybody may write to, whoever runs the tests.
func openFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "pithward-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	return dir
}

// asNobody runs the built program in a folder as a user whom permissions bind:
// root, whom they do not, becomes nobody.
func asNobody(t *testing.T, dir string, args ...string) (status int, talk string) {
	t.Helper()
	const nobody = 65534
	cmd := exec.Command(built(t), args...)
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	cmd.Dir = dir
	said, err := cmd.CombinedOutput()
	if errors.Is(err, os.ErrPermission) {
		t.Skip("nobody may not run the program here")
	}
	return cmd.ProcessState.ExitCode(), string(said)
}

func TestResultsThere(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"), sheetText)
	if status, _, talk := call(t, "measure", scan, "--sheet", sheet, "--strips"); status != 0 {
		t.Fatal(talk)
	}
	before := read(t, filepath.Join(dir, "good.json"))
	status, _, talk := call(t, "measure", scan)
	if status != 1 || !strings.Contains(talk, scan+": "+filepath.Join(dir, "good.csv")+" is there already: give --overwrite") {
		t.Errorf("status %d, said %q", status, talk)
	}
	if read(t, filepath.Join(dir, "good.json")) != before {
		t.Error("written over")
	}

	// Measured anew without sheet: no core is dated, and what is no longer
	// made does not stay behind.
	if status, _, talk := call(t, "measure", scan, "--overwrite"); status != 0 {
		t.Fatal(talk)
	}
	want := []string{"cores.csv", "good.csv", "good.json", "good.overlay.png", "good.tif", "good.undated.rwl"}
	if d := cmp.Diff(want, files(t, dir)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}

	// A failure leaves the earlier results alone.
	before = read(t, filepath.Join(dir, "good.json"))
	bad := filepath.Join(dir, "abort.tif")
	if err := errors.Join(os.Rename(scan, bad), os.Rename(filepath.Join(dir, "good.json"), filepath.Join(dir, "abort.json"))); err != nil {
		t.Fatal(err)
	}
	if status, _, _ := call(t, "measure", bad, "--overwrite"); status != 1 || read(t, filepath.Join(dir, "abort.json")) != before {
		t.Errorf("status %d, or earlier results gone", status)
	}
}

// The same input gives the same bytes, in the same order, whatever --jobs.
func TestJobsChangeNothing(t *testing.T) {
	var outs []string
	for _, jobs := range []string{"1", "4"} {
		dir := t.TempDir()
		all := scans(t, dir, "good-1.tif", "abort-2.tif", "good-3.tif", "none-4.tif", "good-5.tif")
		_, stdout, talk := call(t, append([]string{"measure", "--jobs", jobs}, all...)...)
		text := stdout + talk
		for _, f := range files(t, dir) {
			if !strings.HasPrefix(f, ".") {
				text += f + ":\n" + read(t, filepath.Join(dir, f))
			}
		}
		outs = append(outs, strings.ReplaceAll(text, dir, "DIR"))
	}
	if d := cmp.Diff(outs[0], outs[1]); d != "" {
		t.Errorf("--jobs 1 and 4 differ:\n%s", d)
	}
}

func TestSheetWarnings(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"), "scan,position,core,bark\ngood,1,A,perhaps\ngood,2,B,no\n,3,C,\n")
	status, stdout, talk := call(t, "measure", scan, "--sheet", sheet)
	if status != 0 {
		t.Fatal(talk)
	}
	want := "pithward: warning: cores.csv line 2: bark \"perhaps\" ignored: want yes, no\n" +
		"pithward: warning: cores.csv line 4: row left out: no scan\n"
	if d := cmp.Diff(want, talk); d != "" {
		t.Errorf("said (-want +got):\n%s", d)
	}
	if !strings.Contains(stdout, "  B: the sheet says no bark, but the picture shows it\n") {
		t.Errorf("summary:\n%s", stdout)
	}
	m := checkJSON(t, filepath.Join(dir, "good.json"))
	if d := cmp.Diff([]string{"cores.csv line 2: bark \"perhaps\" ignored: want yes, no"}, m.Warnings); d != "" {
		t.Errorf("warnings (-want +got):\n%s", d)
	}

	other := writeFile(t, filepath.Join(dir, "other.csv"), "scan,position\nelsewhere,1\n")
	if _, stdout, _ := call(t, "measure", scan, "--overwrite", "--sheet", other); !strings.Contains(stdout, `other.csv has no row for this scan: write "good.tif" into its column scan`) {
		t.Errorf("summary:\n%s", stdout)
	}
}

func TestNamesWithBlanksAndBrackets(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "Käfertal [1] scans")
	scan := scans(t, dir, "good-tray [2] ä.tif")[0]
	if status, _, talk := call(t, "measure", scan, "--strips"); status != 0 {
		t.Fatal(talk)
	}
	checkJSON(t, filepath.Join(dir, "good-tray [2] ä.json"))
}

// A scan whose pictures fail after it was measured has no results, and is told of
// as absent where it holds parts of a core; nothing is left of it.
func TestUndrawn(t *testing.T) {
	for _, parts := range []bool{false, true} {
		dir := t.TempDir()
		paths := scans(t, dir, "undrawn.tif", "good.tif")
		args := []string{"measure", paths[0], paths[1]}
		if parts {
			args = append(args, "--sheet", writeFile(t, filepath.Join(dir, "cores.csv"),
				"scan,position,core,part\ngood.tif,1,LK01A,1\ngood.tif,2,LK02A,\nundrawn.tif,1,LK01A,2\nundrawn.tif,2,LK03A,\n"))
		}
		status, _, talk := call(t, args...)
		if status != exitFailed || !strings.Contains(talk, "undrawn.tif: the overlay cannot be written: check the room on the disk") {
			t.Errorf("parts %v: status %d, said %q", parts, status, talk)
		}
		if text := read(t, filepath.Join(dir, "good.json")); parts != strings.Contains(text, "undrawn.tif") {
			t.Errorf("parts %v: in the other scan's measurement:\n%.400s", parts, text[max(0, strings.LastIndex(text, `"warnings"`)):])
		}
		for _, f := range files(t, dir) {
			if f != "undrawn.tif" && (strings.HasPrefix(f, "undrawn") || strings.HasPrefix(f, ".pithward")) {
				t.Errorf("parts %v: %s is left", parts, f)
			}
		}
	}
}
