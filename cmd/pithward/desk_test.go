package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestDeskNames(t *testing.T) {
	dir := t.TempDir()
	a, b := scans(t, dir, "a.tif", "b.tif")[0], filepath.Join(dir, "b.tif")
	p, q := filepath.Join(dir, "p.pithward"), filepath.Join(dir, "q.pithward")
	writeFile(t, p, "")
	for _, tt := range []struct {
		name    string
		options deskOptions
		project string
		scans   []string
		words   string // of the error
	}{
		{"a project", deskOptions{names: []string{p}}, p, nil, ""},
		{"scans alone name it", deskOptions{names: []string{a, b}}, filepath.Join(dir, "a.pithward"), []string{a, b}, ""},
		{"a project and scans", deskOptions{names: []string{a, p, b}}, p, []string{a, b}, ""},
		{"by its flag", deskOptions{names: []string{a}, project: q}, q, []string{a}, ""},
		{"two projects", deskOptions{names: []string{p}, project: q}, "", nil, "one at a time"},
		{"no such project", deskOptions{names: []string{q}}, "", nil, "no such project"},
		{"no such scan", deskOptions{names: []string{filepath.Join(dir, "c.tif")}}, "", nil, "no such file"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			project, list, err := tt.options.split()
			if (err == nil) != (tt.words == "") || err != nil && !strings.Contains(err.Error(), tt.words) {
				t.Fatalf("error %v", err)
			}
			if d := cmp.Diff(tt.scans, list); project != tt.project || d != "" {
				t.Errorf("project %s, scans (-want +got):\n%s", project, d)
			}
		})
	}
}

// The desk takes the flags that say how a scan is read, and refuses what
// measure refuses.
func TestDeskFlags(t *testing.T) {
	dir := t.TempDir()
	a := scans(t, dir, "a.tif")[0]
	for _, flags := range [][]string{{"--dpi", "0"}, {"--wood", "stone"}, {"--bark", "inside"}, {"--season-south", "winter"}, {"--time-limit", "0s"}, {"--dpi", "1200", "--mm-per-px", "0.02"}, {"--sheet", filepath.Join(dir, "none.csv")}} {
		if status, _, talk := user(t, append([]string{"desk", "--no-browser", a}, flags...)...); status != 2 || !strings.Contains(talk, strings.TrimPrefix(flags[0], "--")) {
			t.Errorf("%v: status %d, %s", flags, status, talk)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "a.pithward")); err == nil {
		t.Error("a wrong call left a project")
	}
}

// The desk of a project comes back where it was, token and all, so that open
// pages find it; that of another project elsewhere. A port that is taken is
// no reason not to open.
func TestAddress(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	project := filepath.Join(t.TempDir(), "p.pithward")
	first := addressOf(project, "Ada")
	l, err := first.listen(0)
	if err != nil {
		t.Fatal(err)
	}
	if again := addressOf(project, "Ada"); again.Port != first.Port || again.Token != first.Token || len(again.Token) < 20 {
		t.Errorf("again %+v, at first %+v", again, first)
	}
	if other := addressOf(project+"2", "Ada"); other.Token == first.Token {
		t.Error("another project has the same token")
	}
	if other := addressOf(project, "Ada, again"); other.Token == first.Token {
		t.Error("another observer has the same token")
	}
	busy, err := addressOf(project, "Ada").listen(0)
	if err != nil {
		t.Fatalf("its port is taken: %v", err)
	}
	if err := busy.Close(); err != nil {
		t.Error(err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	info, err := os.Stat(first.file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the token's file: %v, %v", info, err)
	}
	if err := os.WriteFile(first.file, []byte(`{"token": "x"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	if a := addressOf(project, "Ada"); len(a.Token) < 20 {
		t.Errorf("a damaged file gave the token %q", a.Token)
	}
}
