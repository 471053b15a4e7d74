package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pithward/measure"
	"pithward/measure/archive"
	"pithward/measure/grade"
	"pithward/measure/ledger"
)

var updateGrade = flag.Bool("update", false, "write the golden files anew")

// handedIn writes a key and what a small class handed in: ada right, ben with a
// boundary missed, cyd (as CSV) with a ring split, dov in tenths of a mm.
func handedIn(t *testing.T, dir string) {
	t.Helper()
	r := rand.New(rand.NewPCG(19, 56))
	key := make([]archive.Width, 90) // oldest first
	x := 0.0
	for i := range key {
		x = 0.5*x + 0.3*r.NormFloat64()
		key[i] = archive.Width(math.Round(1000*math.Exp(x)) / 1000)
	}
	measured := func(w []archive.Width) []archive.Width {
		out := slices.Clone(w)
		for i := range out {
			out[i] = archive.Width(math.Round(1000*float64(out[i])*(1+0.01*r.NormFloat64())) / 1000)
		}
		return out
	}
	merged := slices.Clone(key)
	merged[60] += merged[61]
	merged = slices.Delete(merged, 61, 62)
	split := slices.Insert(slices.Clone(key), 31, key[30]*0.45)
	split[30] *= 0.55
	tenfold := measured(key)
	for i := range tenfold {
		tenfold[i] *= 10
	}
	for name, w := range map[string][]archive.Width{"key.rwl": key, "ada.rwl": measured(key), "ben.rwl": measured(merged), "cyd.csv": measured(split), "dov.rwl": tenfold} {
		s := archive.Series{ID: "OSVP01A", FirstYear: 2023 - len(w) + 1, Widths: w, Unit: archive.Thousandths}
		var b bytes.Buffer
		if _, err := archive.Write(&b, &archive.Collection{Name: name, Series: []archive.Series{s}}, archive.FormatOf(name), archive.TucsonOptions{Unit: archive.Thousandths}); err != nil {
			t.Fatal(err)
		}
		writeFile(t, filepath.Join(dir, name), b.String())
	}
}

// golden compares with a file of testdata, or writes it with -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *updateGrade {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		writeFile(t, path, got)
	}
	if d := cmp.Diff(read(t, path), got); d != "" {
		t.Errorf("%s (-golden +got):\n%s", name, d)
	}
}

func TestGradeJSON(t *testing.T) {
	dir := t.TempDir()
	handedIn(t, dir)
	t.Chdir(dir)
	status, out, talk := call(t, "grade", "key.rwl", "ada.rwl", "ben.rwl", "cyd.csv", "dov.rwl", "--json")
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	out, _, _ = strings.Cut(out, "\n  \"class\":") // ring by ring: too long to review
	t.Chdir(packageDir)
	golden(t, "grade.json", out)
}

// A class's folder holds every page; a page looks as it did, and prints its
// sentences as PNG too.
func TestGradePages(t *testing.T) {
	dir := t.TempDir()
	handedIn(t, dir)
	writeFile(t, filepath.Join(dir, "eve.rwl"), "")
	t.Chdir(dir)
	args := []string{"grade", "key.rwl", "ada.rwl", "ben.rwl", "cyd.csv", "dov.rwl", "eve.rwl", "--out", "pages"}
	if status, _, talk := call(t, args...); status != 1 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	var files []string
	made, err := os.ReadDir("pages")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range made {
		files = append(files, f.Name())
	}
	want := []string{"ada.html", "ada.png", "ada.skeleton.png", "ben.html", "ben.png", "ben.skeleton.png", "class.csv", "class.html",
		"cyd.html", "cyd.png", "cyd.skeleton.png", "dov.html", "dov.png", "dov.skeleton.png", "eve.html", "eve.png", "grade.json"}
	if d := cmp.Diff(want, files); d != "" {
		t.Errorf("files (-want +got):\n%s", d)
	}
	page, table, class := read(t, "pages/ben.html"), read(t, "pages/class.csv"), read(t, "pages/class.html")
	for _, f := range files {
		if strings.HasSuffix(f, ".png") {
			p, err := png.Decode(bytes.NewReader([]byte(read(t, filepath.Join("pages", f)))))
			if err != nil || p.Bounds().Dx() < 1000 {
				t.Errorf("%s: %v", f, err)
			}
		}
	}
	if status, _, talk := call(t, args...); status != 1 || !strings.Contains(talk, "is there already: give --overwrite") {
		t.Errorf("a second time: status %d, said %q", status, talk)
	}
	t.Chdir(packageDir)
	golden(t, "grade-student.html", page)
	golden(t, "grade-class.csv", table)
	if strings.Count(class, "<tr>") != 6 || !strings.Contains(class, `<a href="ben.html">`) || !strings.Contains(class, "<svg") {
		t.Error("the class page lacks students or its picture")
	}
}

