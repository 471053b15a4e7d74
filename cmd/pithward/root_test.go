package main

import (
	"bytes"
	"image"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"

	"pithward/cmd/pithward/worker/workertest"
)

// commands lists the program's commands that people call, the program itself
// first.
func commands(t *testing.T) []*cobra.Command {
	t.Helper()
	root := newRootCmd(deps{out: io.Discard, talk: io.Discard})
	return append([]*cobra.Command{root}, root.Commands()...)
}

// Every example of every command's help is run as it stands, by a shell, in a
// folder with a tray, a sheet and an archive file; examples of one command run
// one after another.
func TestExamples(t *testing.T) {
	worker := workertest.Use(t)
	bin := t.TempDir()
	if err := os.Symlink(worker, filepath.Join(bin, "pithward")); err != nil {
		t.Fatal(err)
	}
	for _, cmd := range commands(t) {
		t.Run(cmd.Name(), func(t *testing.T) {
			if cmd.Example == "" {
				t.Fatal("the help has no example")
			}
			if testing.Short() && cmd.Name() == "demo" {
				t.Skip("rendering the demo takes some seconds")
			}
			dir := t.TempDir()
			if cmd.Name() != "demo" {
				scans(t, dir, "tray.tif")
			}
			if cmd.Name() == "scanner" {
				storedIn(t)
				scans(t, dir, "ruler.tif", "rulerx.tif", "rulery.tif")
			}
			writeFile(t, filepath.Join(dir, "cores.csv"), "scan,position,core\ntray.tif,1,LK01A\ntray.tif,2,LK02A\n")
			writeFile(t, filepath.Join(dir, "ridge.rwl"), "RIDGE01 1990  1200  1100   900  1000 -9999\n")
			if cmd.Name() == "convert" || cmd.Name() == "date" {
				if status, _, talk := call(t, "measure", filepath.Join(dir, "tray.tif")); status != 0 {
					t.Fatal(talk)
				}
			}
			if cmd.Name() == "grade" {
				handedIn(t, dir)
				exerciseWorked(t, filepath.Join(dir, "osmundvale.pithward"), "Aldith", "Merek")
			}
			if cmd.Name() == "log" || cmd.Name() == "export" || cmd.Name() == "audit" || cmd.Name() == "date" {
				if status, _, talk := call(t, "measure", filepath.Join(dir, "tray.tif"), "--overwrite", "--sheet", filepath.Join(dir, "cores.csv"), "--project", filepath.Join(dir, "osmundvale.pithward")); status != 0 {
					t.Fatal(talk)
				}
				decided(t, filepath.Join(dir, "osmundvale.pithward"), removal)
			}
			if cmd.Name() == "class" {
				if status, _, talk := call(t, "measure", filepath.Join(dir, "tray.tif"), "--sheet", filepath.Join(dir, "cores.csv"), "--project", filepath.Join(dir, "osmundvale.pithward")); status != 0 {
					t.Fatal(talk)
				}
			}
			for _, line := range lines(cmd.Example) {
				line = strings.TrimSpace(line)
				if strings.HasPrefix(line, "#") {
					continue
				}
				if cmd.Name() == "desk" { // it runs until it is interrupted
					line = "timeout --foreground --preserve-status -s INT 1 " + line
				}
				sh := exec.Command("/bin/sh", "-c", line)
				sh.Dir = dir
				sh.Env = append(os.Environ(), asProgram+"=yes", "PITHWARD_SCAN="+worker, "BROWSER=true", "XDG_CACHE_HOME="+filepath.Join(bin, "cache"), "PATH="+bin+":"+os.Getenv("PATH"))
				if out, err := sh.CombinedOutput(); err != nil {
					t.Errorf("%s: %v\n%s", line, err, out)
				}
			}
		})
	}
}

func TestHelpSaysWhatTheStatusMeans(t *testing.T) {
	for _, cmd := range commands(t) {
		if !strings.Contains(cmd.Long, "Exit status:") && cmd.HasParent() && cmd.Name() != "help" && cmd.Name() != "completion" {
			t.Errorf("%s: its help does not say", cmd.CommandPath())
		}
	}
}

