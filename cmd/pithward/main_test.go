package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pithward/cmd/pithward/worker/workertest"
)

// asProgram turns the test binary into the program itself, for tests of what
// only a process of its own can show.
const asProgram = "PITHWARD_TEST_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" && len(os.Args) > 1 { // the worker is started without arguments
		main()
	}
	workertest.RunIfAsked()
	// Whoever runs the tests may have checked scanners of their own.
	if err := os.Setenv(scannersVariable, filepath.Join(os.TempDir(), "pithward-no-scanners.json")); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// call runs a command line with the stand-in for the worker.
func call(t *testing.T, args ...string) (status int, out, talk string) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(t.Context(), args, deps{
		version: "test", out: &o, talk: &e, worker: workertest.Use(t), processors: 2, memory: func() int64 { return 0 },
	})
	return status, o.String(), e.String()
}

// scans makes files that the stand-in behaves by, and returns their paths.
func scans(t *testing.T, dir string, names ...string) []string {
	t.Helper()
	var paths []string
	for _, n := range names {
		p := filepath.Join(dir, n)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o777), os.WriteFile(p, []byte("a scan"), 0o666)); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, p)
	}
	return paths
}

// files lists what is in a folder, hidden names included.
func files(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// lines splits text into its lines, without empty ones.
func lines(text string) []string {
	return slices.DeleteFunc(strings.Split(text, "\n"), func(l string) bool { return l == "" })
}

func read(t testing.TB, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
