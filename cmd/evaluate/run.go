package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"pithward/measure"
)

// measureAll has the program measure the pictures and reads its results. It
// returns the seconds taken.
func measureAll(ctx context.Context, o options, trials []trial, talk io.Writer) (float64, error) {
	if len(trials) == 0 {
		return 0, errors.New("nothing to measure: -only leaves no tray")
	}
	out := filepath.Join(o.dir, "measured")
	if err := os.MkdirAll(out, 0o755); err != nil {
		return 0, err
	}
	args := []string{"measure", "--out", out, "--overwrite"}
	if o.jobs > 0 {
		args = append(args, "--jobs", strconv.Itoa(o.jobs))
	}
	for i := range trials {
		if err := os.Remove(resultPath(out, &trials[i])); err != nil && !errors.Is(err, os.ErrNotExist) {
			return 0, err // an old result must not pass for a new one
		}
		args = append(args, trials[i].picture)
	}
	start := time.Now()
	cmd := exec.CommandContext(ctx, o.binary, args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = io.Discard, &said
	err := cmd.Run()
	seconds := time.Since(start).Seconds()
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return 0, ctx.Err()
	case errors.As(err, &exit) && exit.ExitCode() == 1:
		fmt.Fprintf(talk, "some scans failed:\n%s", said.Bytes())
	case err != nil:
		return 0, fmt.Errorf("%s: %w: %s(build it first: make build)", o.binary, err, said.Bytes())
	}
	for i := range trials {
		trials[i].read(resultPath(out, &trials[i]))
	}
	return seconds, nil
}

func resultPath(out string, t *trial) string {
	name := filepath.Base(t.picture)
	return filepath.Join(out, strings.TrimSuffix(name, filepath.Ext(name))+".json")
}

// read takes the result up, or notes why there is none.
func (t *trial) read(path string) {
	b, err := os.ReadFile(path)
	if err != nil {
		t.fault = "no result"
		return
	}
	if err := json.Unmarshal(b, &t.found); err != nil {
		t.fault = "unreadable result: " + err.Error()
	} else if t.found.Schema != measure.Schema {
		t.fault = fmt.Sprintf("schema %q, not %s", t.found.Schema, measure.Schema)
	}
}
