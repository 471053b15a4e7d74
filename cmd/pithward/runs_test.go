package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
)

func TestFolderOfScans(t *testing.T) {
	dir := t.TempDir()
	scans(t, dir, "good-1.tif", "good-2.PNG", "good-3 ä.jpeg", ".hidden.tif", "good-1.overlay.png", "notes.txt", "deeper/good-4.tif")
	if err := os.Mkdir(filepath.Join(dir, "folder.tif"), 0o777); err != nil {
		t.Fatal(err)
	}
	out := t.TempDir()
	more := scans(t, t.TempDir(), "good-9.tif")
	status, stdout, talk := call(t, "measure", more[0], "--folder", dir, "--out", out)
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	var got []string
	for _, line := range lines(stdout) {
		if scan, _, is := strings.Cut(line, ": 2 cores"); is {
			got = append(got, scan)
		}
	}
	want := []string{more[0], filepath.Join(dir, "good-1.tif"), filepath.Join(dir, "good-2.PNG"), filepath.Join(dir, "good-3 ä.jpeg")}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("measured (-want +got):\n%s", d)
	}

	for name, tt := range map[string]struct {
		args []string
		want string
	}{
		"no scan in it":  {[]string{"--folder", t.TempDir()}, "no scan is in it (a name that ends with .tif, .tiff, .png, .jpg, .jpeg)"},
		"no folder":      {[]string{"--folder", filepath.Join(dir, "none")}, "none: there is no such folder: check the name"},
		"a file":         {[]string{"--folder", more[0]}, more[0] + ": cannot be read: not a directory"},
		"one stem twice": {[]string{"--folder", dir, filepath.Join(dir, "deeper", "good-1.jpg"), "--out", out}, "would both write"},
		"watch and scan": {[]string{"--watch", dir, more[0]}, "--watch takes its scans from its folder"},
		"watch nothing":  {[]string{"--watch", filepath.Join(dir, "none")}, "none: there is no such folder: check the name"},
		"no time":        {[]string{"--watch", dir, "--every", "0s"}, "--every 0s: want a time above 0"},
	} {
		if status, _, talk := call(t, append([]string{"measure"}, tt.args...)...); status != 2 || !strings.Contains(talk, tt.want) {
			t.Errorf("%s: status %d, said %q", name, status, talk)
		}
	}
}

// A run that was ended goes on: what is measured already from the same things
// is skipped, untouched; whatever has changed is named, and measured anew only
// with --overwrite.
func TestResume(t *testing.T) {
	const rows = "scan,position,core\ngood-1,1,A\ngood-1,2,B\n"
	tests := []struct {
		name   string
		change func(t *testing.T, dir string)
		args   []string
		want   string // of the message; "": it is skipped
	}{
		{"nothing", func(*testing.T, string) {}, nil, ""},
		{"the time of the scan", func(t *testing.T, dir string) {
			if err := os.Chtimes(filepath.Join(dir, "good-1.tif"), time.Now(), time.Now()); err != nil {
				t.Fatal(err)
			}
		}, nil, ""},
		{"rows of other scans, and lines of the sheet", func(t *testing.T, dir string) {
			writeFile(t, filepath.Join(dir, "cores.csv"), "position;core;scan\n1;X;other\n2;B;good-1\n1;A;good-1\n")
		}, nil, ""},
		{"the scan", func(t *testing.T, dir string) { writeFile(t, filepath.Join(dir, "good-1.tif"), "another scan") }, nil, "but the scan has changed: give --overwrite"},
		{"a row", func(t *testing.T, dir string) {
			writeFile(t, filepath.Join(dir, "cores.csv"), strings.Replace(rows, "A", "C", 1))
		}, nil, "but the sheet's rows for it have changed"},
		{"the scale", func(*testing.T, string) {}, []string{"--dpi", "1200"}, "but made with other settings"},
		{"the unit", func(*testing.T, string) {}, []string{"--tucson-unit", "0.01"}, "but made with --tucson-unit 0.001"},
		{"strips", func(*testing.T, string) {}, []string{"--strips"}, "but made with another --strips"},
		{"the program", func(t *testing.T, dir string) {
			edit(t, filepath.Join(dir, "good-1.json"), `"version": "test"`, `"version": "older"`)
		}, nil, "but made by version older of this program"},
		{"its overlay gone", func(t *testing.T, dir string) { remove(t, filepath.Join(dir, "good-1.overlay.png")) }, nil, "good-1.overlay.png is not among them"},
		{"its JSON gone", func(t *testing.T, dir string) { remove(t, filepath.Join(dir, "good-1.json")) }, nil, "good-1.json is not among them"},
		{"its JSON spoilt", func(t *testing.T, dir string) { writeFile(t, filepath.Join(dir, "good-1.json"), "{") }, nil, "good-1.json cannot be read"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			all := scans(t, dir, "good-1.tif", "good-2.tif")
			sheet := writeFile(t, filepath.Join(dir, "cores.csv"), rows)
			if status, _, talk := call(t, "measure", all[0], "--sheet", sheet); status != 0 {
				t.Fatal(talk)
			}
			tt.change(t, dir)
			before := snapshot(t, dir, "good-1.")
			args := append([]string{"measure", "--folder", dir, "--resume", "--sheet", sheet}, tt.args...)
			status, stdout, talk := call(t, args...)
			if !strings.Contains(stdout, all[1]+": 2 cores") {
				t.Errorf("the other scan is not measured:\n%s", stdout)
			}
			if d := cmp.Diff(before, snapshot(t, dir, "good-1.")); d != "" {
				t.Errorf("files changed:\n%s", d)
			}
			if tt.want == "" {
				want := fmt.Sprintf("pithward: %s: skipped: measured already, and nothing has changed\npithward: 1 of 2 scans skipped\n", all[0])
				if status != 0 || talk != want {
					t.Errorf("status %d, said %q, want %q", status, talk, want)
				}
				return
			}
			if status != 1 || !strings.Contains(talk, tt.want) || !strings.Contains(talk, all[0]) {
				t.Errorf("status %d, said %q, want %q", status, talk, tt.want)
			}
			status, stdout, _ = call(t, append(args, "--overwrite")...)
			if status != 0 || !strings.Contains(stdout, all[0]+": 2 cores") || strings.Contains(stdout, all[1]+": 2 cores") {
				t.Errorf("with --overwrite: status %d\n%s", status, stdout)
			}
			checkJSON(t, filepath.Join(dir, "good-1.json"))
		})
	}
}

