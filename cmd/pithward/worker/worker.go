// Package worker runs pithward-scan, the one program with the image library in
// it: one process a scan, which may die in any way without harming others.
package worker

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
	"unicode"

	"pithward/measure"
)

// Limits on what a worker may say (chosen): a tray of a dozen cores with a
// thousand boundaries each takes some 20 MB.
const (
	answerLimit = 256 << 20 // bytes of standard output, if Worker does not say
	stderrKept  = 64 << 10  // bytes of standard error, the last ones
)

// Name is the worker's file name.
const Name = "pithward-scan"

// ErrTooLong says that a worker was ended because it passed its time limit.
var ErrTooLong = errors.New("time limit passed")

// Worker is the program that measures scans.
type Worker struct {
	Path      string
	TimeLimit time.Duration // for one scan; 0: none
	Limit     int64         // bytes of answer; 0: 256 MiB
}

// Find returns the worker's path: override if it is not empty, else the file
// Name beside the running program.
func Find(override string) (string, error) {
	path := override
	if path == "" {
		self, err := os.Executable()
		if err != nil {
			return "", fmt.Errorf("the place of this program cannot be told: %w: set PITHWARD_SCAN to the path of %s", err, Name)
		}
		path = filepath.Join(filepath.Dir(self), Name)
	}
	info, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("%s: the program that reads scans is not there: run make build, or set PITHWARD_SCAN to its path", path)
	}
	if info.IsDir() || info.Mode()&0o111 == 0 {
		return "", fmt.Errorf("%s: is not a program that can be run: set PITHWARD_SCAN to the path of %s", path, Name)
	}
	return path, nil
}

// Work is a scan in the hands of a worker.
type Work struct {
	measured chan measure.Measurement // one, or closed without any
	ended    chan struct{}            // closed when the worker has ended
	late     []string
	err      error
}

// Start has one scan measured by a worker process of its own; see run.
func (w Worker) Start(ctx context.Context, job measure.Job, progress func(measure.Message)) *Work {
	k := &Work{measured: make(chan measure.Measurement, 1), ended: make(chan struct{})}
	sum := make(chan hashed, 1)
	go func() { sum <- hashOf(job.Scan) }() // while the worker starts, which one processor does
	go func() {
		defer close(k.ended)
		defer close(k.measured)
		given := errNoResult
		_, k.late, k.err = w.run(ctx, job, func(limited context.Context, m measure.Message) {
			switch {
			case m.Measurement != nil:
				if given = identify(limited, m.Measurement, sum); given == nil {
					k.measured <- *m.Measurement
				}
			case m.Stage != "" && progress != nil:
				progress(m)
			}
		})
		if k.err == nil {
			k.err = given
		}
	}()
	return k
}

// Measurement returns what was measured, once, as soon as it is known: the
// pictures may still be being drawn. Without one, Wait says why.
func (k *Work) Measurement() (m measure.Measurement, ok bool) {
	m, ok = <-k.measured
	return m, ok
}

// Wait returns when the worker has ended, with what has to be added to the
// measurement's warnings. The error says what became of the scan in plain words,
// without its name; it wraps ctx's error if that was the cause.
func (k *Work) Wait() (late []string, err error) {
	<-k.ended
	return k.late, k.err
}

// Measure has one scan measured and its pictures drawn by a worker process of its
// own. Errors are those of Wait.
func (w Worker) Measure(ctx context.Context, job measure.Job, progress func(measure.Message)) (measure.Measurement, error) {
	k := w.Start(ctx, job, progress)
	m, _ := k.Measurement()
	late, err := k.Wait()
	if err != nil {
		return measure.Measurement{}, err
	}
	m.Warnings = append(m.Warnings, late...)
	return m, nil
}

