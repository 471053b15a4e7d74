package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pithward/measure/archive"
	"pithward/measure/dating"
)

// ridgeStand grows an invented stand with a common signal from 1700 on; absent
// rings and all, each tree has two radii.
func ridgeStand(trees, years int, seed uint64) []archive.Series {
	random := rand.New(rand.NewPCG(seed, 11))
	signal := make([]float64, years)
	for t := range signal {
		signal[t] = random.NormFloat64()
	}
	var out []archive.Series
	for i := range trees {
		for _, core := range []string{"A", "B"} {
			s := archive.Series{ID: fmt.Sprintf("RDG%02d%s", i+1, core), FirstYear: 1700}
			for t := range signal {
				growth := 1.4*math.Exp(-float64(t)/70) + 0.5
				mm := growth * math.Exp(0.25*signal[t]+0.18*random.NormFloat64())
				s.Widths = append(s.Widths, archive.Width(math.Round(1000*mm)/1000))
			}
			out = append(out, s)
		}
	}
	return out
}

// writeSeries writes series as a file whose name tells the format.
func writeStand(t *testing.T, path string, series ...archive.Series) string {
	t.Helper()
	var b bytes.Buffer
	if _, err := archive.Write(&b, &archive.Collection{Series: series}, archive.FormatOf(path), archive.TucsonOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// piece cuts years out of a series and numbers them anew.
func piece(s archive.Series, id string, from, to, firstYear int) archive.Series {
	return archive.Series{ID: id, FirstYear: firstYear, Widths: s.Widths[from-s.FirstYear : to-s.FirstYear+1]}
}

// dateJSON runs date with --json and reads what it prints; unknown fields are an
// error, since the contract's must all be ours.
func dateJSON(t *testing.T, args ...string) dating.Report {
	t.Helper()
	status, out, talk := invoke(t, newDateCmd, append(args, "--json")...)
	if status != exitDone {
		t.Fatalf("status %d: %s", status, talk)
	}
	var r dating.Report
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return r
}

func TestDate(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(8, 250, 1)
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), stand[2:]...) // without tree 1
	own := writeStand(t, filepath.Join(dir, "own.csv"), stand[1])
	elsewhere := writeStand(t, filepath.Join(dir, "vale.xml"), ridgeStand(8, 250, 2)...)
	beam := writeStand(t, filepath.Join(dir, "beam.csv"), piece(stand[0], "BEAM1", 1790, 1869, 1))
	short := writeStand(t, filepath.Join(dir, "short.csv"), piece(stand[0], "BEAM2", 1790, 1809, 1))

	t.Run("dated", func(t *testing.T) {
		s := dateJSON(t, beam, "--against", site).Series[0]
		if s.Decision != "dated" || s.FirstYear == nil || *s.FirstYear != 1790 || *s.LastYear != 1869 || s.Posterior < 0.99 || len(s.Placements) < 5 {
			t.Errorf("%+v", s)
		}
		if s.Death == nil || s.Death.NotBefore != 1869 || s.Death.Felling != nil {
			t.Errorf("death %+v", s.Death)
		}
	})
	t.Run("undated elsewhere", func(t *testing.T) {
		s := dateJSON(t, beam, "--against", elsewhere).Series[0]
		if s.Decision != "undated" || s.FirstYear != nil || s.LastYear != nil || s.Reason == "" || s.NoneOf < 0.5 || s.Death != nil {
			t.Errorf("%+v", s)
		}
	})
	t.Run("too short", func(t *testing.T) {
		s := dateJSON(t, short, "--against", site).Series[0]
		if s.Decision != "undated" || !strings.Contains(s.Reason, "at least 30 are needed") {
			t.Errorf("%+v", s)
		}
	})
	t.Run("names behind --against belong to it", func(t *testing.T) {
		if s := dateJSON(t, beam, "--against", elsewhere, site).Series; len(s) != 1 || s[0].Decision != "dated" {
			t.Errorf("%+v", s)
		}
		if s := dateJSON(t, "--against", site, beam).Series; len(s) != 1 || s[0].ID != "BEAM1" {
			t.Errorf("%+v", s)
		}
	})
	t.Run("a series is not set against itself", func(t *testing.T) {
		s := dateJSON(t, own, "--against", own).Series[0]
		if s.Decision != "undated" || s.References != 0 {
			t.Errorf("%+v", s)
		}
		again := writeStand(t, filepath.Join(dir, "again.csv"), piece(stand[1], "COPY", 1700, 1949, 1500))
		s = dateJSON(t, again, "--against", own).Series[0]
		if s.Decision != "undated" || s.References != 0 || len(s.Warnings) == 0 {
			t.Errorf("a copy: %+v", s)
		}
	})
	t.Run("text", func(t *testing.T) {
		_, out, _ := invoke(t, newDateCmd, beam, short, "--against", site)
		for _, want := range []string{"BEAM1  80 rings, dated 1790 to 1869", "death not before 1869", "BEAM2  20 rings, not dated: it has", "probability"} {
			if !strings.Contains(out, want) {
				t.Errorf("does not say %q:\n%s", want, out)
			}
		}
	})
}

