package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pithward/measure"
	"pithward/measure/ledger"
)

// sitedProject is a project with one scan of invented trees that vary alike: five pines
// (the second radius of the first without years), an oak, and a core of five rings;
// changed by each change.
func sitedProject(t *testing.T, changes ...func(*measure.Measurement)) string {
	t.Helper()
	r := rand.New(rand.NewPCG(8, 8))
	common := make([]float64, 90)
	for k := range common {
		common[k] = 0.3 * r.NormFloat64()
	}
	m := measure.Measurement{Schema: measure.Schema, Scan: measure.Scan{File: "ridge.tif", SHA256: strings.Repeat("cd", 32), WidthPx: 20000, HeightPx: 4000},
		Scale: measure.Scale{Source: measure.ScaleGiven, MMPerPx: &[2]float64{0.02, 0.02}}}
	for k, id := range []string{"RDG1A", "RDG2A", "RDG3A", "RDG4A", "RDG5A", "RDG1B", "OAK1A", "RDG9A"} {
		c := measure.Core{UID: "u" + id, ID: id, Position: k + 1, PathPx: []measure.Point{{0, 0}, {19000, 0}},
			Field: &measure.Field{Scan: "ridge.tif", Position: k + 1, Tree: id[:4], Site: "RDG", Species: "Pinus sylvestris", Sampled: "2020-11-01"}}
		if id == "OAK1A" {
			c.Field.Species = "Quercus robur"
		}
		rings, at := len(common), 0.0
		if id == "RDG9A" {
			rings = 5
		}
		for i := 0; i <= rings; i++ {
			mm := at
			c.Boundaries = append(c.Boundaries, measure.Boundary{ID: fmt.Sprintf("b%d", i), Kind: measure.RingBoundary, AtMM: &mm, PointPx: measure.Point{mm / 0.02, 0},
				Probability: 0.99, Source: "auto"})
			if i < rings {
				at += 0.9 * math.Exp(common[i]+0.1*r.NormFloat64())
			}
		}
		c.MakeRings(m.Scale, false)
		for i := range c.Rings {
			if y := 2020 - i; id != "RDG1B" {
				c.Rings[i].Year = &y
			}
		}
		m.Cores = append(m.Cores, c)
	}
	for _, change := range changes {
		change(&m)
	}
	m.FillLists()
	path := filepath.Join(t.TempDir(), "ridge.pithward")
	l, err := ledger.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := l.Store(t.Context(), m, "ridge.tif", time.Now()); err != nil {
		t.Fatal(err)
	}
	return path
}

