package archive

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// asWritten is what must come back of a collection: the series with a measured
// ring, without missing values at the ends, which a table of years cannot tell
// from years outside a series.
func asWritten(c *Collection) map[string]Series {
	out := map[string]Series{}
	for _, s := range c.Series {
		if measured, _, _ := s.Counts(); measured == 0 {
			continue
		}
		s = s.Trim()
		out[s.ID] = Series{ID: s.ID, FirstYear: s.FirstYear, Widths: s.Widths}
	}
	return out
}

// roundTrip writes and reads a collection and compares.
func roundTrip(t interface {
	Helper()
	Fatalf(string, ...any)
}, c *Collection, f Format) []byte {
	t.Helper()
	want := asWritten(c)
	var b bytes.Buffer
	_, err := Write(&b, c, f, TucsonOptions{})
	if len(want) == 0 && errors.Is(err, ErrNoSeries) {
		return nil
	}
	if err != nil {
		t.Fatalf("%s: write: %v", f, err)
	}
	back, err := Read("x", b.Bytes())
	if err != nil {
		t.Fatalf("%s: read: %v\n%s", f, err, b.String())
	}
	if back.Format != f {
		t.Fatalf("written as %s, taken for %s\n%s", f, back.Format, b.String())
	}
	if d := cmp.Diff(want, asWritten(back)); d != "" {
		t.Fatalf("%s: (-written +read):\n%s\n%s", f, d, b.String())
	}
	return b.Bytes()
}

// The one suite that every format of widths passes.
func TestEveryFormatRoundTrip(t *testing.T) {
	for _, f := range Formats() {
		t.Run(string(f), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				c := &Collection{Name: "x"}
				ids := rapid.SliceOfNDistinct(rapid.StringMatching(`[A-Za-z][A-Z0-9 <&"',;#-]{0,5}[A-Z0-9]`), 1, 5, rapid.ID[string]).Draw(t, "ids")
				for _, id := range ids {
					c.Series = append(c.Series, drawSeries(t, id))
				}
				roundTrip(t, c, f)
			})
		})
	}
}

// The archive's files written in every format and read again.
func TestEveryFormatHoldsArchiveFiles(t *testing.T) {
	for _, p := range parsedFiles(t) {
		c, err := ReadFile(reference(t, "itrdb/"+p.File))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range Formats() {
			t.Run(p.File+"/"+string(f), func(t *testing.T) { roundTrip(t, c, f) })
		}
	}
}

// The archive's own template versions say the same as its decadal files
// (reference/itrdb/SOURCE.md).
func TestReadNOAAAgreesWithDecadalFiles(t *testing.T) {
	warnings := map[string][]Warning{"lith031": {{Line: 65, Text: "a line ends in a bare carriage return"}}}
	for _, name := range []string{"fran005", "lith031", "mt119"} {
		t.Run(name, func(t *testing.T) {
			want, err := ReadFile(reference(t, "itrdb/"+name+".rwl"))
			if err != nil {
				t.Fatal(err)
			}
			got, err := ReadFile(reference(t, "itrdb/"+name+"-rwl-noaa.txt"))
			if err != nil {
				t.Fatal(err)
			}
			if got.Format != NOAA {
				t.Errorf("taken for %s", got.Format)
			}
			if d := cmp.Diff(asWritten(want), asWritten(got)); d != "" {
				t.Errorf("(-decadal +template):\n%s", d)
			}
			if d := cmp.Diff(warnings[name], got.Warnings); d != "" {
				t.Errorf("warnings (-want +got):\n%s", d)
			}
		})
	}
}