// The other radii of a tree date a series before the other trees are asked, and
// a contradiction between them is no date.
func TestDateByItsOwnTree(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(8, 250, 3)
	stranger := ridgeStand(1, 250, 4)
	lone := writeStand(t, filepath.Join(dir, "lone.csv"), piece(stranger[0], "LON01A", 1750, 1849, 1))
	other := stranger[1]
	other.ID = "LON01B"
	reference := writeStand(t, filepath.Join(dir, "reference.rwl"), append(stand, other)...)
	s := dateJSON(t, lone, "--against", reference, "--tree-chars", "5").Series[0]
	if s.Decision != "dated" || *s.LastYear != 1849 || s.Against != "own tree" || len(s.OwnTree) == 0 {
		t.Errorf("%+v", s)
	}
	wrong := stand[1] // a radius of tree 1, misdated
	wrong.FirstYear += 7
	contradicting := writeStand(t, filepath.Join(dir, "contradicting.rwl"), append([]archive.Series{wrong}, stand[2:]...)...)
	beam := writeStand(t, filepath.Join(dir, "beam.csv"), piece(stand[0], "RDG01A", 1750, 1849, 1))
	s = dateJSON(t, beam, "--against", contradicting, "--tree-chars", "5").Series[0]
	if s.Decision != "undated" || !strings.Contains(s.Reason, "the other radii of its tree put its last ring at 1856, the other trees at 1849") {
		t.Errorf("%+v", s)
	}
}

func TestDateHold(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(8, 250, 5)
	fault := stand[0]
	fault.Widths = append(append([]archive.Width(nil), stand[0].Widths[:120]...), stand[0].Widths[121:]...) // 1820 taken out
	fault.FirstYear++
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), append([]archive.Series{fault}, stand[1:]...)...)
	plot := filepath.Join(dir, "hold.png")
	r := dateJSON(t, site, "--hold", "--tree-chars", "5", "--plot", plot)
	if len(r.Series) != 16 {
		t.Fatalf("%d series", len(r.Series))
	}
	right, doubted := 0, 0
	for i, s := range r.Series {
		if len(s.Hold) == 0 {
			t.Fatalf("%s has no windows", s.ID)
		}
		for _, w := range s.Hold {
			inner := i == 0 && w.ToYear <= 1820
			if inner && (w.BestOffset != -1 || w.BestOffsetProbability < 2*w.Probability) {
				t.Errorf("%s: %+v", s.ID, w)
			}
			if i != 0 || w.FromYear > 1821 {
				right++
				if w.Probability < 0.5 {
					doubted++
				}
			}
		}
	}
	// Windows are as long as a power of 0.95 asks for, so that a few of hundreds
	// are in doubt by chance.
	if doubted > right/50 {
		t.Errorf("%d of %d right windows are doubted", doubted, right)
	}
	x := r.Series[0].Suspects
	if len(x) == 0 || x[0].Kind != dating.Absent && x[0].Kind != dating.Missed || x[0].FromYear > 1822 || x[0].ToYear < 1820 || x[0].RAfter < x[0].RBefore+0.3 || x[0].AtMM != nil || x[0].PictureProbability != nil {
		t.Errorf("suspects %+v", x)
	}
	f, err := os.Open(plot)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := png.Decode(f); err != nil {
		t.Error(err)
	}
	_, out, _ := invoke(t, newDateCmd, site, "--hold", "--tree-chars", "5")
	for _, want := range []string{"does not hold", "better -1 years", "a ring absent between"} {
		if !strings.Contains(out, want) {
			t.Errorf("does not say %q:\n%s", want, out[:min(len(out), 2000)])
		}
	}
}

