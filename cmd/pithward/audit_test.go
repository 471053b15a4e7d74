package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
	"pithward/measure/audit"
)

func TestAudit(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir, project := settled(t, removal, rejection, second, measure.Event{Core: "1", Observer: "Ada", Kind: measure.SignOff})
	out := filepath.Join(dir, "audit")
	status, stdout, talk := call(t, "audit", project, "--out", out)
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	for _, want := range []string{
		"osmundvale: 10 boundaries on 2 cores of 1 scan; 2 places to look at, 1 of them open; 1 decided, 1 changed",
		"LK01A       Ada  signed off      3          0        1      0      0     0",
		"inward of 2019   3.40  boundary 55 %   0.45  Ada: none; Ben: boundary",
		"the program; Ada        4       1      0",
		"relative standard uncertainty 0.100 %",
	} {
		if !strings.Contains(stdout, want) {
			t.Errorf("it does not say %q:\n%s", want, stdout)
		}
	}
	names := []string{"osmundvale.agreement.csv", "osmundvale.audit.html", "osmundvale.edits.csv", "osmundvale.places.csv"}
	if d := cmp.Diff(names, files(t, out)); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	page := read(t, filepath.Join(out, "osmundvale.audit.html"))
	alone(t, page)
	for _, want := range []string{"<b>Ada</b>: no boundary <q>a crack,\nno ring</q>", "<b>Ben</b>: a boundary, as read", "data:image/jpeg;base64,", "rejected: rotten"} {
		if !strings.Contains(page, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if n := strings.Count(page, "<figure class=\"pane\">"); n != 3+1 { // b4 as the program, Ada and Ben have it; b4 of the other core, which is open
		t.Errorf("%d pictures", n)
	}
	if status, _, talk := call(t, "audit", project, "--out", out); status != 1 || !strings.Contains(talk, "--overwrite") {
		t.Errorf("over earlier files: status %d, %s", status, talk)
	}
	if status, _, talk := call(t, "audit", project, "--out", out, "--overwrite"); status != 0 || page != read(t, filepath.Join(out, "osmundvale.audit.html")) {
		t.Errorf("made anew the report differs: status %d, %s", status, talk)
	}
}

// alone fails if a page needs anything but itself, or runs anything.
func alone(t testing.TB, page string) {
	t.Helper()
	if found := regexp.MustCompile(`(?i)https?:|//[a-z0-9]|<script|<link|<iframe|@import|\son[a-z]+=|url\(`).FindString(regexp.MustCompile(`base64,[A-Za-z0-9+/=]+`).ReplaceAllString(page, "")); found != "" {
		t.Errorf("the report is not self-contained: %q", found)
	}
	for _, ref := range regexp.MustCompile(`(?i)(?:href|src)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(ref[1], "data:") {
			t.Errorf("the report refers to %s", ref[1])
		}
	}
}

func TestAuditAsJSON(t *testing.T) {
	_, project := settled(t, removal, second)
	status, out, talk := call(t, "audit", project, "--json", "--core", "LK01A", "--show", "changed", "--observer", "Ada")
	var a audit.Audit
	if err := json.Unmarshal([]byte(out), &a); err != nil || status != 0 || talk != "" {
		t.Fatalf("status %d, said %q: %v", status, talk, err)
	}
	if a.Schema != audit.Schema || a.Project != "osmundvale" || len(a.Places) != 1 || a.Places[0].Target != "b4" || len(a.Places[0].Views) != 1 || !slices.Equal(a.Observers, []string{"Ada"}) {
		t.Errorf("%+v", a)
	}
}

func TestAuditErrors(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir, project := settled(t, removal)
	for _, tt := range []struct {
		args   []string
		status int
		words  string
	}{
		{[]string{}, 2, "name one project"},
		{[]string{filepath.Join(dir, "absent.pithward")}, 1, "there is no such project"},
		{[]string{project, "--core", "LK09A"}, 1, `no core "LK09A": the project has LK01A`},
		{[]string{project, "--observer", "Cyd"}, 1, "the project knows Ada"},
		{[]string{project, "--kind", "guess"}, 2, "no kind of edit"},
		{[]string{project, "--show", "best"}, 2, "no sort of place"},
		{[]string{project, "--min-doubt", "2"}, 2, "want 0 to 1"},
		{[]string{project, "--pictures", "-1"}, 2, "want a number"},
		{[]string{project, "--out", filepath.Join(project, "x")}, 1, "cannot be made"},
	} {
		status, out, talk := call(t, append([]string{"audit"}, tt.args...)...)
		if status != tt.status || out != "" || !strings.Contains(talk, tt.words) {
			t.Errorf("%v: status %d, out %q, said %s", tt.args, status, out, talk)
		}
	}
	// Without the scan all but its wood is there.
	if err := os.Remove(filepath.Join(dir, "good.tif")); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "audit")
	status, stdout, talk := call(t, "audit", project, "--out", out)
	if status != 1 || !strings.Contains(stdout, "audit.html") || !strings.Contains(talk, "good.tif: its wood cannot be shown") || strings.Count(talk, "\n") != 1 {
		t.Errorf("without its scan: status %d, said %s", status, talk)
	}
	if page := read(t, filepath.Join(out, "osmundvale.audit.html")); !strings.Contains(page, "its wood cannot be shown") || strings.Contains(page, "data:image/jpeg") {
		t.Error("the report does not say that the wood is missing")
	}
}
