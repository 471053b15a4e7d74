// Package workertest is a stand-in for the worker in tests: it answers, dies
// or misbehaves as the name of the scan asks.
package workertest

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math/bits"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"pithward/measure"
)

// asked is the variable that turns a test binary into the stand-in.
const asked = "PITHWARD_TEST_WORKER"

// PidFile is what the stand-in for a scan that hangs writes its process id to,
// beside the scan.
const PidFile = "worker.pid"

// RunIfAsked makes the process the stand-in, and ends it, if Use has asked for
// that. Call it first in TestMain.
func RunIfAsked() {
	if os.Getenv(asked) == "" {
		return
	}
	os.Exit(run())
}

// Use has the test's worker processes be the stand-in and returns the path to
// start.
func Use(t *testing.T) string {
	t.Helper()
	t.Setenv(asked, "yes")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return self
}

// run reads a job and does what the scan's name begins with.
func run() int {
	name := "no-job"
	var job measure.Job
	if err := json.NewDecoder(os.Stdin).Decode(&job); err == nil {
		name, _, _ = strings.Cut(measure.Stem(job.Scan), "-")
	}
	say := json.NewEncoder(os.Stdout)
	if axes, is := rulersOn[name]; is && job.Rulers {
		r := rulers(job, axes)
		return code(say.Encode(measure.Message{Rulers: &r}))
	}
	switch name {
	case "good", "tray", "none", "unscaled", "contradiction":
		return answer(say, job, name)
	case "refused":
		return code(say.Encode(measure.Message{Error: filepath.Base(job.Scan) + ": cannot be read: save it as TIFF"}))
	case "abort": // as the image library does it under Go's runtime
		fmt.Fprint(os.Stderr, "terminate called after throwing an instance of 'cv::Exception'\n  what():  (-215:Assertion failed) 0 <= roi.x in function 'Mat'\n\n")
		_ = syscall.Kill(os.Getpid(), syscall.SIGABRT)
		time.Sleep(time.Minute)
	case "segfault":
		die(syscall.SIGSEGV)
	case "killed":
		die(syscall.SIGKILL)
	case "status":
		fmt.Fprintln(os.Stderr, "panic: index out of range\n\ngoroutine 1 [running]:\nmain.main()")
		return 2
	case "midway":
		fmt.Print(`{"stage": "reading cores", "do`)
		die(syscall.SIGABRT)
	case "undrawn":
		answer(say, job, "good")
		return code(say.Encode(measure.Message{Error: "the overlay cannot be written: check the room on the disk"}))
	case "late":
		answer(say, job, "good")
		die(syscall.SIGSEGV)
	case "garbage":
		fmt.Println("\x1b[31mhello\x1b[0m, I am a printer")
		time.Sleep(time.Hour)
	case "torrent":
		for {
			if err := say.Encode(measure.Message{Stage: strings.Repeat("x", 1000)}); err != nil {
				return 1
			}
		}
	case "endless":
		for {
			if _, err := os.Stdout.WriteString(strings.Repeat("[", 4096)); err != nil {
				return 1
			}
		}
	case "silent":
		return 0
	case "hang":
		pid := []byte(fmt.Sprint(os.Getpid()))
		if err := os.WriteFile(filepath.Join(filepath.Dir(job.Scan), PidFile), pid, 0o666); err != nil {
			return 1
		}
		time.Sleep(time.Hour)
	}
	fmt.Fprintf(os.Stderr, "no behaviour %q\n", name)
	return 9
}

// rulersOn lists along which axes there are rulers on scans that are named so.
var rulersOn = map[string][]int{"ruler": {0, 1}, "rulerx": {0}, "rulery": {1}, "tray": nil}

// rulers is what a worker would say of the rulers on a scan of 1200 dpi, whose
// pixels are 0.1 % longer along y.
func rulers(job measure.Job, axes []int) measure.RulerScan {
	s := measure.RulerScan{File: filepath.Base(job.Scan), DPI: &[2]float64{1200, 1200}, Rulers: []measure.RulerReading{}}
	if len(axes) == 0 {
		s.Why = "nothing in the scan repeats like the ticks of a ruler"
	}
	for _, a := range axes {
		s.Rulers = append(s.Rulers, measure.RulerReading{Axis: a, Graduation: "mm, longer at 5 and 10", Ticks: 201, LengthMM: 200,
			MMPerPx: []float64{0.0212, 0.0212212}[a], FitUncertainty: 2e-5, Uncertainty: 0.00144})
	}
	return s
}

// die ends the process by a signal that Go's runtime does not catch first.
func die(sig syscall.Signal) {
	_ = syscall.Setrlimit(syscall.RLIMIT_CORE, &syscall.Rlimit{})
	_ = syscall.Exec("/bin/sh", []string{"sh", "-c", fmt.Sprintf("kill -%d $$", sig)}, nil)
}

func code(err error) int {
	if err != nil {
		return 1
	}
	return 0
}