// A felling is estimated from the user's figure alone, and never before the
// outermost ring.
func TestDateFelling(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(8, 250, 6)
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), stand[2:]...)
	beam := piece(stand[0], "BEAM1", 1790, 1869, 1)
	sapwood := 6
	beam.Meta.Sapwood = &sapwood
	path := writeStand(t, filepath.Join(dir, "beam.xml"), beam)
	tests := []struct {
		name string
		args []string
		want *dating.Range
	}{
		{"no figure", nil, nil},
		{"a figure", []string{"--sapwood", "9-41"}, &dating.Range{From: 1872, To: 1904}}, // heartwood to 1863
		{"a figure smaller than the count", []string{"--sapwood", "2-20"}, &dating.Range{From: 1869, To: 1883}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := dateJSON(t, append([]string{path, "--against", site}, tt.args...)...).Series[0].Death
			if d == nil || d.Heartwood == nil || *d.Heartwood != 1863 {
				t.Fatalf("%+v", d)
			}
			if (d.Felling == nil) != (tt.want == nil) || d.Felling != nil && *d.Felling != *tt.want {
				t.Errorf("felling %+v, want %+v", d.Felling, tt.want)
			}
		})
	}
}

func TestDateStatus(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(4, 120, 7)
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), stand...)
	prose := writeText(t, dir, "prose.txt", "nothing to read\n")
	flat := writeText(t, dir, "flat.csv", "series,year,width_mm\n"+strings.Repeat("A,1,1\n", 1)+"A,2,1\nA,3,1\n")
	tests := []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"undated is an answer", []string{flat, "--against", site}, exitDone, ""},
		{"one file of two", []string{prose, site, "--hold"}, exitFailed, "prose.txt: the format is not known"},
		{"nothing to date", []string{prose, "--against", site}, exitFailed, "no series could be read"},
		{"nothing to date against", []string{site, "--against", prose}, exitFailed, "nothing to date against"},
		{"no names", nil, exitCall, "at least one file"},
		{"sure", []string{site, "--sure", "1.5"}, exitCall, "--sure"},
		{"power", []string{site, "--power", "0"}, exitCall, "--power"},
		{"overlap", []string{site, "--min-overlap", "3"}, exitCall, "--min-overlap"},
		{"sapwood", []string{site, "--sapwood", "many"}, exitCall, "--sapwood"},
		{"a plot of what", []string{site, "--plot", "a.png"}, exitCall, "--hold"},
		{"a plot as what", []string{site, "--hold", "--plot", "a.gif"}, exitCall, ".png or .svg"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, _, talk := invoke(t, newDateCmd, tt.args...)
			if status != tt.status || !strings.Contains(talk, tt.says) {
				t.Errorf("status %d, want %d; said %q, want %q in it", status, tt.status, talk, tt.says)
			}
		})
	}
}

