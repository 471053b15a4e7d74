// Package usage runs a command and tells what it took: wall time, processor
// time, and the peak memory of all its processes together.
package usage

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Usage is the time that a command took, its descendants included.
type Usage struct{ Wall, CPU time.Duration }

// Of runs a command to its end. The error holds what it said.
func Of(cmd *exec.Cmd, stdin []byte) (Usage, error) {
	start := time.Now()
	wait, err := begin(cmd, stdin)
	if err == nil {
		err = wait()
	}
	if err != nil {
		return Usage{}, err
	}
	return Usage{time.Since(start), cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}, nil
}

// Peak runs a command to its end and returns the most bytes that it and its
// descendants had resident at once, looked at every 5 ms (Linux). That takes a
// tenth of a processor: times are another run's.
func Peak(cmd *exec.Cmd, stdin []byte) (peak int64, err error) {
	wait, err := begin(cmd, stdin)
	if err != nil {
		return 0, err
	}
	done := make(chan error, 1)
	go func() { done <- wait() }()
	for {
		select {
		case err := <-done:
			return peak, err
		case <-time.After(5 * time.Millisecond):
			peak = max(peak, resident(cmd.Process.Pid))
		}
	}
}

// begin starts a command; wait returns when it has ended, with what it said if
// that was a failure.
func begin(cmd *exec.Cmd, stdin []byte) (wait func() error, err error) {
	cmd.Stdin = bytes.NewReader(stdin)
	var talk bytes.Buffer
	cmd.Stderr = &talk
	return func() error {
		if err := cmd.Wait(); err != nil {
			return fmt.Errorf("%w: %s", err, talk.String())
		}
		return nil
	}, cmd.Start()
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
