// Package usage runs a command and tells what it took: wall time, and the peak
// memory of all its processes together.
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

// Of runs a command and returns its wall time and the peak resident memory,
// in bytes, of it and all its descendants together, looked at
// every 5 ms (Linux).
func Of(cmd *exec.Cmd, stdin []byte) (time.Duration, int64, error) {
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
		case <-time.After(5 * time.Millisecond):
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