// What a student wrote is text on a page and in a table, never code or formula.
func TestGradeNamesAreText(t *testing.T) {
	dir := t.TempDir()
	handedIn(t, dir)
	t.Chdir(dir)
	evil := "=cmd <script>alert(1)</script>"
	copyFile(t, "ada.rwl", strings.ReplaceAll(evil, "/", "")+".rwl")
	if status, _, talk := call(t, "grade", "key.rwl", strings.ReplaceAll(evil, "/", "")+".rwl", "--out", "pages"); status != 0 {
		t.Fatalf("status %d, said %q", status, talk)
	}
	if page := read(t, "pages/class.html"); strings.Contains(page, "<script") {
		t.Error("the page runs what a student wrote")
	}
	if table := read(t, "pages/class.csv"); strings.Contains(table, "\n=cmd") {
		t.Error("the table counts what a student wrote")
	}
}

func copyFile(t *testing.T, from, to string) { writeFile(t, to, read(t, from)) }

var packageDir, _ = os.Getwd()

func TestGradeCalls(t *testing.T) {
	dir := t.TempDir()
	handedIn(t, dir)
	writeFile(t, filepath.Join(dir, "eve.rwl"), "")
	writeFile(t, filepath.Join(dir, "bad.json"), `{"schema": "pithward/rubric/1", "full_mark": -5}`)
	t.Chdir(dir)
	for _, tt := range []struct {
		name      string
		args      []string
		status    int
		out, talk string // regular expressions
	}{
		{"a class", []string{"key.rwl", "ada.rwl", "ben.rwl", "cyd.csv"}, 0, `(?s)3 students against key, full mark 100.*ada +100\.0 +0.*ben +98\.\d +1 +0 +0 +1.*cyd +98\.\d +0 +1 +0 +1`, `^$`},
		{"an empty file among them", []string{"key.rwl", "eve.rwl", "ada.rwl"}, 1, `(?s)eve +0\.0.*cannot be graded.*ada +100`, `^$`},
		{"a file that is not there", []string{"key.rwl", "nobody.rwl", "ada.rwl"}, 1, `(?s)nobody +0\.0.*cannot be graded.*ada +100`, `^$`},
		{"no student", []string{"key.rwl"}, 2, `^$`, `name the KEY and at least one STUDENT`},
		{"no key", []string{"nokey.rwl", "ada.rwl"}, 1, `^$`, `nokey.rwl: cannot be read: no such file`},
		{"no project for a key", []string{"absent.pithward"}, 1, `^$`, `absent.pithward: there is no such project`},
		{"the key as student", []string{"key.rwl", "key.rwl"}, 2, `^$`, `key.rwl is the key and a student`},
		{"a core the key has not", []string{"key.rwl", "ada.rwl", "--core", "X"}, 1, `^$`, `there is no core X: it has OSVP01A`},
		{"a bad rubric", []string{"key.rwl", "ada.rwl", "--rubric", "bad.json"}, 2, `^$`, `bad.json: rubric: full_mark is -5: want 0`},
		{"names without codes", []string{"key.rwl", "ada.rwl", "--names", "x.csv"}, 2, `^$`, `give --anonymous too`},
		{"two keys", []string{"key.rwl", "ben.rwl", "--key", "ben.rwl"}, 0, `ben +100\.0 +0`, `^$`},
		{"the rubric", []string{"--print-rubric"}, 0, `"schema": "pithward/rubric/1"`, `^$`},
		{"codes", []string{"key.rwl", "ada.rwl", "eve.rwl", "--anonymous", "--json"}, 1, `student-0[12]`, `^$`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, out, talk := call(t, append([]string{"grade"}, tt.args...)...)
			if status != tt.status || !regexp.MustCompile(tt.out).MatchString(out) || !regexp.MustCompile(tt.talk).MatchString(talk) {
				t.Errorf("status %d, out %q, said %q", status, out, talk)
			}
			if slices.Contains(tt.args, "--anonymous") && regexp.MustCompile(`\b(ada|eve)\b`).MatchString(out) {
				t.Error("a name is told")
			}
		})
	}
}

