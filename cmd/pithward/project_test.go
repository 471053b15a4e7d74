package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pithward/measure"
	"pithward/measure/ledger"
)

// settled measures a tray into a project and has observers decide there, on cores
// named by their positions.
func settled(t *testing.T, decide ...measure.Event) (dir, project string) {
	t.Helper()
	dir = t.TempDir()
	project = filepath.Join(dir, "osmundvale.pithward")
	sheet := writeFile(t, filepath.Join(dir, "cores.csv"), sheetText)
	scan := scans(t, dir, "good.tif")[0]
	status, _, talk := call(t, "measure", scan, "--sheet", sheet, "--project", project)
	if status != 0 || !strings.Contains(talk, "stored as reading 1") {
		t.Fatalf("status %d: %s", status, talk)
	}
	decided(t, project, decide...)
	return dir, project
}

// decided has observers decide on the first reading of a project.
func decided(t *testing.T, project string, decide ...measure.Event) {
	t.Helper()
	l, err := ledger.Open(t.Context(), project)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i, e := range decide {
		e.UUID, e.UTC = uuid.NewString(), time.Date(2026, 3, 1, 12, 0, i, 0, time.UTC)
		st, err := l.State(t.Context(), 1, e.Observer)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range st.Measurement.Cores {
			if e.Core == fmt.Sprint(c.Position) {
				e.Core = c.UID
			}
		}
		if _, err := l.Append(t.Context(), 1, e, st.Revision(e.Core)); err != nil {
			t.Fatal(err)
		}
	}
}

var (
	removal   = measure.Event{Core: "1", Observer: "Ada", Kind: measure.Remove, Target: "b4", Why: "a crack,\nno ring"}
	rejection = measure.Event{Core: "2", Observer: "Ada", Kind: measure.Reject, Why: "rotten"}
	second    = measure.Event{Core: "1", Observer: "Ben", Kind: measure.Accept, Target: "b4"}
)

