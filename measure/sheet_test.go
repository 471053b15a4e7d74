package measure

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestReadSheet(t *testing.T) {
	tests := []struct {
		name     string
		text     string
		want     []Field
		warnings []string
	}{
		{"every column",
			"scan,position,core,part,tree,site,species,status,sampled,outer_ring,hemisphere,bark,pith,borer_mm,outer_year,note\n" +
				"tray.tif,1,LK01A,2,LK01,Larkmoor,Pinus sylvestris,living,2021-09-30,complete,N,yes,no,5.15,2021,\"leans, east\"\n",
			[]Field{{Line: 2, Scan: "tray.tif", Position: 1, Core: "LK01A", Part: 2, Tree: "LK01", Site: "Larkmoor", Species: "Pinus sylvestris",
				Status: "living", Sampled: "2021-09-30", OuterRing: "complete", Hemisphere: "N", Bark: ptr(true), Pith: ptr(false),
				BorerMM: ptr(5.15), OuterYear: ptr(2021), Note: "leans, east"}}, nil},
		{"columns in any order, unknown ones kept, blanks and case forgiven",
			"Slope, POSITION ,scan,Outer Ring\n12 deg,2,tray,Incomplete\n,1,tray,\n",
			[]Field{{Line: 2, Scan: "tray", Position: 2, OuterRing: "incomplete", Other: map[string]string{"Slope": "12 deg"}},
				{Line: 3, Scan: "tray", Position: 1}}, nil},
		{"names of unknown columns as they are written", "scan,position,Leaf Area (m²),slope,Slope\ntray,1,3,a,b\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1, Other: map[string]string{"Leaf Area (m²)": "3", "slope": "a"}}},
			[]string{"s.csv line 1: column Slope is there twice: the first counts"}},
		{"byte order mark, CR LF, empty lines",
			"\ufeffscan,position\r\n\r\ntray,1\r\n,,\r\n",
			[]Field{{Line: 3, Scan: "tray", Position: 1}}, nil},
		{"bad cells count as not stated",
			"scan,position,status,sampled,bark,borer_mm,outer_year,part,hemisphere\ntray,1,felled,30.9.2021,maybe,-3,MMXX,0,east\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1}},
			[]string{
				`s.csv line 2: status "felled" ignored: want living, dead, timber`,
				`s.csv line 2: sampled "30.9.2021" ignored: want a date like 2021-09-30 (or 2021-09, 2021)`,
				`s.csv line 2: bark "maybe" ignored: want yes, no`,
				`s.csv line 2: borer_mm "-3" ignored: want a length in mm, like 5.15`,
				`s.csv line 2: outer_year "MMXX" ignored: want a year, like 2019`,
				`s.csv line 2: part "0" ignored: want a whole number from 1`,
				`s.csv line 2: hemisphere "east" ignored: want N, S`,
			}},
		{"dates that do not exist", "scan,position,sampled\ntray,1,2021-02-30\n", []Field{{Line: 2, Scan: "tray", Position: 1}},
			[]string{`s.csv line 2: sampled "2021-02-30" ignored: want a date like 2021-09-30 (or 2021-09, 2021)`}},
		{"rows that cannot be used are left out",
			"scan,position,core\n,1,A\ntray,,B\ntray,first,C\ntray,4,D,left over\n",
			[]Field{{Line: 5, Scan: "tray", Position: 4, Core: "D"}},
			[]string{"s.csv line 2: row left out: no scan", "s.csv line 3: row left out: no position",
				`s.csv line 4: position "first" ignored: want a whole number from 1`, "s.csv line 4: row left out: no position",
				`s.csv line 5: more cells than columns: "left over" ignored`}},
		{"a stray quote spoils its row alone", "scan,position\ntray,1\"\ntray,2\n", []Field{{Line: 3, Scan: "tray", Position: 2}},
			[]string{`s.csv line 2: row left out: bare " in non-quoted-field`}},
		{"a column twice", "scan,position,core,core\ntray,1,A,B\n", []Field{{Line: 2, Scan: "tray", Position: 1, Core: "A"}},
			[]string{"s.csv line 1: column core is there twice: the first counts"}},
		{"header alone", "scan,position\n", nil, nil},
		// RFC 4180 with another character between the cells, as spreadsheets
		// write it where the comma is the decimal mark (common practice).
		{"semicolons and decimal commas", "borer_mm;note;scan;position\r\n5,15;\"bent; dry\";tray;1\r\n12,0;leans, east;tray;2\r\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1, BorerMM: ptr(5.15), Note: "bent; dry"}, {Line: 3, Scan: "tray", Position: 2, BorerMM: ptr(12.0), Note: "leans, east"}}, nil},
		{"tabs, with empty cells", "scan\tcore\tnote\tposition\ntray\t\t\t1\ntray\tB\ta \"knot\", dry\t2\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1}},
			[]string{`s.csv line 3: row left out: bare " in non-quoted-field`}},
		{"a first line that names the separator", "\ufeffsep=;\r\nscan;position;core\r\ntray;1;A\r\n", []Field{{Line: 3, Scan: "tray", Position: 1, Core: "A"}}, nil},
		{"a semicolon in a sheet of commas", "scan,position,note;more\ntray,1,a;b\n", []Field{{Line: 2, Scan: "tray", Position: 1, Other: map[string]string{"note;more": "a;b"}}}, nil},
		{"quoted header and quoted blanks", "\"scan\";\"position\";\"core\";\"species\"\n\"tray\";\" 1 \";\"  \";\" Pinus  sylvestris \"\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1, Species: "Pinus  sylvestris"}}, nil},
		{"a decimal comma within quotes", "scan,position,borer_mm\ntray,1,\"5,15\"\n", []Field{{Line: 2, Scan: "tray", Position: 1, BorerMM: ptr(5.15)}}, nil},
		{"thousands are no decimals", "scan;position;borer_mm\ntray;1;1.234,5\ntray;2;1,2,3\n", []Field{{Line: 2, Scan: "tray", Position: 1}, {Line: 3, Scan: "tray", Position: 2}},
			[]string{`s.csv line 2: borer_mm "1.234,5" ignored: want a length in mm, like 5.15`, `s.csv line 3: borer_mm "1,2,3" ignored: want a length in mm, like 5.15`}},
		{"a row over several lines is named by its first", "scan,position,note,bark\ntray,1,\"two\nlines\",no\ntray,2,,perhaps\n",
			[]Field{{Line: 2, Scan: "tray", Position: 1, Note: "two\nlines", Bark: ptr(false)}, {Line: 4, Scan: "tray", Position: 2}},
			[]string{`s.csv line 4: bark "perhaps" ignored: want yes, no`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			sheet, err := ReadSheet("s.csv", strings.NewReader(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tt.want, sheet.Fields); d != "" {
				t.Errorf("fields (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tt.warnings, sheet.Messages()); d != "" {
				t.Errorf("warnings (-want +got):\n%s", d)
			}
		})
	}
}

func TestSheetThatCannotBeUsed(t *testing.T) {
	for name, tt := range map[string]struct{ text, want string }{
		"empty":                 {"", "s.csv: empty: "},
		"no scan":               {"core,position\nA,1\n", `s.csv: no column "scan"`},
		"no position":           {"scan,core\ntray,A\n", `s.csv: no column "position"`},
		"Latin-1":               {"scan,position\ntray,1\nK\xe4fertal,2\n", "s.csv: line 3 is not UTF-8"},
		"UTF-16":                {"\xff\xfes\x00c\x00a\x00n\x00", "s.csv: line 1 is not UTF-8"},
		"UTF-16 without a mark": {"s\x00c\x00a\x00n\x00,\x00", "s.csv: line 1 is not UTF-8"},
		"too large":             {"scan,position\n" + strings.Repeat("tray,1\n", sheetLimit/7+1), "s.csv: larger than 32 MiB"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ReadSheet("s.csv", strings.NewReader(tt.text))
			if err == nil || !strings.HasPrefix(err.Error(), tt.want) {
				t.Errorf("%v, want %q…", err, tt.want)
			}
		})
	}
}

func TestForScan(t *testing.T) {
	sheet, err := ReadSheet("s.csv", strings.NewReader("scan,position,core,part,bark\n"+
		"tray7.tif,2,B,,\n"+
		"tray7,1,A,1,\n"+
		"tray70,1,X,,\n"+
		"scans/tray7.tif,3,A,1,\n"+
		"tray7.tif,2,C,,\n"+
		"tray7.tif,4,A,2,perhaps\n"+
		"Ka\u0308fer.tif,1,K,,\n"+ // decomposed, as some file systems store it
		"a.b,1,D,,\n"))
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		path     string
		want     string
		warnings []string
	}{
		{"in/tray7.tif", "A B A A", []string{
			`s.csv line 7: bark "perhaps" ignored: want yes, no`,
			"s.csv line 5: core A is in line 3 already: give each core an id of its own, or number its parts",
			"s.csv line 6: row left out: position 2 is in line 2 already"}},
		{"tray70.png", "X", nil},
		{"tray8.tif", "", []string{`s.csv has no row for this scan: write "tray8.tif" into its column scan`}},
		{"K\u00e4fer.tif", "K", nil}, // composed
		{"a.b.tif", "D", nil},
		{"a.tif", "", []string{`s.csv has no row for this scan: write "a.tif" into its column scan`}},
	}
	for _, tt := range tests {
		t.Run(tt.path, func(t *testing.T) {
			fields, warnings := sheet.ForScan(tt.path)
			var cores []string
			for _, f := range fields {
				cores = append(cores, f.Core)
			}
			if got := strings.Join(cores, " "); got != tt.want {
				t.Errorf("cores %q, want %q", got, tt.want)
			}
			if d := cmp.Diff(tt.warnings, warnings); d != "" {
				t.Errorf("warnings (-want +got):\n%s", d)
			}
		})
	}
}

func FuzzReadSheet(f *testing.F) {
	f.Add("scan,position,core\ntray.tif,1,A\n")
	f.Add("\ufeffposition,scan\r\n1,\"a\"\"b\"\r\n")
	f.Add("sep=;\r\nscan;position;borer_mm\r\nt;1;5,15\r\n")
	f.Add("scan\tposition\t\tcore\nt\t1\t\tA\n")
	f.Add("scan,position,sampled\nt,1,2021-13-01\n\"t,2\n")
	f.Fuzz(func(t *testing.T, text string) {
		sheet, err := ReadSheet("s.csv", strings.NewReader(text))
		if err != nil {
			return
		}
		for _, field := range sheet.Fields {
			if field.Scan == "" || field.Position < 1 || field.Line < 2 {
				t.Fatalf("a row that cannot be used was kept: %+v", field)
			}
			rows, _ := sheet.ForScan(field.Scan)
			for i := 1; i < len(rows); i++ {
				if rows[i].Position <= rows[i-1].Position {
					t.Fatalf("positions %d and %d", rows[i-1].Position, rows[i].Position)
				}
			}
		}
	})
}

// The hash of rows tells whether anything in them has changed, and forgets
// where they stand.
func TestHashFields(t *testing.T) {
	rows := func(text string) string {
		sheet, err := ReadSheet("s.csv", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		fields, _ := sheet.ForScan("tray.tif")
		sum, err := HashFields(fields)
		if err != nil {
			t.Fatal(err)
		}
		return sum
	}
	base := rows("scan,position,core,slope,aspect\ntray,1,A,12,N\ntray,2,B,,\n")
	if got := rows("aspect;position;scan;slope;core\n;9;other;;\n\n;2;tray;;B\nN;1;tray;12;A\n"); got != base {
		t.Error("another order, separator and place changes the hash")
	}
	for name, text := range map[string]string{
		"an id":                "scan,position,core,slope,aspect\ntray,1,C,12,N\ntray,2,B,,\n",
		"a row":                "scan,position,core,slope,aspect\ntray,1,A,12,N\n",
		"a column of your own": "scan,position,core,slope,aspect\ntray,1,A,13,N\ntray,2,B,,\n",
	} {
		if rows(text) == base {
			t.Errorf("%s changes, the hash does not", name)
		}
	}
	if rows("scan,position\n") != "" {
		t.Error("no rows have a hash")
	}
}

func TestAbsentParts(t *testing.T) {
	sheet, err := ReadSheet("s.csv", strings.NewReader("scan,position,core,part\none,1,A,1\ntwo.tif,1,A,2\nthree,1,A,3\none,2,B,\ntwo,2,B,\none,3,C,1\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"core A: its part 3, on three, was not measured in this run: measure both scans at once, with --overwrite, to have them joined"}
	if d := cmp.Diff(want, sheet.AbsentParts("x/one.tif", []string{"x/one.tif", "x/two.tif"})); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
