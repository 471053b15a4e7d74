package worker

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pithward/cmd/pithward/worker/workertest"
	"pithward/measure"
)

func TestMain(m *testing.M) {
	workertest.RunIfAsked()
	os.Exit(m.Run())
}

func TestMeasure(t *testing.T) {
	w := Worker{Path: workertest.Use(t), TimeLimit: time.Minute}
	dir := t.TempDir()
	job := measure.Job{Scan: filepath.Join(dir, "good.tif"), Overlay: filepath.Join(dir, "o.png"), Version: "v1",
		Settings: measure.Settings{Season: measure.DefaultSeason()}}
	if err := os.WriteFile(job.Scan, []byte("abc"), 0o666); err != nil {
		t.Fatal(err)
	}
	want := workertest.Measurement(job)
	want.Scan.SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" // FIPS 180-4, the example for "abc"
	want.Cores[0].UID, want.Cores[1].UID = "ba7816bf8f01cfea-1", "ba7816bf8f01cfea-2"
	var stages []string
	got, err := w.Measure(t.Context(), job, func(m measure.Message) { stages = append(stages, m.Stage) })
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("measurement (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]string{"reading cores"}, stages); d != "" {
		t.Errorf("progress (-want +got):\n%s", d)
	}
}

// Whatever a worker does, its scan fails with one plain line that says what to
// do, and the worker is gone.
func TestMishaps(t *testing.T) {
	path := workertest.Use(t)
	tests := []struct{ scan, want string }{
		{"abort.tif", "the worker died (abort); its last words: (-215:Assertion failed) 0 <= roi.x in function 'Mat'; " + remedy},
		{"segfault.tif", "the worker died (segmentation fault); " + remedy},
		{"killed.tif", "the worker was killed, perhaps for want of memory: close other programs, or give --jobs 1; " + remedy},
		{"status.tif", "the worker ended with status 2; its last words: panic: index out of range; " + remedy},
		{"midway.tif", "the worker died (aborted); " + remedy},
		{"late.tif", "the worker died (segmentation fault); " + remedy},
		{"garbage.tif", "the worker said something that is no answer ([31mhello [0m, I am a printer): are pithward-scan and pithward of one version?"},
		{"torrent.tif", "the worker's answer is larger than 1 MiB: is this a scan of cores?"},
		{"endless.tif", "the worker's answer is larger than 1 MiB: is this a scan of cores?"},
		{"silent.tif", "the worker ended without a result: " + remedy},
		{"undrawn.tif", "the overlay cannot be written: check the room on the disk"},
		{"refused.tif", "refused.tif: cannot be read: save it as TIFF"},
		{"hang.tif", "not measured within 1s, so its worker was ended: raise --time-limit, or look whether the scan is what it should be: time limit passed"},
	}
	for _, tt := range tests {
		t.Run(tt.scan, func(t *testing.T) {
			limit := time.Minute
			if tt.scan == "hang.tif" {
				limit = time.Second
			}
			w := Worker{Path: path, TimeLimit: limit, Limit: 1 << 20}
			scan := filepath.Join(t.TempDir(), tt.scan)
			_, err := w.Measure(t.Context(), measure.Job{Scan: scan}, nil)
			if err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
			if tt.scan == "hang.tif" {
				if !errors.Is(err, ErrTooLong) {
					t.Error("not ErrTooLong")
				}
				gone(t, scan)
			}
		})
	}
}

func TestCancel(t *testing.T) {
	w := Worker{Path: workertest.Use(t)}
	scan := filepath.Join(t.TempDir(), "hang.tif")
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(300*time.Millisecond, cancel)
	_, err := w.Measure(ctx, measure.Job{Scan: scan}, nil)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want canceled", err)
	}
	gone(t, scan)
}

// gone checks that the stand-in that hung on a scan has ended.
func gone(t *testing.T, scan string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(filepath.Dir(scan), workertest.PidFile))
	if errors.Is(err, os.ErrNotExist) {
		return // it was ended before it came to that
	}
	pid, err := strconv.Atoi(string(text))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join("/proc", strconv.Itoa(pid))); err == nil {
		t.Errorf("worker %d is still there", pid)
	}
}

func TestNoWorker(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		filepath.Join(dir, "absent"): "is not there: run make build, or set PITHWARD_SCAN",
		dir:                          "is not a program",
		plain:                        "is not a program",
	} {
		if _, err := Find(path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
	if _, err := (Worker{Path: plain}).Measure(t.Context(), measure.Job{}, nil); err == nil || !strings.Contains(err.Error(), "could not be started") {
		t.Errorf("a worker that cannot run: %v", err)
	}
}

func TestEnvironment(t *testing.T) {
	got := environment([]string{"HOME=/home/x", "OPENCV_IO_MAX_IMAGE_PIXELS=5"})
	last := map[string]string{}
	for _, e := range got {
		name, value, _ := strings.Cut(e, "=")
		last[name] = value // the last one counts
	}
	if last["OPENCV_IO_MAX_IMAGE_PIXELS"] != "1073741824" || last["HOME"] != "/home/x" {
		t.Errorf("%v", got)
	}
}

func TestTail(t *testing.T) {
	w := &tail{limit: 10}
	var all bytes.Buffer
	for i := range 100 {
		piece := []byte(strings.Repeat(strconv.Itoa(i), i%4))
		all.Write(piece)
		if _, err := w.Write(piece); err != nil {
			t.Fatal(err)
		}
		if want := all.String()[max(0, all.Len()-10):]; w.String() != want {
			t.Fatalf("after %d pieces: %q, want %q", i, w.String(), want)
		}
	}
	if cap(w.kept) > 100 {
		t.Errorf("keeps %d bytes", cap(w.kept))
	}
}