// The demo's class is graded as a teaching assistant would: every student's
// faults are those that were put in, and the pages show the wood.
func TestGradeDemoClass(t *testing.T) {
	if testing.Short() {
		t.Skip("renders a scan")
	}
	dir := t.TempDir()
	if status, _, talk := user(t, "demo", "--class", dir); status != 0 {
		t.Fatal(talk)
	}
	// Its scan is fit to be measured: one core, with about the key's rings.
	if status, _, talk := user(t, "measure", filepath.Join(dir, "class.tif"), "--out", filepath.Join(dir, "measured")); status != 0 {
		t.Fatal(talk)
	}
	measured := decodeMeasurement(t, filepath.Join(dir, "measured", "class.json"))
	key := decodeMeasurement(t, filepath.Join(dir, "key.json"))
	if len(measured.Cores) != 1 || math.Abs(float64(len(measured.Cores[0].Rings)-len(key.Cores[0].Rings))) > 5 {
		t.Errorf("%d cores were found on the class's scan", len(measured.Cores))
	}
	files, err := filepath.Glob(filepath.Join(dir, "[a-j]*.[jrc][swo]*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"kester.rwl", "linnet.rwl", "merek.rwl"} {
		files = append(files, filepath.Join(dir, name))
	}
	pages := filepath.Join(dir, "pages")
	status, out, talk := user(t, append([]string{"grade", filepath.Join(dir, "key.json"), "--json"}, files...)...)
	if status != 1 || talk != "" { // merek handed in an empty file
		t.Fatalf("status %d, said %q", status, talk)
	}
	var report grade.Report
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		"aldith": "", "bevis": "missed slip", "corin": "invented slip invented slip", "dunstan": "missed slip missed slip displaced displaced",
		"elvina": "missed slip missed slip", "fenn": "units", "godiva": "reversed", "hale": "starts-late slip", "ivo": "missed slip ends-early",
		"jocosa": "wrong-core", "kester": "absent-ring-missed slip", "linnet": "missed slip missed slip", "merek": "unreadable",
	}
	for _, r := range report.Students {
		var kinds []string
		for _, f := range r.Faults {
			kinds = append(kinds, string(f.Kind))
		}
		// Which fault lies nearer the bark is the renderer's affair.
		due := strings.Fields(want[r.Name])
		slices.Sort(kinds)
		slices.Sort(due)
		if !slices.Equal(kinds, due) {
			t.Errorf("%s: %s, want %s", r.Name, kinds, due)
		}
		delete(want, r.Name)
	}
	if len(want) > 0 {
		t.Errorf("not graded: %v", want)
	}
	if status, _, talk := user(t, "grade", filepath.Join(dir, "key.json"), filepath.Join(dir, "bevis.json"), "--out", pages); status != 0 || talk != "" {
		t.Errorf("status %d, said %q", status, talk)
	}
	if page := read(t, filepath.Join(pages, "bevis.html")); !strings.Contains(page, "<image preserveAspectRatio") {
		t.Error("the page shows no wood")
	}
}

func decodeMeasurement(t *testing.T, path string) measure.Measurement {
	t.Helper()
	m, err := measure.Decode(strings.NewReader(read(t, path)))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// evenCore is a core of twenty rings of 2 mm, 100 px each, the outermost of 2023.
func evenCore() (measure.Core, measure.Scale) {
	core := measure.Core{UID: "scan-1", ID: "OSVP01A", Position: 1, PathPx: []measure.Point{{0, 100}, {2000, 100}},
		OutlinePx: []measure.Point{{0, 0}, {2000, 0}, {2000, 200}, {0, 200}}}
	scale := measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02}}
	for i := range 21 {
		mm := 2 * float64(i)
		core.Boundaries = append(core.Boundaries, measure.Boundary{ID: fmt.Sprintf("b%d", i+1), Kind: measure.RingBoundary, AtMM: &mm,
			PointPx: measure.Point{100 * float64(i), 100}, LinePx: []measure.Point{{100 * float64(i), 0}, {100 * float64(i), 200}}, Probability: 1, Source: "auto"})
	}
	core.MakeRings(scale, false)
	for i := range core.Rings {
		y := 2023 - i
		core.Rings[i].Year = &y
	}
	return core, scale
}

