// Command cost prints what measuring a tray costs, in one run on one machine:
// wall time as a multiple of decoding the same file, and peak memory of all
// processes as a multiple of the decoded picture, for trays of 3, 10 and 20
// cores of 270 mm at 1200 dpi, uncompressed and LZW.
//
//	make bench
package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"pithward/measure"
	"pithward/vision/phantom"
)

func main() {
	bin := flag.String("bin", "bin", "folder with pithward and pithward-scan")
	runs := flag.Int("runs", 3, "runs of each, the quickest counts")
	sizes := flag.String("cores", "3,10,20", "cores on a tray, tray by tray")
	flag.Parse()
	log.SetFlags(0)
	if err := run(*bin, *sizes, *runs); err != nil {
		log.Fatal("cost: ", err)
	}
}

func run(bin, sizes string, runs int) error {
	dir, err := os.MkdirTemp("", "cost")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	fmt.Printf("%5s  %-8s  %14s  %8s  %9s  %9s  %6s  %10s  %6s\n", "cores", "TIFF", "size px", "MB", "decode s", "measure s", "times", "peak MB", "times")
	for _, word := range strings.Split(sizes, ",") {
		n, err := strconv.Atoi(word)
		if err != nil || n < 1 {
			return fmt.Errorf("-cores %s: give whole numbers like 3,10,20", sizes)
		}
		p, _ := phantom.Render(phantom.LongTray(9, n), 9)
		for _, c := range []struct {
			name string
			kind phantom.Compression
		}{{"plain", phantom.None}, {"LZW", phantom.LZW}} {
			if err := one(bin, dir, n, c.name, p, phantom.TIFFOptions{Compression: c.kind}, runs); err != nil {
				return err
			}
		}
	}
	return nil
}

// one writes a picture, decodes and measures it, and prints a line.
func one(bin, dir string, cores int, name string, p *phantom.Picture, o phantom.TIFFOptions, runs int) error {
	path := filepath.Join(dir, "tray.tif")
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := p.WriteTIFF(f, o); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	job, err := json.Marshal(measure.Job{Scan: path, Look: true})
	if err != nil {
		return err
	}
	var decode, whole time.Duration
	var peak int64
	for i := range runs {
		d, _, err := timed(exec.Command(filepath.Join(bin, "pithward-scan")), job)
		if err != nil {
			return fmt.Errorf("decoding: %w", err)
		}
		w, m, err := timed(exec.Command(filepath.Join(bin, "pithward"), "measure", path, "--overwrite"), nil)
		if err != nil {
			return fmt.Errorf("measuring: %w", err)
		}
		if i == 0 || d < decode {
			decode = d
		}
		if i == 0 || w < whole {
			whole = w
		}
		peak = max(peak, m)
	}
	size := float64(p.Width*p.Height*p.Channels*p.Bits()/8) / 1e6
	fmt.Printf("%5d  %-8s  %6d x %5d  %8.0f  %9.2f  %9.2f  %6.2f  %10.0f  %6.2f\n", cores, name, p.Width, p.Height, size,
		decode.Seconds(), whole.Seconds(), whole.Seconds()/decode.Seconds(), float64(peak)/1e6, float64(peak)/1e6/size)
	return nil
}

// timed runs a command and returns its wall time and the peak resident memory,
// in bytes, of it and all its descendants together, looked at every 20 ms.
func timed(cmd *exec.Cmd, stdin []byte) (time.Duration, int64, error) {
	cmd.Stdin = bytes.NewReader(stdin)
	var talk bytes.Buffer
	cmd.Stderr = &talk
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return 0, 0, err
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	var peak int64
	for {
		select {
		case err := <-done:
			if err != nil {
				err = fmt.Errorf("%w: %s", err, talk.String())
			}
			return time.Since(start), peak, err
		case <-time.After(20 * time.Millisecond):
			peak = max(peak, resident(cmd.Process.Pid))
		}
	}
}

// resident is the memory of a process and its descendants (Linux).
func resident(pid int) int64 {
	var sum int64
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if f := strings.Fields(string(b)); len(f) > 1 {
		pages, _ := strconv.ParseInt(f[1], 10, 64)
		sum = pages * int64(os.Getpagesize())
	}
	tasks, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", pid))
	for _, t := range tasks {
		b, _ := os.ReadFile(t)
		for _, child := range strings.Fields(string(b)) {
			if n, err := strconv.Atoi(child); err == nil {
				sum += resident(n)
			}
		}
	}
	return sum
}