// A project is dated tree by tree, and its files carry what the sheet knows.
func TestDateProject(t *testing.T) {
	project := sitedProject(t)
	dir := filepath.Dir(project)
	rows := "scan,position,site_name,site_code,latitude,longitude,elevation_m,investigators\n"
	for k := range 8 {
		rows += fmt.Sprintf("ridge.tif,%d,Example Ridge,RDG,50.2,8.25,%s,A. Nobody\n", k+1, []string{"400", "high"}[k/7])
	}
	sheet := writeFile(t, filepath.Join(dir, "facts.csv"), rows)
	out := filepath.Join(dir, "dated")
	status, text, talk := call(t, "date", "--project", project, "--out", out, "--sheet", sheet)
	if status != 0 {
		t.Fatalf("status %d: %s", status, talk)
	}
	for _, want := range []string{
		`facts.csv line 9: elevation_m "high" is left out`,
		"tree RDG1  2 radii; r 0.", "RDG1B  90 rings, dated 1931 to 2020 with probability",
		"RDG9A  5 rings, undatable: it has fewer than ten rings",
		"7 dated, 0 unsure, 0 contrary to the field, 0 floating, 1 undatable (RDG9A)",
		"wrote " + filepath.Join(out, "ridge-pinus-sylvestris.rwl"),
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	wantHead := "RDG    1 Example Ridge\n" +
		"RDG    2              Pinus sylvestris   400M   5012 00815         1931 2020\nRDG    3 A. Nobody\nRDG1A   1931"
	if head := read(t, filepath.Join(out, "ridge-pinus-sylvestris.rwl")); !strings.HasPrefix(head, wantHead) {
		t.Errorf("the decadal file begins\n%s", head[:250])
	}
	noaa := read(t, filepath.Join(out, "ridge-quercus-robur-noaa.txt"))
	for _, want := range []string{"Site_Name: Example Ridge", "Elevation_m: 400", "Species_Name: Quercus robur", "Northernmost_Latitude: 50.2000", "Last_Year: 2020"} {
		if !strings.Contains(noaa, want) {
			t.Errorf("the NOAA template has no %q", want)
		}
	}
	tridas := read(t, filepath.Join(out, "ridge.xml"))
	for _, want := range []string{"<samplingDate>2020-11-01</samplingDate>", "<altitude>400</altitude>", "<taxon>Quercus robur</taxon>", "<investigator>A. Nobody</investigator>"} {
		if !strings.Contains(tridas, want) {
			t.Errorf("the TRiDaS document has no %q", want)
		}
	}
	if status, _, talk := call(t, "date", "--project", project, "--out", out); status != 1 || !strings.Contains(talk, "--overwrite") {
		t.Errorf("a second time: status %d: %s", status, talk)
	}
}

// Every core is shown and counted once, also where one that names no tree is called
// like a tree.
func TestDateProjectCoreCalledLikeATree(t *testing.T) {
	project := sitedProject(t, func(m *measure.Measurement) {
		m.Cores[1].ID, m.Cores[1].Field.Tree = "RDG1", ""
	})
	status, text, talk := call(t, "date", "--project", project)
	if status != 0 {
		t.Fatalf("status %d: %s", status, talk)
	}
	for _, once := range []string{"tree RDG1  2 radii", "  RDG1A  90 rings", "tree RDG1 (core of no tree)", "  RDG1  90 rings", "\n7 dated, "} {
		if n := strings.Count(text, once); n != 1 {
			t.Errorf("%q is there %d times in\n%s", once, n, text)
		}
	}
}

// A file that is there already keeps all others from being written, and a project from
// being settled; what was dated is told all the same.
func TestDateProjectFileInTheWay(t *testing.T) {
	project := sitedProject(t, missOne)
	out := filepath.Join(filepath.Dir(project), "dated")
	if err := os.Mkdir(out, 0o777); err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(out, "ridge.xml"), "mine")
	alone := func(how string) {
		t.Helper()
		if there, err := os.ReadDir(out); err != nil || len(there) != 1 || read(t, filepath.Join(out, "ridge.xml")) != "mine" {
			t.Errorf("%s: the folder holds %v (%v)", how, there, err)
		}
	}
	status, text, talk := call(t, "date", "--project", project, "--out", out)
	if status != 1 || !strings.Contains(text, "\n7 dated, ") || strings.Contains(text, "wrote") || !strings.Contains(talk, "ridge.xml is there already: give --overwrite") {
		t.Errorf("status %d: %s%s", status, text, talk)
	}
	alone("dated")
	status, text, talk = call(t, "date", "--project", project, "--settle", "0.5", "--out", out)
	if status != 1 || !strings.Contains(talk, "ridge.xml is there already: give --overwrite") {
		t.Errorf("settling: status %d: %s%s", status, text, talk)
	}
	if _, events, _ := call(t, "log", project); events != "" {
		t.Errorf("settled:\n%s", events)
	}
	alone("settled")
	status, text, talk = call(t, "date", "--project", project, "--settle", "0.5", "--out", out, "--overwrite")
	if _, events, _ := call(t, "log", project); status != 0 || events == "" || !strings.Contains(text, "wrote "+filepath.Join(out, "ridge.xml")) {
		t.Errorf("overwriting: status %d: %s%s, events %q", status, text, talk, events)
	}
}

// missOne takes the boundary in the middle of a core for a candidate.
func missOne(m *measure.Measurement) {
	c := &m.Cores[1]
	k := len(c.Boundaries) / 2
	b := c.Boundaries[k]
	c.Candidates = append(c.Candidates, measure.Candidate{ID: b.ID, AtMM: b.AtMM, PointPx: b.PointPx, Probability: 0.31})
	c.Boundaries = slices.Delete(c.Boundaries, k, k+1)
	c.MakeRings(m.Scale, false)
	for i := range c.Rings {
		y := 2020 - i
		c.Rings[i].Year = &y
	}
}

// An observer who has settled nothing is not taken for the analyst.
func TestDateProjectUnknownObserver(t *testing.T) {
	project := sitedProject(t, missOne)
	out := filepath.Join(filepath.Dir(project), "dated")
	refused := func(words string) {
		t.Helper()
		status, text, talk := call(t, "date", "--project", project, "--observer", "nobodyhere", "--out", out)
		if status != 1 || text != "" || !strings.Contains(talk, words) {
			t.Errorf("status %d: %s%s", status, text, talk)
		}
	}
	refused(`nobody has settled anything, nor has "nobodyhere": leave --observer out`)
	if status, _, talk := call(t, "date", "--project", project, "--settle", "0.5"); status != 0 {
		t.Fatalf("settling: status %d: %s", status, talk)
	}
	refused(`nobody by the name of "nobodyhere" has settled anything: name one of those who have, pithward`)
	if status, _, talk := call(t, "date", "--project", project, "--observer", "pithward"); status != 0 {
		t.Errorf("as the program settled it: status %d: %s", status, talk)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("files were written")
	}
}

func TestDateProjectWrongCalls(t *testing.T) {
	for _, tt := range []struct {
		args  []string
		words string
	}{
		{[]string{"--project", "x.pithward", "--sheet", "cores.csv"}, "give --out DIR"},
		{[]string{"ridge.rwl", "--sheet", "cores.csv"}, "go with --project"},
		{[]string{"--project", "x.pithward", "--out", "y", "--sheet", "not-there.csv"}, "not-there.csv: cannot be read"},
	} {
		if status, _, talk := call(t, append([]string{"date"}, tt.args...)...); status != 2 || !strings.Contains(talk, tt.words) {
			t.Errorf("%v: status %d: %s", tt.args, status, talk)
		}
	}
}