// What cannot be read is in the answer for scripts, too.
func TestDateJSONNamesTheUnreadable(t *testing.T) {
	dir := t.TempDir()
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), ridgeStand(4, 60, 7)...)
	prose := writeText(t, dir, "prose.txt", "nothing to read\n")
	status, out, _ := invoke(t, newDateCmd, site, prose, "--json")
	var r dating.Report
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if status != exitFailed || len(r.Series) != 8 || len(r.Warnings) != 1 || !strings.HasPrefix(r.Warnings[0], prose+": the format is not known") {
		t.Errorf("status %d, %d series, warnings %q", status, len(r.Series), r.Warnings)
	}
}

// The JSON has every field of the contract, lists are lists, and unknown is
// null.
func TestDateJSONFields(t *testing.T) {
	dir := t.TempDir()
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), ridgeStand(4, 120, 8)...)
	status, out, talk := invoke(t, newDateCmd, site, "--hold", "--json")
	if status != exitDone {
		t.Fatal(talk)
	}
	var report map[string]any
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	if report["schema"] != "pithward/dating/1" {
		t.Errorf("schema %v", report["schema"])
	}
	series := report["series"].([]any)[0].(map[string]any)
	for _, list := range []string{"placements", "hold", "suspects", "warnings"} {
		if _, ok := series[list].([]any); !ok {
			t.Errorf("%s is no list: %v", list, series[list])
		}
	}
	for _, field := range []string{"id", "n", "decision", "first_year", "last_year", "posterior", "none_of_these"} {
		if _, ok := series[field]; !ok {
			t.Errorf("%s is not there", field)
		}
	}
	placement := series["placements"].([]any)[0].(map[string]any)
	for _, field := range []string{"last_year", "overlap", "r", "t_baillie_pilcher", "t_hollstein", "gleichlaeufigkeit", "posterior"} {
		if _, ok := placement[field]; !ok {
			t.Errorf("placements have no %s", field)
		}
	}
	window := series["hold"].([]any)[0].(map[string]any)
	for _, field := range []string{"from_year", "to_year", "probability", "best_offset", "best_offset_probability"} {
		if _, ok := window[field]; !ok {
			t.Errorf("windows have no %s", field)
		}
	}
}

func TestDatePairs(t *testing.T) {
	dir := t.TempDir()
	stand := ridgeStand(3, 150, 9)
	stand[5].FirstYear += 4 // misdated
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), stand...)
	path := filepath.Join(dir, "pairs.csv")
	if status, _, talk := invoke(t, newDateCmd, site, "--pairs", path); status != exitDone {
		t.Fatal(talk)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(string(data)), "\n")
	if len(rows) != 1+15 || rows[0] != "series,other,other_moved_years,overlap,r,z" {
		t.Fatalf("%d rows: %s", len(rows), rows[0])
	}
	if !strings.HasPrefix(rows[5], "RDG01A,RDG03B,-4,") {
		t.Errorf("the misdated series is not moved back: %s", rows[5])
	}
}

// People are shown the suspects worth a look, and told of the rest.
func TestSuspectsText(t *testing.T) {
	for _, c := range []struct {
		posteriors []float64
		want       string
	}{
		{nil, ""},
		{[]float64{0.9, 0.2, 0.19, 0.05}, "  suspect: 0.90\n  suspect: 0.20\n  2 more, less likely: see --json\n"},
		{[]float64{0.3}, "  suspect: 0.30\n"},
		{[]float64{0.15, 0.12}, "  suspect: 0.15\n  1 more, less likely: see --json\n"},
		{[]float64{0.09, 0.06}, "  no likely suspect; 2 unlikely: see --json\n"},
	} {
		var all []dating.SuspectReport
		for _, p := range c.posteriors {
			all = append(all, dating.SuspectReport{Posterior: p, Words: fmt.Sprintf("%.2f", p)})
		}
		var b strings.Builder
		if suspectsText(&b, "  ", all); b.String() != c.want {
			t.Errorf("%v: %q, want %q", c.posteriors, b.String(), c.want)
		}
	}
}