// A scan without cores has failed, and so it has when it is skipped.
func TestResumeWithoutCores(t *testing.T) {
	scan := scans(t, t.TempDir(), "none.tif")[0]
	call(t, "measure", scan)
	status, _, talk := call(t, "measure", scan, "--resume")
	if status != 1 || !strings.Contains(talk, scan+": skipped") || !strings.Contains(talk, scan+": no core was found") {
		t.Errorf("status %d, said %q", status, talk)
	}
}

// A folder of many trays, ended midway by Ctrl-C, goes on where it stopped.
func TestResumeMany(t *testing.T) {
	if testing.Short() {
		t.Skip("measures 200 scans")
	}
	dir := t.TempDir()
	var names []string
	for i := range 200 {
		names = append(names, fmt.Sprintf("good-%03d.tif", i))
	}
	all := scans(t, dir, names...)
	out := filepath.Join(dir, "results")
	done := func() (n int) {
		found, err := filepath.Glob(filepath.Join(out, "*"+jsonEnd))
		if err != nil {
			t.Fatal(err)
		}
		return len(found)
	}
	cmd, _, _ := program(t, "measure", "--folder", dir, "--out", out)
	eventually(t, "some results", func() bool { return done() >= 30 })
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // with status 1, see TestInterrupt
	n := done()
	if n == len(all) {
		t.Fatal("all were measured before it was ended")
	}
	// The program of its own has another version than calls in this process.
	cmd, _, talk := program(t, "measure", "--folder", dir, "--out", out, "--resume")
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, talk)
	}
	if want := fmt.Sprintf("pithward: %d of 200 scans skipped\n", n); done() != len(all) || !strings.HasSuffix(talk.String(), want) {
		t.Errorf("%d results; said %.300s, want %q at its end", done(), talk, want)
	}
}

// snapshot returns the contents of the files whose names begin so.
func snapshot(t *testing.T, dir, begin string) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, f := range files(t, dir) {
		if strings.HasPrefix(f, begin) {
			all[f] = read(t, filepath.Join(dir, f))
		}
	}
	return all
}

func edit(t *testing.T, path, old, now string) {
	t.Helper()
	text := read(t, path)
	if !strings.Contains(text, old) {
		t.Fatalf("%s: no %q", path, old)
	}
	writeFile(t, path, strings.Replace(text, old, now, 1))
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}

// Killed at any moment, the program leaves no JSON without the files it goes
// with; going on brings every result and leaves nothing hidden.
func TestKilledAtAnyMoment(t *testing.T) {
	if testing.Short() {
		t.Skip("kills the program some twenty times")
	}
	dir := t.TempDir()
	all := scans(t, dir, "good-1.tif", "good-2.tif", "good-3.tif", "good-4.tif")
	random := rand.New(rand.NewPCG(3, 1))
	for range 20 {
		cmd, _, _ := program(t, append([]string{"measure", "--overwrite", "--jobs", "2"}, all...)...)
		time.Sleep(time.Duration(random.IntN(120)) * time.Millisecond)
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed, or ended before
		for _, scan := range all {
			checkWhole(t, dir, measure.Stem(scan))
		}
	}
	if status, _, talk := call(t, append([]string{"measure", "--resume", "--overwrite"}, all...)...); status != 0 {
		t.Fatal(talk)
	}
	for _, scan := range all {
		if !checkWhole(t, dir, measure.Stem(scan)) {
			t.Errorf("%s has no result", scan)
		}
	}
	for _, f := range files(t, dir) {
		if strings.HasPrefix(f, ".") {
			t.Errorf("%s was left", f)
		}
	}
}

