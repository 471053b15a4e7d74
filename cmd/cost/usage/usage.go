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

// Usage is what a command took, its descendants included.
type Usage struct {
	Wall, CPU time.Duration
	Peak      int64 // bytes resident at once, looked at every 5 ms (Linux)
}

// Of runs a command to its end. The error holds what it said.
func Of(cmd *exec.Cmd, stdin []byte) (u Usage, err error) {
	cmd.Stdin = bytes.NewReader(stdin)
	var talk bytes.Buffer
	cmd.Stderr = &talk
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return u, err
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	for {
		select {
		case err := <-done:
			if err != nil {
				err = fmt.Errorf("%w: %s", err, talk.String())
			}
			u.Wall, u.CPU = time.Since(start), cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime()
			return u, err
		case <-time.After(5 * time.Millisecond):
			u.Peak = max(u.Peak, resident(cmd.Process.Pid))
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
