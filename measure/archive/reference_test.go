package archive

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// reference is the folder of published material, beside the repository. Tests
// that need it are skipped where it is absent.
func reference(t testing.TB, path string) string {
	t.Helper()
	p := filepath.Join("..", "..", "..", "shared", "reference", path)
	if _, err := os.Stat(p); err != nil {
		t.Skipf("reference material is not here: %v", err)
	}
	return p
}

func readBytes(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

type parsedSeries struct {
	ID        string  `json:"id"`
	FirstYear int     `json:"first_year"`
	LastYear  int     `json:"last_year"`
	N         int     `json:"n"`
	Measured  int     `json:"n_measured"`
	Missing   int     `json:"n_missing"`
	Zero      int     `json:"n_zero"`
	SumUnits  int     `json:"sum_units"`
	UnitMM    float64 `json:"unit_mm"`
	EndMarker *int    `json:"end_marker"`
}

type parsedFile struct {
	File         string           `json:"file"`
	Header       int              `json:"n_header_lines"`
	MissingYears map[string][]int `json:"missing_years"`
	Notes        []string         `json:"reading_notes"`
	Series       []parsedSeries   `json:"series"`
}

func parsedFiles(t testing.TB) []parsedFile {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(readBytes(t, reference(t, "itrdb/parsed.json.gz"))))
	if err != nil {
		t.Fatal(err)
	}
	var files []parsedFile
	if err := json.NewDecoder(z).Decode(&files); err != nil {
		t.Fatal(err)
	}
	return files
}

func summarise(s Series) parsedSeries {
	p := parsedSeries{ID: s.ID, FirstYear: s.FirstYear, LastYear: s.LastYear(), N: len(s.Widths), UnitMM: 0.01}
	p.Measured, p.Zero, p.Missing = s.Counts()
	stop := stopHundredths
	if s.Unit == Thousandths {
		p.UnitMM, stop = 0.001, stopThousandths
	}
	p.EndMarker = &stop
	for _, w := range s.Widths {
		if w.Measured() {
			p.SumUnits += int(math.Round(float64(w) * float64(s.Unit)))
		}
	}
	return p
}

// The files are real ones of the International Tree-Ring Data Bank (NOAA/WDS);
// what they hold was set down by an independent reader and, for malformed rows,
// by eye (reference/itrdb/SOURCE.md).
func TestReadTucsonReadsArchiveFiles(t *testing.T) {
	for _, want := range parsedFiles(t) {
		t.Run(want.File, func(t *testing.T) {
			path := reference(t, "itrdb/"+want.File)
			c, err := ReadTucson(want.File, readBytes(t, path))
			if err != nil {
				t.Fatal(err)
			}
			if len(c.Header) != want.Header {
				t.Errorf("%d description lines, want %d", len(c.Header), want.Header)
			}
			var got []parsedSeries
			missing := map[string][]int{}
			for _, s := range c.Series {
				got = append(got, summarise(s))
				for k, w := range s.Widths {
					if !w.Measured() {
						missing[s.ID] = append(missing[s.ID], s.FirstYear+k)
					}
				}
			}
			if d := cmp.Diff(want.Series, got); d != "" {
				t.Errorf("series (-want +got):\n%s", d)
			}
			if d := cmp.Diff(want.MissingYears, missing); d != "" {
				t.Errorf("years not measured (-want +got):\n%s", d)
			}
			checkNotes(t, want.Notes, c.Warnings)
			if testing.Verbose() {
				for _, w := range c.Warnings {
					t.Log(w)
				}
			}
		})
	}
}

// Every row that needed thought must be warned of by its line.
func checkNotes(t *testing.T, notes []string, warnings []Warning) {
	t.Helper()
	for _, n := range notes {
		var line int
		if _, err := fmt.Sscanf(n, "line %d", &line); err != nil {
			t.Fatalf("note %q: %v", n, err)
		}
		found := false
		for _, w := range warnings {
			found = found || w.Line == line
		}
		if !found {
			t.Errorf("no warning for line %d: %s", line, n)
		}
	}
}