// answer writes the pictures asked for and a measurement.
func answer(say *json.Encoder, job measure.Job, name string) int {
	m := Measurement(job)
	switch name {
	case "none":
		m.Cores = nil
	case "unscaled":
		m = unscaled(m)
	case "contradiction":
		m.Cores[0].Boundaries[0].Probability = 2
	}
	err := say.Encode(measure.Message{Stage: "reading cores", Done: 1, Of: 2})
	if job.Overlay != "" {
		err = errors.Join(err, os.WriteFile(job.Overlay, []byte("a picture"), 0o666))
	}
	if job.Strips != "" {
		err = errors.Join(err, os.WriteFile(filepath.Join(job.Strips, "core-1.png"), []byte("a strip"), 0o666))
	}
	if job.Tiles != "" {
		err = errors.Join(err, tiles(job.Tiles, m.Scan.WidthPx, m.Scan.HeightPx))
	}
	return code(errors.Join(err, say.Encode(measure.Message{Measurement: &m})))
}

// tiles writes the full-size tile of a gray scan of at most 512 px, and its
// description.
func tiles(dir string, w, h int) error {
	level := filepath.Join(dir, "scan_files", fmt.Sprint(bits.Len(uint(max(w, h)-1))))
	if err := os.MkdirAll(level, 0o777); err != nil {
		return err
	}
	f, err := os.Create(filepath.Join(level, "0_0.jpg"))
	if err != nil {
		return err
	}
	text := fmt.Sprintf(`<Image Format="jpg" Overlap="1" TileSize="512"><Size Width="%d" Height="%d"/></Image>`, w, h)
	return errors.Join(jpeg.Encode(f, image.NewGray(image.Rect(0, 0, w, h)), nil), f.Close(), os.WriteFile(filepath.Join(dir, "scan.dzi"), []byte(text), 0o666))
}

// Measurement returns two cores of four rings each as a worker would give them
// for the job: years and ids by its rows of the core sheet.
func Measurement(job measure.Job) measure.Measurement {
	scale := measure.Scale{
		Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02},
		RelativeStandardUncertainty: ptr(0.001), RelativeStandardUncertaintyXY: &[2]float64{0.001, 0.001},
	}
	m := measure.Measurement{
		Schema:  measure.Schema,
		Scan:    measure.Scan{File: filepath.Base(job.Scan), SHA256: hashOf(job.Scan), WidthPx: 400, HeightPx: 300, BitDepth: 8, Channels: 3},
		Scale:   scale,
		Program: measure.Program{Version: job.Version, Settings: job.Settings},
	}
	for position := 1; position <= 2; position++ {
		m.Cores = append(m.Cores, core(position, scale))
	}
	m.Warnings = measure.ApplyFields(m.Cores, job.Fields, measure.Stem(job.Scan), job.Settings.Season)
	return m
}

// hashOf returns a file's SHA-256, and a made-up one where there is no file.
func hashOf(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return strings.Repeat("5a", 32)
	}
	return fmt.Sprintf("%x", sha256.Sum256(text))
}

func core(position int, scale measure.Scale) measure.Core {
	y := 100 * float64(position)
	wood, end, how := measure.Conifer, measure.Left, "auto"
	c := measure.Core{
		UID: fmt.Sprintf("5a5a5a5a-%d", position), Position: position,
		OutlinePx: []measure.Point{{0, y - 20}, {300, y - 20}, {300, y + 20}, {0, y + 20}},
		PathPx:    []measure.Point{{0, y}, {300, y}}, PathLengthMM: ptr(6.0),
		Wood: &wood, WoodSource: &how, WoodProbability: ptr(0.9), BarkEnd: &end, BarkEndProbability: ptr(0.8),
		BarkPresent: true, ExpectedCount: ptr(4.2), CountSD: ptr(0.3),
	}
	for i, x := range []float64{0, 50, 120, 170, 250} {
		b := measure.Boundary{ID: fmt.Sprintf("b%d", i+1), Kind: measure.RingBoundary, AtMM: ptr(x * 0.02), PointPx: measure.Point{x, y},
			LinePx: []measure.Point{{x, y - 20}, {x, y + 20}}, Probability: 0.97, StandardUncertaintyMM: ptr(0.01), Source: "auto"}
		if i == 0 {
			b.Kind = measure.Outer
		}
		c.Boundaries = append(c.Boundaries, b)
	}
	c.Boundaries[3].Probability = 0.55
	c.MakeRings(scale, false)
	return c
}

// unscaled takes every mm out of a measurement.
func unscaled(m measure.Measurement) measure.Measurement {
	m.Scale = measure.Scale{Source: measure.ScaleNone}
	for i := range m.Cores {
		c := &m.Cores[i]
		c.PathLengthMM = nil
		for j := range c.Boundaries {
			c.Boundaries[j].AtMM, c.Boundaries[j].StandardUncertaintyMM = nil, nil
		}
		for j := range c.Rings {
			c.Rings[j].WidthMM, c.Rings[j].StandardUncertaintyMM = nil, nil
		}
	}
	return m
}

func ptr[T any](v T) *T { return &v }
