package stand

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
	"pithward/measure/archive"
)

// TestDescribe: rows find their cores by id, and by position only where they name
// none; a code goes with the name it stood for.
func TestDescribe(t *testing.T) {
	core := func(position int, id, species, code string) Core {
		return Core{Series: archive.Series{ID: id, Meta: archive.Meta{Species: species, Site: archive.Site{SpeciesCode: code}}}, Scan: "a.tif", Position: position}
	}
	cores := func() []Core {
		return []Core{core(1, "P1", "PISY", "PISY"), core(2, "P2", "PISY", "PISY"), core(2, "P2.2", "PISY", "PISY"), core(3, "Q1", "QURO", "QURO")}
	}
	for _, tt := range []struct {
		name, sheet string
		rows        int
		want        []string // species and code of each series
		fault       string
	}{
		{"by id", "scan,position,core,species\na.tif,1,P1,Picea abies\na.tif,3,Q1,QUPE\n", 2, []string{"Picea abies ", "PISY PISY", "PISY PISY", "QUPE QUPE"}, ""},
		{"a row is missing, the rest numbered anew", "scan,position,core,species\na.tif,1,P2,Pinus cembra\na.tif,2,Q1,Quercus robur\n", 2,
			[]string{"PISY PISY", "Pinus cembra ", "PISY PISY", "Quercus robur "}, ""},
		{"a core parted by lost wood", "scan,position,core,species\na.tif,2,P2,Picea abies\n", 2, []string{"PISY PISY", "Picea abies ", "Picea abies ", "QURO QURO"}, ""},
		{"by position", "scan,position,species\na.tif,2,Picea abies\n", 2, []string{"PISY PISY", "Picea abies ", "Picea abies ", "QURO QURO"}, ""},
		{"another core there", "scan,position,core,species\na.tif,1,X9,Picea abies\n", 0, []string{"PISY PISY", "PISY PISY", "PISY PISY", "QURO QURO"}, "core X9"},
		{"another scan", "scan,position,species\nb.tif,1,Picea abies\n", 0, []string{"PISY PISY", "PISY PISY", "PISY PISY", "QURO QURO"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			sheet, err := measure.ReadSheet("facts.csv", strings.NewReader(tt.sheet))
			if err != nil {
				t.Fatal(err)
			}
			all := cores()
			rows, faults := Describe(all, sheet)
			var got []string
			for _, c := range all {
				got = append(got, c.Meta.Species+" "+c.Meta.Site.SpeciesCode)
			}
			if d := cmp.Diff(tt.want, got); d != "" || rows != tt.rows {
				t.Errorf("%d rows used, want %d (-want +got):\n%s", rows, tt.rows, d)
			}
			if (tt.fault == "") != (len(faults) == 0) || !strings.Contains(strings.Join(faults, ""), tt.fault) {
				t.Errorf("faults %q, want %q", faults, tt.fault)
			}
		})
	}
}
