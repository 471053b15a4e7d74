package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
)

// invoke runs one command as the program would, and returns its exit status and
// what it wrote and said.
func invoke(t *testing.T, make func(deps) *cobra.Command, args ...string) (status int, out, talk string) {
	t.Helper()
	var o, e bytes.Buffer
	cmd := make(deps{version: "test", out: &o, talk: &e, processors: 2})
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	cmd.SetOut(&o)
	cmd.SetErr(&e)
	cmd.SetArgs(args)
	err := cmd.Execute()
	switch err.(type) {
	case nil:
		return exitDone, o.String(), e.String()
	case *failure:
		e.WriteString(err.Error())
		return exitFailed, o.String(), e.String()
	}
	e.WriteString(err.Error())
	return exitCall, o.String(), e.String()
}

func writeText(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

const ridgeDecadal = "RDG01A  1987   123    98     0\nRDG01A  1990  -999   150   999\nnot a row\n"

func TestConvert(t *testing.T) {
	dir := t.TempDir()
	in := writeText(t, dir, "ridge.rwl", ridgeDecadal)
	out := filepath.Join(dir, "ridge.csv")
	status, said, warned := invoke(t, newConvertCmd, in, out)
	if status != exitDone {
		t.Fatalf("status %d: %s", status, warned)
	}
	want := "series,year,width_mm\nRDG01A,1987,1.23\nRDG01A,1988,0.98\nRDG01A,1989,0\nRDG01A,1990,\nRDG01A,1991,1.5\n"
	got, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, string(got)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if !strings.Contains(warned, `ridge.rwl: line 3: not a data row, left out: "not a row"`) {
		t.Errorf("the odd line is not named: %s", warned)
	}
	if !strings.Contains(said, "1 series, years 1987 to 1991, 4 values, 1 of them absent rings, 1 not measured") {
		t.Errorf("summary: %s", said)
	}
	if status, _, warned = invoke(t, newConvertCmd, in, out); status != exitFailed || !strings.Contains(warned, "--overwrite") {
		t.Errorf("an existing file: status %d: %s", status, warned)
	}
	if status, _, _ = invoke(t, newConvertCmd, in, out, "--overwrite"); status != exitDone {
		t.Errorf("--overwrite: status %d", status)
	}
}

func TestConvertStatus(t *testing.T) {
	dir := t.TempDir()
	in := writeText(t, dir, "ridge.rwl", ridgeDecadal)
	prose := writeText(t, dir, "prose.txt", "nothing to read\n")
	tests := []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"to standard output", []string{in, "-", "--to", "csv"}, exitDone, "ridge.rwl: tucson, 1 series"},
		{"nothing readable", []string{prose, filepath.Join(dir, "a.csv")}, exitFailed, "prose.txt: the format is not known"},
		{"no such file", []string{filepath.Join(dir, "none.rwl"), filepath.Join(dir, "a.csv")}, exitFailed, "none.rwl"},
		{"a folder", []string{dir, filepath.Join(dir, "a.csv")}, exitFailed, "is a folder"},
		{"no folder to write to", []string{in, filepath.Join(dir, "no", "a.csv")}, exitFailed, "cannot be written"},
		{"widths are no index", []string{in, filepath.Join(dir, "a.crn")}, exitFailed, "no series found that a chronology file can hold"},
		{"one name", []string{in}, exitCall, "one to write"},
		{"unknown ending", []string{in, filepath.Join(dir, "a.dat")}, exitCall, "--to"},
		{"unknown format", []string{in, "-", "--to", "word"}, exitCall, "--to"},
		{"unknown unit", []string{in, "-", "--to", "csv", "--tucson-unit", "1"}, exitCall, "--tucson-unit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, _, talk := invoke(t, newConvertCmd, tt.args...)
			if status != tt.status || !strings.Contains(talk, tt.says) {
				t.Errorf("status %d, want %d; said %q, want %q in it", status, tt.status, talk, tt.says)
			}
		})
	}
}