// checkWhole checks that a JSON, if there is one, is whole and beside all its
// files, and tells whether there is one.
func checkWhole(t *testing.T, dir, stem string) bool {
	t.Helper()
	path := filepath.Join(dir, stem+jsonEnd)
	if _, err := os.Stat(path); err != nil {
		return false
	}
	checkJSON(t, path)
	for _, end := range []string{tableEnd, undatedEnd, overlayEnd} {
		if text := read(t, filepath.Join(dir, stem+end)); text == "" {
			t.Errorf("%s%s is empty", stem, end)
		}
	}
	return true
}

// Killed while it puts results in place, the program leaves a stage that the
// next run finishes.
func TestKilledWhilePuttingInPlace(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "good.tif")[0]
	if status, _, talk := call(t, "measure", scan, "--strips"); status != 0 {
		t.Fatal(talk)
	}
	want := files(t, dir)
	// As if the table alone had been moved, over an earlier result with years.
	stage := filepath.Join(dir, ".pithward-7")
	if err := os.Mkdir(stage, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, end := range []string{undatedEnd, overlayEnd, stripsEnd, jsonEnd} {
		if err := os.Rename(filepath.Join(dir, "good"+end), filepath.Join(stage, "good"+end)); err != nil {
			t.Fatal(err)
		}
	}
	writeFile(t, filepath.Join(dir, "good.rwl"), "of an earlier run")
	text, err := json.Marshal(mark{"good", []string{overlayEnd, stripsEnd, tableEnd, undatedEnd, jsonEnd}})
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(stage, commitMark), string(text))
	status, _, talk := call(t, "measure", scan, "--strips", "--resume")
	if status != 0 || !strings.Contains(talk, "skipped") {
		t.Errorf("status %d, said %q", status, talk)
	}
	if d := cmp.Diff(want, files(t, dir)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
}

// smallDisk mounts a file system of 96 KB and returns its folder.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := exec.Command("mount", "-t", "tmpfs", "-o", "size=96k", "tmpfs", dir).Run(); err != nil {
		t.Skipf("no small file system can be mounted here: %v", err)
	}
	t.Cleanup(func() {
		if err := exec.Command("umount", dir).Run(); err != nil {
			t.Errorf("%s is still mounted: %v", dir, err)
		}
	})
	return dir
}

// A card or share that is read-only is said before anything is measured.
func TestReadOnlyDisk(t *testing.T) {
	dir := smallDisk(t)
	scan := scans(t, dir, "good.tif")[0]
	if err := exec.Command("mount", "-o", "remount,ro", dir).Run(); err != nil {
		t.Skipf("%s cannot be made read-only: %v", dir, err)
	}
	status, out, talk := call(t, "measure", scan)
	if want := dir + ": no results can be written there: read-only file system: give another folder with --out"; status != 2 || out != "" || !strings.Contains(talk, want) {
		t.Errorf("status %d, said %q", status, talk)
	}
	if status, _, talk := call(t, "measure", scan, "--out", t.TempDir()); status != 0 {
		t.Errorf("with --out: status %d, said %q", status, talk)
	}
}

// The real worker finds the disk full while it draws.
func TestFullDiskByTheWorker(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a whole tray")
	}
	scan, _ := tray(t, t.TempDir())
	dir := smallDisk(t)
	status, out, talk := user(t, "measure", scan, "--out", dir)
	want := fmt.Sprintf("pithward: %s: %s: the disk is full, so its results are not written: free some space, or give another folder with --out; --resume then goes on from here\n", scan, dir)
	if status != 1 || out != "" || talk != want || len(files(t, dir)) > 0 {
		t.Errorf("status %d, said %q, files %q", status, talk, files(t, dir))
	}
}