func TestExport(t *testing.T) {
	dir, project := settled(t, removal, rejection)
	out := filepath.Join(dir, "settled")
	status, stdout, talk := call(t, "export", project, "--out", out)
	if status != 0 || talk != "" || !strings.Contains(stdout, "LK01A      3  2019–2021") {
		t.Fatalf("status %d, said %q, out %q", status, talk, stdout)
	}
	if d := cmp.Diff([]string{"good.csv", "good.json", "good.rwl"}, files(t, out)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	// Boundaries at 0, 50, 120 and 250 px of 0.02 mm; the file runs from the pith.
	if d := cmp.Diff("LK01A   2019  2600\nLK01A   2020  1400  1000 -9999\n", read(t, filepath.Join(out, "good.rwl"))); d != "" {
		t.Errorf("widths (-want +got):\n%s", d)
	}
	m := checkJSON(t, filepath.Join(out, "good.json"))
	if len(m.Cores[0].Boundaries) != 4 || !strings.Contains(strings.Join(m.Cores[1].Warnings, ";"), "rejected: rotten") {
		t.Errorf("cores %+v", m.Cores)
	}
	if status, _, talk := call(t, "export", project, "--out", out); status != 1 || !strings.Contains(talk, "--overwrite") {
		t.Errorf("over earlier results: status %d, %s", status, talk)
	}
}

func TestExportOfOneOfSeveral(t *testing.T) {
	dir, project := settled(t, removal, second)
	if status, _, talk := call(t, "export", project, "--out", filepath.Join(dir, "x")); status != 1 || !strings.Contains(talk, "settled by Ada and by Ben: name one with --observer") {
		t.Errorf("status %d, %s", status, talk)
	}
	if status, out, _ := call(t, "export", project, "--out", filepath.Join(dir, "x"), "--observer", "Ben"); status != 0 || !strings.Contains(out, "LK01A      4  2018–2021") {
		t.Errorf("status %d, %s", status, out)
	}
}

func TestLog(t *testing.T) {
	_, project := settled(t, removal, second)
	status, out, talk := call(t, "log", project)
	want := "2026-03-01 12:00:00  Ada  good.tif  LK01A  remove  b4: a crack, no ring\n2026-03-01 12:00:01  Ben  good.tif  LK01A  accept  b4\n"
	if d := cmp.Diff(want, out); status != 0 || talk != "" || d != "" {
		t.Errorf("status %d, said %q (-want +got):\n%s", status, talk, d)
	}
	_, out, _ = call(t, "log", project, "--observer", "Ben", "--core", "LK01A", "--json")
	var got struct {
		Schema string
		Events []measure.Event
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != logSchema || len(got.Events) != 1 || got.Events[0].Observer != "Ben" {
		t.Errorf("%+v", got)
	}
}

// Measured anew, the same reading is not stored twice; results of an earlier
// run that are skipped are stored.
func TestProjectAgain(t *testing.T) {
	dir, project := settled(t)
	scan, sheet := filepath.Join(dir, "good.tif"), filepath.Join(dir, "cores.csv")
	for _, how := range []string{"--overwrite", "--resume"} {
		if status, _, talk := call(t, "measure", scan, "--sheet", sheet, "--project", project, how); status != 0 || !strings.Contains(talk, "holds this reading already") {
			t.Errorf("%s: status %d, %s", how, status, talk)
		}
	}
	other := filepath.Join(dir, "other.pithward")
	if status, _, talk := call(t, "measure", scan, "--sheet", sheet, "--project", other, "--resume"); status != 0 || !strings.Contains(talk, "stored as reading 1") {
		t.Errorf("skipped results: status %d, %s", status, talk)
	}
}

func TestProjectsThatAreNone(t *testing.T) {
	dir := t.TempDir()
	letter := writeFile(t, filepath.Join(dir, "letter.pithward"), strings.Repeat("Dear friend, ", 100))
	absent := filepath.Join(dir, "absent.pithward")
	for _, tt := range []struct {
		args   []string
		status int
		words  string
	}{
		{[]string{"log", absent}, 1, "there is no such project"},
		{[]string{"export", letter}, 1, "is not a project file"},
		{[]string{"measure", "good.tif", "--project", letter}, 2, "is not a project file"},
		{[]string{"desk"}, 2, "name a PROJECT"},
		{[]string{"desk", "a.pithward", "b.pithward"}, 2, "one at a time"},
		{[]string{"desk", filepath.Join(dir, "absent.tif")}, 2, "no such file"},
		{[]string{"log"}, 2, "name one project"},
	} {
		status, out, talk := call(t, tt.args...)
		if status != tt.status || out != "" || !strings.Contains(talk, tt.words) {
			t.Errorf("%v: status %d, %s", tt.args, status, talk)
		}
	}
	if _, err := os.Stat(absent); err == nil {
		t.Error("a project was made by reading it")
	}
}

// A name that nobody has is never taken for one whose decisions are none.
func TestUnknownObserver(t *testing.T) {
	dir, project := settled(t, removal)
	_, untouched := settled(t)
	for _, args := range [][]string{
		{"export", "--out", filepath.Join(dir, "out"), "--observer", "Adah"},
		{"log", "--observer", "Adah"},
		{"grade", "--key-observer", "Adah", "--core", "LK01A"},
		{"date", "--observer", "Adah", "--project"},
	} {
		for _, p := range []struct{ path, want string }{
			{project, `nobody by the name of "Adah" has settled anything: name one of those who have, Ada`},
			{untouched, `nobody has settled anything, nor has "Adah": leave ` + args[slices.IndexFunc(args, func(a string) bool { return strings.HasSuffix(a, "observer") })] + ` out`},
		} {
			args := append(slices.Clone(args), p.path)
			if args[0] == "grade" {
				args = append(args, project) // somebody to grade
			}
			status, out, talk := call(t, args...)
			if status == 0 || out != "" || !strings.Contains(talk, p.path+": "+p.want) {
				t.Errorf("%v of %s: status %d, said %q, printed %q, want %q", args, p.path, status, talk, out, p.want)
			}
		}
	}
}
