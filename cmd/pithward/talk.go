package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/schollz/progressbar/v3"

	"pithward/measure"
)

// perScan is the length of the progress bar for one scan.
const perScan = 1000

// talk is what a person sees while scans are measured: messages, results, and,
// on a terminal only, a bar. It may be used from several goroutines.
type talk struct {
	mu        sync.Mutex
	out, err  io.Writer
	bar       *progressbar.ProgressBar // nil: no terminal
	scans     int
	done      map[string]int // of perScan, by scan
	completed int
}

func newTalk(d deps, scans int) *talk {
	t := &talk{out: d.out, err: d.talk, scans: scans, done: map[string]int{}}
	if d.terminal {
		t.bar = progressbar.NewOptions(scans*perScan,
			progressbar.OptionSetWriter(d.talk),
			progressbar.OptionSetWidth(24),
			progressbar.OptionThrottle(100*time.Millisecond),
			progressbar.OptionClearOnFinish(),
			progressbar.OptionSetDescription("measuring"),
			progressbar.OptionSetRenderBlankState(true),
		)
	}
	return t
}

// say tells a person something, on standard error.
func (t *talk) say(line string) { t.write(t.err, line+"\n") }

// shown is a file's name as a person sees it: quoted where it holds characters
// that would break the line or steer the terminal.
func shown(name string) string {
	if strings.ContainsFunc(name, unicode.IsControl) {
		return strconv.Quote(name)
	}
	return name
}

// print gives out data, on standard output.
func (t *talk) print(text string) { t.write(t.out, text) }

func (t *talk) write(w io.Writer, text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.bar != nil {
		_ = t.bar.Clear() // a bar that cannot be drawn spoils nothing
	}
	fmt.Fprint(w, text)
}

// progress moves the bar by what a worker said of its scan.
func (t *talk) progress(scan string, m measure.Message) {
	part := 0
	if m.Of > 0 {
		part = min(perScan-1, m.Done*perScan/m.Of)
	}
	stage := m.Stage
	if m.Of > 1 {
		stage = fmt.Sprintf("%s %d of %d", m.Stage, m.Done, m.Of)
	}
	t.move(scan, part, shown(filepath.Base(scan))+": "+stage)
}

// finish moves the bar past a scan.
func (t *talk) finish(scan string) {
	t.mu.Lock()
	t.completed++
	words := fmt.Sprintf("%d of %d scans", t.completed, t.scans)
	t.mu.Unlock()
	t.move(scan, perScan, words)
}

// move sets how far a scan is, never back, and what the bar says.
func (t *talk) move(scan string, part int, words string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.bar == nil {
		return
	}
	t.done[scan] = max(t.done[scan], part)
	sum := 0
	for _, d := range t.done {
		sum += d
	}
	t.bar.Describe(words)
	_ = t.bar.Set(sum)
}

// Close takes the bar away.
func (t *talk) Close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.bar != nil {
		_ = t.bar.Clear()
	}
}
