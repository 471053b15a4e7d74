package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"pithward/cmd/pithward/worker/workertest"
)

// program starts the program as a process of its own, with the stand-in for
// the worker.
func program(t *testing.T, args ...string) (cmd *exec.Cmd, out, talk *bytes.Buffer) {
	t.Helper()
	worker := workertest.Use(t)
	out, talk = &bytes.Buffer{}, &bytes.Buffer{}
	cmd = exec.Command(worker, args...)
	cmd.Env = append(os.Environ(), asProgram+"=yes", "PITHWARD_SCAN="+worker)
	cmd.Stdout, cmd.Stderr = out, talk
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // if it has not ended by itself
	return cmd, out, talk
}

// hanging waits until the stand-in hangs on the scan in dir and returns its
// process id.
func hanging(t *testing.T, dir string) int {
	t.Helper()
	var pid int
	eventually(t, "the worker to hang", func() bool {
		text, err := os.ReadFile(filepath.Join(dir, workertest.PidFile))
		if err != nil {
			return false
		}
		_, err = fmt.Sscan(string(text), &pid)
		return err == nil
	})
	return pid
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// runs tells whether a process is there and no mere entry for its parent.
func runs(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, state, _ := strings.Cut(string(stat), ") ")
	return !strings.HasPrefix(state, "Z")
}

// Ctrl-C ends the workers; what was measured stands whole, of the rest there
// is nothing.
func TestInterrupt(t *testing.T) {
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		t.Run(sig.String(), func(t *testing.T) {
			dir := t.TempDir()
			all := scans(t, dir, "good.tif", "hang.tif", "good-3.tif")
			cmd, stdout, talk := program(t, append([]string{"measure", "--jobs", "1"}, all...)...)
			pid := hanging(t, dir)
			if err := cmd.Process.Signal(sig); err != nil {
				t.Fatal(err)
			}
			var exit *exec.ExitError
			if err := cmd.Wait(); !errors.As(err, &exit) || exit.ExitCode() != 1 {
				t.Errorf("ended with %v, want status 1", err)
			}
			eventually(t, "the worker to end", func() bool { return !runs(pid) })
			want := fmt.Sprintf("pithward: %s: not measured: interrupted\npithward: %s: not measured: interrupted\npithward: 2 of 3 scans failed\n", all[1], all[2])
			if talk.String() != want {
				t.Errorf("said %q\nwant %q", talk.String(), want)
			}
			if !strings.Contains(stdout.String(), all[0]+": 2 cores") {
				t.Errorf("nothing said of %s:\n%s", all[0], stdout)
			}
			wantFiles := []string{"good-3.tif", "good.csv", "good.json", "good.overlay.png", "good.tif", "good.undated.rwl", "hang.tif", workertest.PidFile}
			if got := files(t, dir); !slices.Equal(got, wantFiles) {
				t.Errorf("files %q, want %q", got, wantFiles)
			}
		})
	}
}

// Killed without a chance to clean up, the program takes its worker with it
// and leaves no result in part.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	scan := scans(t, dir, "hang.tif")[0]
	cmd, _, _ := program(t, "measure", scan)
	pid := hanging(t, dir)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // killed: there is no other end
	eventually(t, "the worker to end", func() bool { return !runs(pid) })
	for _, f := range files(t, dir) {
		if strings.HasPrefix(f, "hang.") && f != "hang.tif" {
			t.Errorf("%s was left", f)
		}
	}
	// What it had begun lies hidden; the next run takes it away.
	writeFile(t, filepath.Join(dir, "good.tif"), "a scan")
	if status, _, talk := call(t, "measure", filepath.Join(dir, "good.tif")); status != 0 {
		t.Fatal(talk)
	}
	for _, f := range files(t, dir) {
		if strings.HasPrefix(f, ".") {
			t.Errorf("%s was left", f)
		}
	}
}