func TestCallsOfTheProgram(t *testing.T) {
	tests := []struct {
		name      string
		args      []string
		status    int
		out, talk string // regular expressions
	}{
		{"nothing", nil, 0, `(?s)Usage:.*measure.*convert`, `^$`},
		{"help", []string{"--help"}, 0, `(?s)^pithward reads scans`, `^$`},
		{"help of a command", []string{"measure", "--help"}, 0, `(?s)Exit status:\n  0  every scan was measured`, `^$`},
		{"version", []string{"version"}, 0, `^pithward test \(go1\.\d+.*writes pithward/measurement/1\)\n$`, `^$`},
		{"schema", []string{"schema"}, 0, `^\{\n  "\$schema": "https://json-schema.org/draft/2020-12/schema"`, `^$`},
		{"an unknown command", []string{"mesure"}, 2, `^$`, `(?s)^pithward: unknown command "mesure".*measure.*help: pithward --help\n$`},
		{"an unknown flag", []string{"--verbose"}, 2, `^$`, `^pithward: unknown flag: --verbose\nhelp: pithward --help\n$`},
		{"words too many", []string{"version", "now"}, 2, `^$`, `^pithward: unknown command "now"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, out, talk := call(t, tt.args...)
			if status != tt.status || !regexp.MustCompile(tt.out).MatchString(out) || !regexp.MustCompile(tt.talk).MatchString(talk) {
				t.Errorf("status %d, out %q, said %q", status, out, talk)
			}
		})
	}
}

func TestCompletion(t *testing.T) {
	tests := []struct {
		args []string
		want []string
	}{
		{[]string{"measure", "tray.tif", "--wood", ""}, []string{"auto", "conifer", "ring-porous", "diffuse-porous", ":4"}},
		{[]string{"measure", "--bark", ""}, []string{"auto", "left", "right", "top", "bottom", ":4"}},
		{[]string{"measure", "--tucson-unit", ""}, []string{"0.001", "0.01", ":4"}},
		{[]string{"measure", "--sheet", ""}, []string{"csv", ":8"}},
		{[]string{"measure", ""}, []string{"tif", "tiff", "png", "jpg", "jpeg", ":8"}},
	}
	for _, tt := range tests {
		_, out, _ := call(t, append([]string{"__complete"}, tt.args...)...)
		if d := cmp.Diff(tt.want, lines(out)); d != "" {
			t.Errorf("%v (-want +got):\n%s", tt.args, d)
		}
	}
}

// A scan that does not fit into memory fails alone, before its worker starts.
func TestTooLargeForMemory(t *testing.T) {
	dir := t.TempDir()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 4000, 1000))); err != nil {
		t.Fatal(err)
	}
	large := writeFile(t, filepath.Join(dir, "hang.png"), picture.String())
	good := scans(t, dir, "good.tif")[0]
	var out, talk bytes.Buffer
	d := deps{version: "test", out: &out, talk: &talk, worker: workertest.Use(t), processors: 2, memory: func() int64 { return 100 << 20 }}
	if status := run(t.Context(), []string{"measure", large, good}, d); status != 1 || !strings.Contains(talk.String(), large+": 4000 x 1000 px of 1 x 8 bits need about 0.2 GB") || !strings.Contains(out.String(), good+": 2 cores") {
		t.Errorf("status %d, said %s\n%s", status, talk.String(), out.String())
	}
}

// A bar is drawn on a terminal only, and never in the way of what is printed.
func TestProgress(t *testing.T) {
	var out, talk bytes.Buffer
	d := deps{version: "test", out: &out, talk: &talk, terminal: true, worker: workertest.Use(t), processors: 2, memory: func() int64 { return 0 }}
	all := scans(t, t.TempDir(), "good-1.tif", "good-2.tif")
	if status := run(t.Context(), append([]string{"measure"}, all...), d); status != 0 {
		t.Fatal(talk.String())
	}
	if !strings.Contains(talk.String(), "\rmeasuring   0% |") {
		t.Errorf("no progress on a terminal: %q", talk.String())
	}
	if strings.Contains(out.String(), "\r") || strings.Contains(out.String(), "\x1b") {
		t.Errorf("progress among the data: %q", out.String())
	}
	if end := talk.String()[strings.LastIndex(talk.String(), "\r")+1:]; strings.TrimSpace(strings.ReplaceAll(end, "\x1b[2K", "")) != "" {
		t.Errorf("the bar stays: %q", end)
	}
}

func TestDefaultJobs(t *testing.T) {
	dir := t.TempDir()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 4000, 1000))); err != nil { // 4 MB decoded
		t.Fatal(err)
	}
	var all []string
	for _, n := range []string{"a.png", "b.png", "c.png"} {
		all = append(all, writeFile(t, filepath.Join(dir, n), picture.String()))
	}
	for _, tt := range []struct {
		name       string
		scans      []string
		processors int
		memory     int64
		want       int
	}{
		{"processors", all, 2, 1 << 30, 2},
		{"no more than scans", all[:1], 8, 1 << 30, 1},
		{"memory unknown", all, 2, 0, 2},
		{"memory for one", all, 8, 500 << 20, 1},
		{"memory for two", all, 8, 520 << 20, 2}, // 202 MiB each, of four fifths
		{"memory for none: one all the same", all, 8, 1 << 20, 1},
		{"no scan can be read", []string{dir, "absent"}, 2, 1 << 20, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := defaultJobs(tt.scans, deps{processors: tt.processors, memory: func() int64 { return tt.memory }})
			if got != tt.want {
				t.Errorf("%d jobs, want %d", got, tt.want)
			}
		})
	}
	// 4000 x 1000 px of one byte: 192 MiB and 2.5 times 4 MB.
	const need = 192<<20 + 10_000_000
	if err := enough(all[0], need); err != nil {
		t.Error(err)
	}
	want := "4000 x 1000 px of 1 x 8 bits need about 0.2 GB of memory to be measured, and 0.1 GB are free: close other programs, or cut the scan in two"
	if err := enough(all[0], need/2); err == nil || err.Error() != want {
		t.Errorf("in too little memory: %v", err)
	}
	if freeMemory() <= 0 {
		t.Error("this machine's free memory is not known")
	}
}