// identify names a measurement by its scan's hash, once that is known.
func identify(ctx context.Context, m *measure.Measurement, sum <-chan hashed) error {
	select {
	case h := <-sum:
		if h.err == nil {
			m.Identify(h.sum)
		}
		return h.err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Look has pieces of one scan written, as the job says, by a worker process of
// its own. Errors are those of Measure.
func (w Worker) Look(ctx context.Context, job measure.Job, progress func(measure.Message)) error {
	job.Look = true
	answer, _, err := w.run(ctx, job, func(_ context.Context, m measure.Message) {
		if m.Stage != "" && progress != nil {
			progress(m)
		}
	})
	if err == nil && answer.Measurement == nil {
		err = errNoResult
	}
	return err
}

// hashed is a file's hash, or why there is none.
type hashed struct {
	sum string
	err error
}

func hashOf(path string) hashed {
	sum, err := measure.HashFile(path)
	return hashed{sum, err}
}

// Rulers has the rulers of one scan read by a worker process of its own. Errors
// are those of Measure.
func (w Worker) Rulers(ctx context.Context, scan string) (measure.RulerScan, error) {
	answer, _, err := w.run(ctx, measure.Job{Scan: scan, Rulers: true}, func(context.Context, measure.Message) {})
	if err != nil {
		return measure.RulerScan{}, err
	}
	if answer.Rulers == nil {
		return measure.RulerScan{}, errNoResult
	}
	return *answer.Rulers, nil
}

// errNoResult says that a worker ended as if it had answered.
var errNoResult = errors.New("the worker ended without a result: " + remedy)

// run has a job done by a worker process. said is called from this goroutine with
// each message, and a context that ends when the worker is ended: when ctx is, and
// when the time limit has passed. So it is when this process dies. answer is what
// the worker came to, late what is to be added to its warnings; the error is that
// of [Work.Wait].
func (w Worker) run(ctx context.Context, job measure.Job, said func(context.Context, measure.Message)) (answer *measure.Message, late []string, err error) {
	order, err := json.Marshal(job)
	if err != nil {
		return nil, nil, err
	}
	limited := ctx
	if w.TimeLimit > 0 {
		var cancel context.CancelFunc
		limited, cancel = context.WithTimeoutCause(ctx, w.TimeLimit, ErrTooLong)
		defer cancel()
	}
	// The parent-death signal follows the thread that started the process.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()

	stderr := &tail{limit: stderrKept}
	cmd := exec.CommandContext(limited, w.Path)
	cmd.Stdin = bytes.NewReader(order)
	cmd.Stderr = stderr
	cmd.Env = environment(os.Environ())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Pdeathsig: syscall.SIGKILL,
		Setpgid:   true, // Ctrl-C in a terminal is ours to handle
	}
	kill := func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) } // with what it started
	cmd.Cancel = kill
	cmd.WaitDelay = 2 * time.Second
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return nil, nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, nil, fmt.Errorf("%s could not be started: %w", w.Path, err)
	}
	answer, saidErr := listen(stdout, cmp.Or(w.Limit, answerLimit), func(m measure.Message) { said(limited, m) })
	if saidErr != nil {
		_ = kill() // whatever it still says is of no use; if it has ended already, so much the better
	}
	endErr := cmd.Wait()

	switch {
	case ctx.Err() != nil:
		return nil, nil, fmt.Errorf("not measured: %w", ctx.Err())
	case limited.Err() != nil:
		return nil, nil, fmt.Errorf("not measured within %v, so its worker was ended: raise --time-limit, or look whether the scan is what it should be: %w", w.TimeLimit, ErrTooLong)
	case saidErr != nil:
		return nil, nil, saidErr
	case answer != nil && answer.Error != "":
		return nil, nil, errors.New(answer.Error)
	case endErr != nil:
		return nil, nil, death(endErr, stderr.String())
	case answer == nil:
		return nil, nil, errNoResult
	}
	if why := jpegDamage(stderr.String()); why != "" {
		late = []string{measure.DamagedData(why)}
	}
	return answer, late, nil
}

// jpegDamage picks from a worker's standard error what the JPEG library
// (libjpeg) says of data that break off or are spoilt; it then makes the rest of
// the picture up and gives no error. Stray bytes between segments are no harm.
func jpegDamage(stderr string) string {
	for line := range strings.Lines(stderr) {
		for _, harm := range []string{"premature end of data segment", "Premature end of JPEG file", "bad Huffman code"} {
			if strings.Contains(line, harm) {
				return harm
			}
		}
	}
	return ""
}

// remedy is what to do about a scan that ends its worker.
const remedy = "save the scan anew as an uncompressed TIFF and try again; if it stays so, report it with the scan"

