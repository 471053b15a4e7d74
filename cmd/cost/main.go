// Command cost prints what measuring a tray costs, in one run on one machine:
// wall time as a multiple of decoding the same file by the image library (and
// processor time, which a busy machine changes less), and peak memory of all
// processes as a multiple of the decoded picture, for trays of 3, 10 and 20
// cores of 270 mm at 1200 dpi, uncompressed and LZW. Then what a tray takes in a
// folder of small ones, one at a time, as a multiple of one by itself.
//
//	make bench
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"pithward/cmd/cost/usage"
	"pithward/measure"
	"pithward/vision/phantom"
)

func main() {
	bin := flag.String("bin", "bin", "folder with pithward and pithward-scan")
	runs := flag.Int("runs", 5, "runs of each, the quickest counts")
	sizes := flag.String("cores", "3,10,20", "cores on a tray, tray by tray")
	folder := flag.Int("folder", 50, "small trays in a folder; 0: none")
	flag.Parse()
	log.SetFlags(0)
	err := run(*bin, *sizes, *runs)
	if err == nil && *folder > 0 {
		err = manyTrays(*bin, *folder, *runs)
	}
	if err != nil {
		log.Fatal("cost: ", err)
	}
}

func run(bin, sizes string, runs int) error {
	dir, err := os.MkdirTemp("", "cost")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	fmt.Printf("%5s  %-8s  %14s  %8s  %9s  %9s  %6s  %9s  %10s  %6s\n", "cores", "TIFF", "size px", "MB", "decode s", "measure s", "times", "CPU times", "peak MB", "times")
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

// manyTrays measures a folder of copies of one small tray, and one alone.
func manyTrays(bin string, trays, runs int) error {
	dir, err := os.MkdirTemp("", "cost")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	p, _ := phantom.Render(phantom.RandomTray(9, phantom.Options{Wood: measure.Conifer, Cores: 2, LengthMM: 40, Plain: true}), 9)
	first := filepath.Join(dir, "tray01.tif")
	f, err := os.Create(first)
	if err != nil {
		return err
	}
	if err := errors.Join(p.WriteTIFF(f, phantom.TIFFOptions{Compression: phantom.LZW}), f.Sync(), f.Close()); err != nil {
		return err
	}
	for i := 2; i <= trays; i++ {
		if err := os.Link(first, filepath.Join(dir, fmt.Sprintf("tray%02d.tif", i))); err != nil {
			return err
		}
	}
	quickest := func(args ...string) (best time.Duration, err error) {
		for i := range runs {
			args := append([]string{"measure", "--overwrite", "--jobs", "1"}, args...)
			u, err := usage.Of(exec.Command(filepath.Join(bin, "pithward"), args...), nil)
			if err != nil {
				return 0, fmt.Errorf("measuring: %w", err)
			}
			if i == 0 || u.Wall < best {
				best = u.Wall
			}
		}
		return best, nil
	}
	one, err := quickest(first)
	if err != nil {
		return err
	}
	all, err := quickest("--folder", dir)
	if err != nil {
		return err
	}
	each := all.Seconds() / float64(trays)
	fmt.Printf("\na folder of %d trays of %d x %d px: %.2f s a tray, %.2f times one by itself\n", trays, p.Width, p.Height, each, each/one.Seconds())
	return nil
}

// one writes a picture, decodes and measures it, and prints a line.
func one(bin, dir string, cores int, name string, p *phantom.Picture, o phantom.TIFFOptions, runs int) error {
	path := filepath.Join(dir, "tray.tif")
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	// On the disk, as scans are: else the first results to be synced wait for it.
	if err := errors.Join(p.WriteTIFF(f, o), f.Sync(), f.Close()); err != nil {
		return err
	}
	job, err := json.Marshal(measure.Job{Scan: path, Look: true})
	if err != nil {
		return err
	}
	decoding := func() *exec.Cmd { return exec.Command(filepath.Join(bin, "pithward-scan")) }
	measuring := func() *exec.Cmd {
		return exec.Command(filepath.Join(bin, "pithward"), "measure", path, "--overwrite")
	}
	var decode, whole usage.Usage
	for i := range runs {
		d, err := usage.Of(decoding(), job)
		if err != nil {
			return fmt.Errorf("decoding: %w", err)
		}
		w, err := usage.Of(measuring(), nil)
		if err != nil {
			return fmt.Errorf("measuring: %w", err)
		}
		if i == 0 {
			decode, whole = d, w
		}
		decode, whole = least(decode, d), least(whole, w)
	}
	peak, err := usage.Peak(measuring(), nil)
	if err != nil {
		return fmt.Errorf("measuring: %w", err)
	}
	size := float64(p.Width*p.Height*p.Channels*p.Bits()/8) / 1e6
	fmt.Printf("%5d  %-8s  %6d x %5d  %8.0f  %9.2f  %9.2f  %6.2f  %9.2f  %10.0f  %6.2f\n", cores, name, p.Width, p.Height, size,
		decode.Wall.Seconds(), whole.Wall.Seconds(), whole.Wall.Seconds()/decode.Wall.Seconds(),
		whole.CPU.Seconds()/decode.CPU.Seconds(), float64(peak)/1e6, float64(peak)/1e6/size)
	return nil
}

// least keeps the shorter times of two runs.
func least(a, b usage.Usage) usage.Usage {
	return usage.Usage{Wall: min(a.Wall, b.Wall), CPU: min(a.CPU, b.CPU)}
}
