package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pithward/measure/archive"
)

func TestChronology(t *testing.T) {
	dir := t.TempDir()
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), ridgeStand(6, 200, 1)...)
	stem := filepath.Join(dir, "out")
	status, out, talk := invoke(t, newChronologyCmd, site, "--out", stem, "--tree-chars", "5", "--cutoff", "32")
	if status != exitDone {
		t.Fatal(talk)
	}
	if !strings.Contains(out, "12 series, years 1700 to 1899") || !strings.Contains(out, "spline of 32 years") || !strings.Contains(out, "of 6 trees") {
		t.Errorf("summary:\n%s", out)
	}
	for _, end := range []string{".crn", ".residual.crn", ".csv", ".signal.csv", ".png", ".svg"} {
		if info, err := os.Stat(stem + end); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", end, err)
		}
	}
	f, err := os.Open(stem + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 201 || rows[1][0] != "1700" || rows[100][7] != "12" || rows[100][8] != "6" || rows[100][2] == "" {
		t.Errorf("%d rows, %v: %v", len(rows), err, rows[100])
	}
	c, err := archive.ReadFile(stem + ".crn")
	if err != nil {
		t.Fatal(err)
	}
	if s := c.Series[0]; s.Quantity != archive.Index || s.FirstYear != 1700 || len(s.Widths) != 200 || s.Depth[0] != 12 {
		t.Errorf("%s: years %d to %d", s.ID, s.FirstYear, s.LastYear())
	}
	// A chronology dates as a reference.
	beam := writeStand(t, filepath.Join(dir, "beam.csv"), piece(ridgeStand(6, 200, 1)[0], "BEAM", 1750, 1829, 1))
	if s := dateJSON(t, beam, "--against", stem+".crn").Series[0]; s.Decision != "dated" || *s.LastYear != 1829 {
		t.Errorf("against the chronology: %+v", s)
	}
}

func TestChronologyStatus(t *testing.T) {
	dir := t.TempDir()
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), ridgeStand(3, 80, 2)...)
	flat := writeText(t, dir, "flat.csv", "series,year,width_mm\nA,1990,1\nA,1991,1\n")
	there := writeText(t, dir, "there.csv", "x")
	stem := filepath.Join(dir, "a")
	tests := []struct {
		name   string
		args   []string
		status int
		says   string
	}{
		{"no stem", []string{site}, exitCall, "--out is missing"},
		{"no names", []string{"--out", stem}, exitCall, "at least one"},
		{"curve", []string{site, "--out", stem, "--curve", "ruler"}, exitCall, "--curve"},
		{"cutoff", []string{site, "--out", stem, "--cutoff", "1"}, exitCall, "--cutoff"},
		{"cutoff of no spline", []string{site, "--out", stem, "--cutoff", "50", "--curve", "negative-exponential"}, exitCall, "--cutoff"},
		{"nothing varies", []string{flat, "--out", stem}, exitFailed, "no series can take part"},
		{"there already", []string{site, "--out", strings.TrimSuffix(there, ".csv")}, exitFailed, "--overwrite"},
		{"negative exponential", []string{site, "--out", stem, "--curve", "negative-exponential"}, exitDone, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, _, talk := invoke(t, newChronologyCmd, tt.args...)
			if status != tt.status || !strings.Contains(talk, tt.says) {
				t.Errorf("status %d, want %d; said %q, want %q in it", status, tt.status, talk, tt.says)
			}
		})
	}
}

func TestChronologyJSON(t *testing.T) {
	dir := t.TempDir()
	site := writeStand(t, filepath.Join(dir, "ridge.rwl"), ridgeStand(3, 80, 3)...)
	status, out, talk := invoke(t, newChronologyCmd, site, "--out", filepath.Join(dir, "a"), "--json")
	if status != exitDone {
		t.Fatal(talk)
	}
	var summary struct {
		Schema string           `json:"schema"`
		Series []map[string]any `json:"series"`
		Signal map[string]any   `json:"signal"`
		Files  []string         `json:"files"`
	}
	if err := json.Unmarshal([]byte(out), &summary); err != nil {
		t.Fatal(err)
	}
	if summary.Schema != "pithward/chronology/1" || len(summary.Series) != 6 || len(summary.Files) != 6 || summary.Signal["rbar_all"] == nil {
		t.Errorf("%+v", summary)
	}
}