// listen reads the worker's messages until it ends and has each said. The answer
// is its first result, and whatever error it came to then; nil if there was
// neither. It returns an error for what is no message, and for too much of it.
func listen(stdout io.Reader, limit int64, said func(measure.Message)) (*measure.Message, error) {
	limited := &io.LimitedReader{R: stdout, N: limit + 1}
	lines := bufio.NewReaderSize(limited, 64<<10)
	var answer *measure.Message
	for {
		line, err := lines.ReadBytes('\n')
		if limited.N <= 0 {
			return nil, fmt.Errorf("the worker's answer is larger than %d MiB: is this a scan of cores?", limit>>20)
		}
		if text := bytes.TrimSpace(line); len(text) > 0 {
			var m measure.Message
			fault := json.Unmarshal(text, &m)
			if fault != nil && err != nil { // broken off: its exit status tells why
				return answer, nil
			}
			if fault != nil {
				return nil, fmt.Errorf("the worker said something that is no answer (%s): are %s and pithward of one version?", clean(string(text), 60), Name)
			}
			switch result := m.Measurement != nil || m.Rulers != nil || m.Error != ""; {
			case result && answer == nil:
				answer = &m
				said(m)
			case result:
				answer.Error = cmp.Or(answer.Error, m.Error)
			default:
				said(m)
			}
		}
		if err != nil { // its end; how it ended is told by its exit status
			return answer, nil
		}
	}
}

// death says in plain words how a worker ended that gave no result.
func death(err error, stderr string) error {
	last, signal := lastWords(stderr)
	how := err.Error()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		status, ok := exit.Sys().(syscall.WaitStatus)
		switch {
		case ok && status.Signaled() && status.Signal() == syscall.SIGKILL:
			how = "was killed, perhaps for want of memory: close other programs, or give --jobs 1"
		case ok && status.Signaled():
			how = fmt.Sprintf("died (%v)", status.Signal())
		case signal != "":
			how = fmt.Sprintf("died (%s)", signal)
		default:
			how = fmt.Sprintf("ended with status %d", exit.ExitCode())
		}
	}
	if last != "" {
		how += "; its last words: " + last
	}
	return fmt.Errorf("the worker %s; %s", how, remedy)
}

// lastWords picks the line of a dying program's standard error that says most,
// the text of an exception or panic if there is one, else the last line; and
// the signal that Go's runtime says it caught, as it does before it ends the
// program with status 2. Its stack traces are passed over.
func lastWords(stderr string) (last, signal string) {
	for line := range strings.Lines(stderr) {
		line = strings.TrimSpace(line)
		if what, ok := strings.CutPrefix(line, "what():"); ok {
			last = what
			continue
		}
		if name, words, ok := strings.Cut(line, ": "); ok && strings.HasPrefix(name, "SIG") {
			return clean(last, 200), clean(words, 60)
		}
		if strings.HasPrefix(line, "panic:") || strings.HasPrefix(line, "fatal error:") {
			return clean(line, 200), ""
		}
		if line != "" {
			last = line
		}
	}
	return clean(last, 200), ""
}

// clean makes foreign text fit for one line of a message: no control
// characters, at most n letters.
func clean(text string, n int) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, " "))
	letters := []rune(strings.Join(strings.Fields(text), " "))
	if len(letters) > n {
		return string(letters[:n]) + "…"
	}
	return string(letters)
}

// environment returns a worker's environment. The image library reads its
// limits as it is loaded, so they have to be there from the start: 2^30 px,
// its own default, whatever the user's environment says. Its own log is kept
// to errors.
func environment(of []string) []string {
	return append(of[:len(of):len(of)],
		"OPENCV_IO_MAX_IMAGE_PIXELS=1073741824",
		"OPENCV_IO_MAX_IMAGE_WIDTH=1048576",
		"OPENCV_IO_MAX_IMAGE_HEIGHT=1048576",
		"OPENCV_LOG_LEVEL=ERROR",
	)
}

// tail is a writer that keeps the last limit bytes.
type tail struct {
	limit int
	kept  []byte
}

func (t *tail) Write(p []byte) (int, error) {
	t.kept = append(t.kept, p...)
	if over := len(t.kept) - t.limit; over > t.limit { // seldom, so that it costs little
		t.kept = append(t.kept[:0], t.kept[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	return string(t.kept[max(0, len(t.kept)-t.limit):])
}