func TestReadNOAASite(t *testing.T) {
	c, err := ReadFile(reference(t, "itrdb/mt119-rwl-noaa.txt"))
	if err != nil {
		t.Fatal(err)
	}
	want := Site{Code: "MT119", Name: "Pintlers", Location: "Montana", Species: "Larix lyallii Parl.", SpeciesCode: "LALY",
		ElevationM: ptr(2700.0), LatitudeDeg: ptr(46.0167), LongitudeDeg: ptr(-113.3667), Investigators: "Littell, J.S.",
		Study: "Littell - Pintlers - LALY - ITRDB MT119"}
	if d := cmp.Diff(want, c.Site); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	var b bytes.Buffer
	if _, err := WriteNOAA(&b, c); err != nil {
		t.Fatal(err)
	}
	back, err := Read("x.txt", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, back.Site); d != "" {
		t.Errorf("after writing (-want +got):\n%s", d)
	}
}

// The header of mt119.rwl says the same site (elevation 2700 m, 46 01 N,
// 113 22 W) as its template version.
func TestSiteFromHeader(t *testing.T) {
	c, err := ReadFile(reference(t, "itrdb/mt119.rwl"))
	if err != nil {
		t.Fatal(err)
	}
	want := Site{Code: "01B", Name: "Pintlers", Location: "Montana", Species: "Subalpine Larch", SpeciesCode: "LALY",
		ElevationM: ptr(2700.0), LatitudeDeg: ptr(46 + 1/60.0), LongitudeDeg: ptr(-(113 + 22/60.0)), Investigators: "Jeremy Littell"}
	if d := cmp.Diff(want, c.Site); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	c.Format, c.Header = NOAA, nil // so that the header is made anew
	var b bytes.Buffer
	if _, err := WriteTucson(&b, c, TucsonOptions{}); err != nil {
		t.Fatal(err)
	}
	back, err := Read("x.rwl", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, back.Site); d != "" {
		t.Errorf("after writing (-want +got):\n%s", d)
	}
}

// ridge is an invented collection with everything a TRiDaS document can say.
func ridge() *Collection {
	return &Collection{Name: "ridge", Site: Site{Code: "RDG", Name: "Example Ridge", Location: "Nowhere", Species: "Pinus sylvestris",
		SpeciesCode: "PISY", ElevationM: ptr(350.0), LatitudeDeg: ptr(50.2), LongitudeDeg: ptr(8.25), Investigators: "nobody", Study: "Ridge & valley", Laboratory: "Ridge hut"},
		Series: []Series{
			{ID: "RDG01A", FirstYear: -3, Unit: Thousandths, Widths: widths(Thousandths, 1234, 0, -1, 987, 1500), Meta: Meta{Tree: "RDG01",
				Species: "Pinus sylvestris", Bark: ptr(true), Pith: ptr(false), Sapwood: ptr(3), Note: "resin <at> 0",
				Remarks: map[int][]string{-3: {"frost damage", "own words"}}, Sampled: "2020-10-01", Analyst: "Ada", ScaleUncertainty: ptr(0.0015), Posterior: ptr(0.9975)}},
			{ID: "RDG01B", FirstYear: 1, Floating: true, Unit: Hundredths, Widths: widths(Hundredths, 120, 99), Meta: Meta{Tree: "RDG01", Species: "Pinus sylvestris"}},
			{ID: "RDG02A", FirstYear: 1990, Widths: []Width{1.23456, 0.1}, Meta: Meta{Tree: "RDG02A", Species: "Quercus robur"}},
			{ID: "RDGSTD", FirstYear: 1990, Quantity: Index, Widths: []Width{0.9, 1.1}, Depth: []int{2, 3}},
			{ID: "RDG02A", FirstYear: 1990, Quantity: "latewood width", Widths: []Width{0.5, 0.25}, Meta: Meta{Tree: "RDG02A", Species: "Quercus robur"}},
		}}
}