// evenProject stores that core in a project, as some have settled it: bevis without
// a boundary, corin with one too many, the expert as it is.
func evenProject(t *testing.T, path string) (*ledger.Ledger, int64) {
	t.Helper()
	core, scale := evenCore()
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "tray.tif", SHA256: "ab", WidthPx: 2000, HeightPx: 200}, Scale: scale, Cores: []measure.Core{core}}
	l, err := ledger.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	stored, err := l.Store(t.Context(), m, filepath.Join(filepath.Dir(path), "tray.tif"), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range []measure.Event{
		{Observer: "bevis", Kind: measure.Remove, Target: "b8"},
		{Observer: "corin", Kind: measure.Add, PointPx: &measure.Point{550, 100}},
		{Observer: "expert", Kind: measure.Note, Why: "looked at"},
	} {
		e.UUID, e.Core, e.UTC = fmt.Sprintf("00000000-0000-4000-8000-%012d", i), "scan-1", time.Now()
		if _, err := l.Append(t.Context(), stored.Run, e, 0); err != nil {
			t.Fatal(err)
		}
	}
	return l, stored.Run
}

// A project handed in gives a row for each observer, graded as that one has
// settled the key's core; the key's own observer is left out.
func TestGradeProject(t *testing.T) {
	dir := t.TempDir()
	evenProject(t, filepath.Join(dir, "class.pithward"))
	t.Chdir(dir)
	status, out, talk := call(t, "grade", "class.pithward", "class.pithward", "--key-observer", "expert")
	if status != 0 || talk != "" {
		t.Fatalf("status %d, said %q", status, talk)
	}
	if want := `(?s)2 students against expert.*bevis +\d+\.\d +1 +0 +0 .*corin +\d+\.\d +0 +1 +0 `; !regexp.MustCompile(want).MatchString(out) {
		t.Errorf("got %s", out)
	}
	if status, _, talk := call(t, "grade", "class.pithward", "class.pithward"); status != 1 || !strings.Contains(talk, "was settled by bevis, corin, expert: name one with --key-observer") {
		t.Errorf("status %d, said %q", status, talk)
	}
}

// exerciseWorked makes a project with an exercise that students have joined. Those
// named Aldith, Jocosa and Merek have worked on it.
func exerciseWorked(t *testing.T, project string, students ...string) (*ledger.Ledger, ledger.Exercise) {
	t.Helper()
	l, run := evenProject(t, project)
	ctx := t.Context()
	status, out, talk := call(t, "class", "new", "--project", project, "--core", "OSVP01A", "--name", "Pine", "--key-observer", "expert", "--key-observer", "bevis")
	if status != 0 || talk == "" {
		t.Fatalf("status %d, out %q, said %q", status, out, talk)
	}
	all, err := l.Exercises(ctx)
	if err != nil || len(all) != 1 || all[0].Run != run {
		t.Fatalf("%v, %v", all, err)
	}
	x := all[0]
	now := time.Now().UTC()
	work := map[string][]float64{}
	for i := range 21 {
		at := 100 * float64(i)
		if i != 7 { // as bevis, an expert here
			work["Aldith"] = append(work["Aldith"], at)
			work["Jocosa"] = append(work["Jocosa"], at)
		}
		if i != 12 {
			work["Merek"] = append(work["Merek"], at)
		}
	}
	for _, name := range students {
		s, err := l.Join(ctx, x.Code, name, "session of "+name, "pass of "+name, now)
		if err != nil {
			t.Fatal(err)
		}
		var revision int64
		for _, at := range work[name] {
			e := measure.Event{UUID: uuid.NewString(), Kind: measure.Add, PointPx: &measure.Point{at, 100}, UTC: now}
			st, err := l.AppendWork(ctx, x, s, e, revision)
			if err != nil {
				t.Fatal(err)
			}
			revision = st.Revision(x.Core)
		}
	}
	return l, x
}

