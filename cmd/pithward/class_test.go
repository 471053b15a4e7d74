package main

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// A lesson by the command line, with what goes wrong in one.
func TestClassCommands(t *testing.T) {
	dir := t.TempDir()
	project := filepath.Join(dir, "osmundvale.pithward")
	if status, _, talk := call(t, "measure", scans(t, dir, "tray.tif")[0], "--project", project); status != 0 {
		t.Fatal(talk)
	}
	soon := time.Now().UTC().Add(time.Hour).Format("2006-01-02T15:04")
	for _, tt := range []struct {
		name      string
		args      []string
		status    int
		out, talk string // regular expressions
	}{
		{"none yet", []string{"close", project}, 1, `^$`, `there is no exercise yet: make one with pithward class new`},
		{"no core named", []string{"new", "--project", project}, 2, `^$`, `--project FILE --core ID`},
		{"no such core", []string{"new", "--project", project, "--core", "LK09"}, 1, `^$`, `there is no core LK09: it has tray-1, tray-2`},
		{"no such project", []string{"new", "--project", project + "x", "--core", "tray-1"}, 1, `^$`, `there is no such project`},
		{"no such key", []string{"new", "--project", project, "--core", "tray-1", "--key-observer", "Ada"}, 1, `^$`, `Ada: has settled nothing`},
		{"no time", []string{"new", "--project", project, "--core", "tray-1", "--opens", "tomorrow"}, 2, `^$`, `is no time: write it as`},
		{"closed before it opens", []string{"new", "--project", project, "--core", "tray-1", "--opens", soon, "--closes", soon}, 2, `^$`, `lies before it opens`},
		{"no seats", []string{"new", "--project", project, "--core", "tray-1", "--seats", "0"}, 2, `^$`, `want 1 to 300`},
		{"an exercise", []string{"new", "--project", project, "--core", "tray-1", "--name", "Pine", "--closes", soon}, 0, `^exercise 1, Pine: join with the code [A-Z0-9]{3}-[A-Z0-9]{3}-[A-Z0-9]{3}\n$`, `nobody has settled tray-1`},
		{"another", []string{"new", "--project", project, "--core", "tray-2"}, 0, `^exercise 2, tray-2: `, ``},
		{"both", []string{"list", project, "--students"}, 0, `(?s)1 .*open .*0 of 60.*Pine: tray-1, key by the program.*2 .*tray-2`, `^$`},
		{"which one", []string{"close", project}, 1, `^$`, `there are 2 exercises: give the number`},
		{"open still", []string{"grade", project, "1"}, 1, `^$`, `is open: close it first`},
		{"not graded", []string{"release", project, "1"}, 1, `^$`, `not graded yet`},
		{"close", []string{"close", project, "1"}, 0, `^exercise 1, Pine, is closed\n$`, `^$`},
		{"grade", []string{"grade", project, "1"}, 0, `^0 students against tray-1`, `^$`},
		{"release", []string{"release", project, "1"}, 0, `students of exercise 1`, `^$`},
		{"nobody to remove", []string{"remove-student", project, "1", "7"}, 1, `^$`, `has no student "7"`},
		{"too few words", []string{"remove-student", project, "1"}, 2, `^$`, `name the PROJECT, the EXERCISE and the STUDENT`},
		{"no port", []string{"serve", project, "--listen", "here"}, 2, `^$`, `want HOST:PORT`},
		{"an address with a path", []string{"serve", project, "--address", "https://rings.osmundvale.example/a"}, 2, `^$`, `and no path`},
	} {
		status, out, talk := call(t, append([]string{"class"}, tt.args...)...)
		if status != tt.status || !regexp.MustCompile(tt.out).MatchString(out) || !regexp.MustCompile(tt.talk).MatchString(talk) {
			t.Errorf("%s: status %d, out %q, said %q", tt.name, status, out, talk)
		}
	}
}

// Every command of a lesson says what it does, with examples and exit status.
func TestClassHelp(t *testing.T) {
	for _, cmd := range newClassCmd(deps{}).Commands() {
		if !strings.Contains(cmd.Long, "Exit status:") || cmd.Example == "" || cmd.Args == nil {
			t.Errorf("%s: its help lacks something", cmd.Name())
		}
	}
}

// Beyond this machine is said plainly; on it, nothing of the kind.
func TestClassSaysWhatListeningMeans(t *testing.T) {
	dir := t.TempDir()
	project := filepath.Join(dir, "osmundvale.pithward")
	if status, _, talk := user(t, "class", "serve", project); status != 1 || !strings.Contains(talk, "there is no such project") {
		t.Fatalf("%d %s", status, talk)
	}
	if status, _, talk := call(t, "measure", scans(t, dir, "tray.tif")[0], "--project", project); status != 0 {
		t.Fatal(talk)
	}
	for listen, want := range map[string]bool{"127.0.0.1:0": false, "0.0.0.0:0": true} {
		_, students, assistant, said := serveClass(t, dir, project, "--listen", listen)
		if got := strings.Contains(said, "it is not encrypted"); got != want || !strings.HasPrefix(assistant, "http://127.0.0.1:") || students == "" {
			t.Errorf("--listen %s: %s", listen, said)
		}
	}
}