// A full disk is said once for all scans, and leaves nothing in part.
func TestFullDisk(t *testing.T) {
	dir := smallDisk(t)
	var names []string
	for i := range 9 {
		names = append(names, fmt.Sprintf("good-%d.tif", i))
	}
	all := scans(t, t.TempDir(), names...)
	status, stdout, talk := call(t, append([]string{"measure", "--jobs", "1", "--out", dir}, all...)...)
	said := lines(talk)
	n := strings.Count(stdout, ": 2 cores") // these found room
	if status != 1 || n == 0 || n > 7 || len(said) != 3 {
		t.Fatalf("status %d, %d measured, said:\n%s", status, n, talk)
	}
	want := []string{
		fmt.Sprintf("pithward: %s: %s: the disk is full, so its results are not written: free some space, or give another folder with --out; --resume then goes on from here", all[n], dir),
		"pithward: not measured, as the disk is full: " + strings.Join(all[n+1:], ", "),
		fmt.Sprintf("pithward: %d of 9 scans failed", 9-n),
	}
	if d := cmp.Diff(want, said); d != "" {
		t.Errorf("said (-want +got):\n%s", d)
	}
	for i, scan := range all {
		if checkWhole(t, dir, measure.Stem(scan)) != (i < n) {
			t.Errorf("%s: whether it has a result", scan)
		}
	}
	for _, f := range files(t, dir) {
		if strings.HasPrefix(f, ".") || strings.HasPrefix(f, measure.Stem(all[n])) {
			t.Errorf("%s was left", f)
		}
	}
}

// spoken is a buffer that may be read while it is written to.
type spoken struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *spoken) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *spoken) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// A watched folder's scans are measured once they have stopped growing, with
// the results of a plain run; what cannot be measured is said once.
func TestWatch(t *testing.T) {
	dir := t.TempDir()
	scans(t, dir, "good-1.tif", "good-2.tif")
	if status, _, talk := call(t, "measure", filepath.Join(dir, "good-2.tif")); status != 0 {
		t.Fatal(talk)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var out, talk spoken
	d := deps{version: "test", out: &out, talk: &talk, worker: workertest.Use(t), processors: 2, memory: func() int64 { return 0 }}
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"), "scan,position,core\ngood-9,1,Z\n")
	ended := make(chan int)
	go func() { ended <- run(ctx, []string{"measure", "--watch", dir, "--every", "20ms", "--sheet", sheet}, d) }()
	eventually(t, "the scans that were there", func() bool {
		return strings.Contains(out.String(), "good-1.tif: 2 cores") && strings.Contains(talk.String(), "good-2.tif: skipped")
	})

	// A scan that grows for a while, with its rows added to the sheet.
	writeFile(t, sheet, "scan,position,core\ngood-3,1,A\ngood-3,2,B\n")
	grow, err := os.Create(filepath.Join(dir, "good-3.tif"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 60 {
		if _, err := grow.WriteString("more of it\n"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
		if i == 50 && strings.Contains(out.String(), "good-3.tif") {
			t.Error("measured while it grew")
		}
	}
	if err := grow.Close(); err != nil {
		t.Fatal(err)
	}
	scans(t, dir, "refused.tif", "good-1.png")
	eventually(t, "those that arrived", func() bool {
		return strings.Contains(out.String(), "good-3.tif: 2 cores") && strings.Contains(talk.String(), "refused.tif: cannot be read") && strings.Contains(talk.String(), "good-1.png: not measured:")
	})
	time.Sleep(100 * time.Millisecond) // some more looks
	cancel()
	if status := <-ended; status != 1 {
		t.Errorf("status %d, want 1: a scan was refused", status)
	}
	for _, once := range []string{"refused.tif: cannot", "good-1.png: not measured"} {
		if strings.Count(talk.String(), once) != 1 {
			t.Errorf("%q not said once:\n%s", once, talk.String())
		}
	}
	if m := checkJSON(t, filepath.Join(dir, "good-3.json")); m.Cores[0].ID != "A" {
		t.Errorf("id %s: the sheet's new rows are not used", m.Cores[0].ID)
	}
	plain := t.TempDir()
	if status, _, talk := call(t, "measure", filepath.Join(dir, "good-3.tif"), "--sheet", sheet, "--out", plain); status != 0 {
		t.Fatal(talk)
	}
	if d := cmp.Diff(snapshot(t, plain, "good-3."), without3tif(snapshot(t, dir, "good-3."))); d != "" {
		t.Errorf("not as a plain run (-plain +watched):\n%s", d)
	}
}

func without3tif(all map[string]string) map[string]string {
	delete(all, "good-3.tif")
	return all
}

// Ctrl-C is the ordinary end of watching.
func TestWatchEnds(t *testing.T) {
	dir := t.TempDir()
	cmd, _, talk := program(t, "measure", "--watch", dir, "--every", "20ms")
	scans(t, dir, "good.tif")
	eventually(t, "the scan to be measured", func() bool { _, err := os.Stat(filepath.Join(dir, "good.json")); return err == nil })
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := cmd.Wait(); errors.As(err, &exit) {
		t.Errorf("status %d, said %s", exit.ExitCode(), talk)
	}
	want := []string{"good.csv", "good.json", "good.overlay.png", "good.tif", "good.undated.rwl"}
	if got := files(t, dir); !slices.Equal(got, want) {
		t.Errorf("files %q", got)
	}
}