// An exercise is graded from its project like any hand-ins: by its own key and
// experts or by another, with or without names, with pages, and also by class
// grade, which keeps the result.
func TestGradeExercise(t *testing.T) {
	dir := t.TempDir()
	l, x := exerciseWorked(t, filepath.Join(dir, "class.pithward"), "Aldith", "Jocosa", "Merek", "Nobody Yet")
	t.Chdir(dir)
	ctx := t.Context()
	core, scale := evenCore()
	var key bytes.Buffer
	if err := measure.Encode(&key, measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "tray.tif", SHA256: "ab", WidthPx: 2000, HeightPx: 200}, Scale: scale, Cores: []measure.Core{core}}); err != nil {
		t.Fatal(err)
	}
	writeFile(t, "key.json", key.String())
	names := `\b(Aldith|Jocosa|Merek|Nobody)`
	for _, tt := range []struct {
		name   string
		args   []string
		status int
		out    string // regular expression
		names  bool
	}{
		{"by its own key and experts", []string{"grade", "class.pithward"}, 1, `(?s)4 students against OSVP01A by expert.*Aldith +100\.0 +0 .*Merek +\d+\.\d +1 .*Nobody Yet +0\.0.*cannot be graded.*Aldith: The same widths.*by Jocosa`, true},
		{"by another key", []string{"grade", "key.json", "class.pithward"}, 1, `(?s)4 students against key,.*Aldith +9\d\.\d +1 `, true},
		{"by another key and a further one", []string{"grade", "key.json", "class.pithward", "--key", "key.json"}, 1, `(?s)Aldith +9\d\.\d +1 `, true},
		{"beside a file", []string{"grade", "class.pithward", "class.pithward", "key.json", "--exercise", "1"}, 1, `(?s)5 students.*key +100\.0`, true},
		{"what its observers settled", []string{"grade", "class.pithward", "class.pithward", "--exercise", "0", "--key-observer", "expert"}, 0, `(?s)2 students.*bevis.*corin`, false},
		{"one that is not there", []string{"grade", "class.pithward", "--exercise", "4"}, 1, `^$`, false},
		{"by codes", []string{"grade", "class.pithward", "--anonymous", "--names", "codes.csv", "--out", "coded"}, 1, `(?s)student-01 +100\.0.*student-01: The same widths.*by student-02`, false},
		{"open still", []string{"class", "grade", "class.pithward"}, 1, `^$`, false},
		{"close", []string{"class", "close", "class.pithward"}, 0, `closed`, false},
		{"by class grade", []string{"class", "grade", "class.pithward", "--table", "marks.csv", "--out", "pages"}, 0, `(?s)4 students against OSVP01A by expert.*Aldith +100\.0`, true},
		{"by class grade, codes", []string{"class", "grade", "class.pithward", "--anonymous", "--json"}, 0, `(?s)"name": "student-03"`, false},
	} {
		status, out, talk := call(t, tt.args...)
		if status != tt.status || !regexp.MustCompile(tt.out).MatchString(out) || regexp.MustCompile(names).MatchString(out) != tt.names {
			t.Errorf("%s: status %d, out %s, said %s", tt.name, status, out, talk)
		}
	}
	if table := read(t, "codes.csv"); !strings.Contains(table, "student-03,Merek,class.pithward") {
		t.Errorf("codes: %s", table)
	}
	for _, name := range []string{"pages/Aldith.html", "coded/student-01.html"} {
		if page := read(t, name); strings.Contains(page, "Jocosa") || strings.Contains(page, "student-02") || !strings.Contains(page, "Not marked down") {
			t.Errorf("%s names another, or does not say what was excused", name)
		}
	}
	if page := read(t, "coded/class.html"); regexp.MustCompile(names).MatchString(page) {
		t.Error("the class page names somebody")
	}
	// What is kept of one holds no name of another, who may be removed.
	students, err := l.Students(ctx, x.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range students {
		if regexp.MustCompile(names).Match(s.Result) || !strings.Contains(string(s.Result), `"mark"`) {
			t.Errorf("kept of %s: %.300s", s.Name, s.Result)
		}
	}
}
