// Command pithward-scan is the worker of pithward: it alone holds the image
// library. It takes one job as JSON on standard input, says what it is doing
// and what came of it as JSON lines on standard output, and ends. People run
// pithward, which starts it.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"sync"
	"syscall"

	"golang.org/x/sync/errgroup"

	"pithward/measure"
	"pithward/vision"
	"pithward/vision/overlay"
)

func main() {
	// The scan itself lies outside the Go heap; what is on it is short-lived and
	// holds no pointers, so that to look often costs little, and seldom much memory.
	debug.SetGCPercent(50)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Stdin, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "pithward-scan:", err)
		os.Exit(1)
	}
}

// run does one job. What went wrong with the scan goes out as a message; the
// error returned is about the talk itself.
func run(ctx context.Context, in io.Reader, out io.Writer) error {
	var job measure.Job
	if err := json.NewDecoder(in).Decode(&job); err != nil {
		return fmt.Errorf("no job on standard input: %w (this program is started by pithward)", err)
	}
	say := &speaker{enc: json.NewEncoder(out)}
	if job.Rulers {
		r, err := rulers(job, say.progress)
		if err != nil {
			return say.message(measure.Message{Error: err.Error()})
		}
		return say.message(measure.Message{Rulers: &r})
	}
	if err := do(ctx, job, say); err != nil {
		return say.message(measure.Message{Error: err.Error()})
	}
	return nil
}

// rulers reads the rulers on a scan.
func rulers(job measure.Job, tell vision.Progress) (measure.RulerScan, error) {
	tell("decoding", 0, 1)
	s, err := vision.ReadScan(job.Scan)
	if err != nil {
		return measure.RulerScan{}, err
	}
	defer s.Close()
	tell("finding rulers", 0, 1)
	return vision.ReadRulers(s, job), nil
}

// do measures the scan, says what came of it, and draws the pictures asked for.
func do(ctx context.Context, job measure.Job, say *speaker) error {
	if job.Scan == "" {
		return errors.New("the job names no scan")
	}
	say.progress("decoding", 0, 1)
	if job.Look {
		return cut(ctx, job, say)
	}
	s, err := vision.ReadScan(job.Scan)
	if err != nil {
		return err
	}
	defer s.Close()
	var base picture // reduced while the cores are read
	var reducing errgroup.Group
	if job.Overlay != "" {
		reducing.Go(func() (err error) {
			base.img, base.factor, err = s.Picture()
			return err
		})
	}
	m, err := vision.Measure(ctx, s, job, say.progress)
	if err := errors.Join(err, reducing.Wait()); err != nil {
		return err
	}
	m.Warnings = append(s.Notes(), m.Warnings...)
	var saying errgroup.Group // while the pictures are drawn
	saying.Go(func() error { return say.message(measure.Message{Measurement: &m}) })
	return errors.Join(draw(ctx, s, m, base, job, say.progress), saying.Wait())
}

// draw writes the pictures asked for, and closes the scan while the overlay, the
// last, is drawn.
func draw(ctx context.Context, s *vision.Scan, m measure.Measurement, base picture, job measure.Job, tell vision.Progress) error {
	if job.Strips != "" {
		tell("drawing strips", 0, 1)
		if err := vision.WriteStrips(s, m, job.Strips); err != nil {
			return err
		}
	}
	if job.Tiles != "" {
		if err := vision.WriteTiles(ctx, s, job.Tiles, tell); err != nil {
			return err
		}
	}
	if job.Overlay == "" {
		return nil
	}
	tell("drawing overlay", 0, 1)
	var closing errgroup.Group
	closing.Go(func() error { s.Close(); return nil }) // what is drawn on is a copy
	defer closing.Wait()
	return overlay.WritePNG(job.Overlay, overlay.Draw(base.img, 1/float64(base.factor), m))
}

// picture is a scan reduced for the overlay.
type picture struct {
	img    *image.NRGBA
	factor int
}

// speaker writes messages one at a time.
type speaker struct {
	mu  sync.Mutex
	enc *json.Encoder
}

func (s *speaker) message(m measure.Message) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.enc.Encode(m)
}

func (s *speaker) progress(stage string, done, of int) {
	// A reader that has gone away ends the worker by SIGPIPE or at the end.
	_ = s.message(measure.Message{Stage: stage, Done: done, Of: of})
}