func TestTRiDaSKeepsEverything(t *testing.T) {
	c := ridge()
	var b bytes.Buffer
	if _, err := WriteTRiDaS(&b, c); err != nil {
		t.Fatal(err)
	}
	back, err := ReadTRiDaS("x.xml", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(c.Site.Name, back.Site.Name); d != "" {
		t.Error(d)
	}
	site := c.Site
	site.Species = "" // said of each element instead
	if d := cmp.Diff(site, back.Site); d != "" {
		t.Errorf("site (-want +got):\n%s", d)
	}
	want, got := map[string]Series{}, map[string]Series{}
	for k, s := range c.Series {
		if k == 4 {
			s.ID = "RDG02A-2" // made unique
		}
		want[s.ID] = s
	}
	for _, s := range back.Series {
		s.Line = 0
		got[s.ID] = s
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("series (-want +got):\n%s", d)
	}
}

// What is written is valid against the published schema, tridas.xsd 1.2.2.
func TestTRiDaSIsValid(t *testing.T) {
	if _, err := exec.LookPath("xmllint"); err != nil {
		t.Skip("xmllint is not here (Debian: libxml2-utils)")
	}
	schema, err := filepath.Abs(reference(t, "tridas.xsd"))
	if err != nil {
		t.Fatal(err)
	}
	validate := func(t *testing.T, document string) {
		t.Helper()
		out, err := exec.Command("xmllint", "--nonet", "--noout", "--schema", schema, document).CombinedOutput()
		if err != nil {
			text := readBytes(t, document)
			t.Fatalf("%v: %s\n%s", err, out, text[:min(len(text), 3000)])
		}
	}
	write := func(t *testing.T, c *Collection) string {
		var b bytes.Buffer
		if _, err := WriteTRiDaS(&b, c); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "x.xml")
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	t.Run("everything", func(t *testing.T) { validate(t, write(t, ridge())) })
	t.Run("nothing known", func(t *testing.T) {
		validate(t, write(t, &Collection{Series: []Series{{ID: "A", FirstYear: 0, Widths: []Width{1}}}}))
	})
	t.Run("the check itself fails on a wrong document", func(t *testing.T) {
		path := write(t, ridge())
		wrong := bytes.Replace(readBytes(t, path), []byte("<taxon>"), []byte("<taxon><b/>"), 1)
		if err := os.WriteFile(path, wrong, 0o644); err != nil {
			t.Fatal(err)
		}
		if exec.Command("xmllint", "--nonet", "--noout", "--schema", schema, path).Run() == nil {
			t.Error("a wrong document is called valid")
		}
	})
	for _, p := range parsedFiles(t) {
		t.Run(p.File, func(t *testing.T) {
			c, err := ReadFile(reference(t, "itrdb/"+p.File))
			if err != nil {
				t.Fatal(err)
			}
			validate(t, write(t, c))
		})
	}
}

// The smallest useful document (reference/worked/tridas_minimal.xml, valid
// against the schema).
func TestReadTRiDaSMinimal(t *testing.T) {
	c, err := ReadFile(reference(t, "worked/tridas_minimal.xml"))
	if err != nil {
		t.Fatal(err)
	}
	want := []Series{{ID: "01A", FirstYear: 2022, Unit: Thousandths, Widths: widths(Thousandths, 1234, 0, 987),
		Meta: Meta{Tree: "tree 01", Species: "Pinus sylvestris", Bark: ptr(true), Pith: ptr(false), Sapwood: ptr(3)}}}
	for i := range c.Series {
		c.Series[i].Line = 0
	}
	if d := cmp.Diff(want, c.Series); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if d := cmp.Diff([]Warning{{Line: 41, Series: "01A", Text: "only 3 measured rings"}}, c.Warnings); d != "" {
		t.Errorf("warnings (-want +got):\n%s", d)
	}
}

// TRiDaS has no year 0: astronomical -54 is 55 BC, 0 is 1 BC (TRiDaS 1.2.2
// schema, xs:positiveInteger with a suffix).
func TestTRiDaSYears(t *testing.T) {
	tests := []struct {
		year   int
		suffix string
		number string
	}{{2024, "AD", "2024"}, {1, "AD", "1"}, {0, "BC", "1"}, {-54, "BC", "55"}}
	for _, tt := range tests {
		y := tridasYearOf(tt.year)
		if y.Suffix != tt.suffix || y.Number != tt.number {
			t.Errorf("%d: %s %s, want %s %s", tt.year, y.Number, y.Suffix, tt.number, tt.suffix)
		}
		c := &Collection{}
		if back, ok := c.tridasYear(&Series{}, &y, "first"); !ok || back != tt.year {
			t.Errorf("%s %s: %d, want %d", y.Number, y.Suffix, back, tt.year)
		}
	}
	c := &Collection{}
	if y, _ := c.tridasYear(&Series{}, &tridasYear{"BP", "50"}, "first"); y != 1900 { // BP counts from 1950
		t.Errorf("50 BP: %d, want 1900", y)
	}
}

func TestReadCSV(t *testing.T) {
	tests := []struct {
		name     string
		text     string
		want     []Series
		warnings []string
	}{
		{"absent and missing", "series,year,width_mm\nA,1990,1.5\nA,1991,0\nA,1992,\nA,1993,2\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1.5, 0, Missing, 2}}}, nil},
		{"any order of rows and columns", "note,year,series,width_mm\nx,1991,A,2\ny,1990,A,1\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1, 2}}}, nil},
		{"semicolons and decimal commas", "series;year;width_mm\r\nA;1990;1,25\r\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1.25}}}, nil},
		{"an id used twice", "series,year,width_mm\nA,1990,1\nA,1991,2\nA,1990,3\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1, 2}}, {ID: "A-2", FirstYear: 1990, Line: 4, Widths: []Width{3}}},
			[]string{"line 4: A: year 1990 comes twice: from here on it is taken as another series", `line 4: A: "A" is written as "A-2": the id is used by an earlier series`}},
		{"a hole", "series,year,width_mm\nA,1990,1\nA,1992,2\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1, Missing, 2}}},
			[]string{"line 2: A: 1 years between its first and last have no row: taken as not measured"}},
		{"rows that say nothing", "series,year,width_mm\nA,1990,1\nA,then,2\nA\nA,1991,wide\nA,99999,1\nA,1992,-1\nA,1993,1e9\n",
			[]Series{{ID: "A", FirstYear: 1990, Line: 2, Widths: []Width{1, Missing, Missing, Missing}}},
			[]string{`line 3: A: "then" is no year: the row is left out`, "line 4: too few columns: the row is left out",
				`line 5: A: year 1991: "wide" is no number: taken as not measured`,
				"line 6: A: year 99999 is impossible: expected -20000 to 9999: the row is left out",
				"line 7: A: year 1992: -1 is taken as not measured",
				"line 8: A: year 1993: a width of 1e+09 mm is impossible: taken as not measured"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := ReadCSV("x", []byte(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tt.want, c.Series); d != "" {
				t.Errorf("series (-want +got):\n%s", d)
			}
			var got []string
			for _, w := range c.Warnings {
				got = append(got, w.String())
			}
			if d := cmp.Diff(tt.warnings, got); d != "" {
				t.Errorf("warnings (-want +got):\n%s", d)
			}
		})
	}
}

func TestWriteCSV(t *testing.T) {
	c := &Collection{Series: []Series{{ID: "A", FirstYear: 1990, Widths: []Width{1.5, 0, Missing}}, {ID: "A", FirstYear: 1, Widths: []Width{0.001}}}}
	var b bytes.Buffer
	warnings, err := WriteCSV(&b, c)
	if err != nil {
		t.Fatal(err)
	}
	want := "series,year,width_mm\nA,1990,1.5\nA,1991,0\nA,1992,\nA-2,1,0.001\n"
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if len(warnings) != 1 {
		t.Errorf("warnings: %v", warnings)
	}
}

// The layout of a chronology row: id 1-6, decade 7-10, pairs of four and three
// columns (NOAA/WDS 2008).
func TestChronology(t *testing.T) {
	c := &Collection{Series: []Series{{ID: "RDGSTD", FirstYear: 1988, Quantity: Index, Widths: []Width{0.9, 1.234, Missing, 1}, Depth: []int{2, 3, 0, 12}}}}
	var b bytes.Buffer
	if _, err := WriteChronology(&b, c); err != nil {
		t.Fatal(err)
	}
	want := "RDGSTD1980" + strings.Repeat("9990  0", 8) + " 900  21234  3\nRDGSTD1990" + "9990  01000 12" + strings.Repeat("9990  0", 8) + "\n"
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	back, err := Read("x.crn", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	back.Series[0].Line = 0
	if d := cmp.Diff(c.Series, back.Series); d != "" {
		t.Errorf("(-written +read):\n%s", d)
	}
}

func TestReadWarnsOfSeriesThatHoldNothing(t *testing.T) {
	c, err := Read("x.rwl", []byte("A       1990    10    20   999\nB       1990    10    10    10    10    10   999\nC       1990    10    20    30    40    50   999\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []Warning{{Line: 1, Series: "A", Text: "only 2 measured rings"}, {Line: 2, Series: "B", Text: "all 5 widths are equal"}}
	if d := cmp.Diff(want, c.Warnings); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestReadRefuses(t *testing.T) {
	tests := []struct {
		name, file, text string
		want             error
		says             string
	}{
		{"empty", "a.rwl", "", ErrUnknownFormat, "a.rwl"},
		{"a picture", "a.tif", "II*\x00\x08\x00", ErrUnknownFormat, "no text"},
		{"prose", "a.txt", "It was a dark and stormy night.", ErrUnknownFormat, "a.txt"},
		{"broken XML", "a.xml", "<tridas><project>", nil, "a.xml: line 1"},
		{"other XML", "a.xml", "<html></html>", nil, "<html>"},
		{"TRiDaS without series", "a.xml", "<tridas><project><title>x</title></project></tridas>", ErrNoSeries, "a.xml"},
		{"CSV without the columns", "a.csv", "core;wide\nA;1\n", nil, "line 1: the header"},
		{"CSV without rows", "a.csv", "series,year,width_mm\n", ErrNoSeries, "a.csv"},
		{"template without a table", "a.txt", "# x\n## A\ttotal ring width,,,millimeter\n", ErrNoSeries, "a.txt"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Read(tt.file, []byte(tt.text))
			if err == nil || tt.want != nil && !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v, want %v saying %q", err, tt.want, tt.says)
			}
		})
	}
}

// FuzzRead feeds any bytes to whichever reader they look made for; what is read
// must come back unchanged in every format that can hold it.
func FuzzRead(f *testing.F) {
	for _, format := range Formats() {
		var b bytes.Buffer
		if _, err := Write(&b, ridge(), format, TucsonOptions{}); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	f.Add([]byte("RDGSTD1980" + strings.Repeat("9990  0", 8) + " 900  21234  3\n"))
	f.Add([]byte("series;year;width_mm\nA;1990;1,25\n"))
	f.Add([]byte("age_BP\tA\n10\t1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Read("x", data)
		if err != nil {
			return
		}
		for _, s := range c.Series {
			if len(s.Widths) > 2*maxSpan || s.Depth != nil && len(s.Depth) != len(s.Widths) {
				t.Fatalf("series %s: %d widths, %d depths", s.ID, len(s.Widths), len(s.Depth))
			}
		}
		ids, _ := UniqueIDs(c.Series)
		var plain Collection
		for i, s := range c.Series {
			if s.Quantity == RingWidth {
				s.ID = ids[i]
				plain.Series = append(plain.Series, s)
			}
		}
		for _, format := range []Format{NOAA, TRiDaS, CSV} {
			roundTrip(t, &plain, format)
		}
	})
}
