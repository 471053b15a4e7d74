package archive

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pithward/measure"
)

func ptr[T any](v T) *T { return &v }

func TestFromMeasurement(t *testing.T) {
	ring := func(index int, year *int, width *float64, flags ...string) measure.Ring {
		return measure.Ring{Index: index, Year: year, WidthMM: width, Flags: flags}
	}
	at := func(mm ...float64) (b []measure.Boundary) {
		for _, m := range mm {
			b = append(b, measure.Boundary{AtMM: ptr(m)})
		}
		return b
	}
	tests := []struct {
		name            string
		core            measure.Core
		dated, floating []Series
	}{
		{"dated, a partial ring under the bark, an absent ring",
			measure.Core{ID: "A", Boundaries: at(0, 1, 3, 4), Rings: []measure.Ring{
				ring(0, ptr(2021), ptr(0.5), measure.FlagPartial), ring(1, ptr(2020), ptr(2.0)), ring(2, ptr(2018), ptr(1.0))},
				Absent: []measure.Absent{{AfterIndex: 1, Year: ptr(2019)}}},
			[]Series{{ID: "A", FirstYear: 2018, Unit: Thousandths, Widths: []Width{1, 0, 2}}}, nil},
		{"floating counts from the innermost ring",
			measure.Core{ID: "A", Boundaries: at(0, 1, 3), Rings: []measure.Ring{ring(1, nil, ptr(1.0)), ring(2, nil, ptr(2.0))}},
			nil, []Series{{ID: "A", FirstYear: 1, Unit: Thousandths, Floating: true, Widths: []Width{2, 1}}}},
		{"lost wood parts a core",
			measure.Core{ID: "A", Boundaries: at(0, 1, 3, 4, 5), Gaps: []measure.Stretch{{FromMM: ptr(1.5), ToMM: ptr(2.5), Kind: measure.Lost}},
				Rings: []measure.Ring{ring(1, ptr(2020), ptr(1.0)), ring(2, ptr(2019), nil), ring(3, nil, ptr(1.0)), ring(4, nil, ptr(3.0))}},
			[]Series{{ID: "A", FirstYear: 2020, Unit: Thousandths, Widths: []Width{1}}},
			[]Series{{ID: "A.2", FirstYear: 1, Unit: Thousandths, Floating: true, Widths: []Width{3, 1}}}},
		{"a broken ring keeps its width",
			measure.Core{ID: "A", Boundaries: at(0, 1, 3), Gaps: []measure.Stretch{{FromMM: ptr(0.2), ToMM: ptr(0.4), Kind: measure.Crack}},
				Rings: []measure.Ring{ring(1, ptr(2020), ptr(0.8), measure.FlagBroken), ring(2, ptr(2019), ptr(2.0))}},
			[]Series{{ID: "A", FirstYear: 2019, Unit: Thousandths, Widths: []Width{2, 0.8}}}, nil},
		{"nothing measured", measure.Core{ID: "A"}, nil, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := &measure.Measurement{Scale: measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}, Cores: []measure.Core{tt.core}}
			dated, floating := FromMeasurement(m)
			ignore := cmpopts.IgnoreFields(Series{}, "Meta", "Pictures")
			if d := cmp.Diff(tt.dated, dated, ignore); d != "" {
				t.Errorf("dated (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tt.floating, floating, ignore); d != "" {
				t.Errorf("floating (-want +got):\n%s", d)
			}
			checkTable(t, m, append(dated, floating...))
			m.Scale.MMPerPx = nil
			if d, f := FromMeasurement(m); d != nil || f != nil {
				t.Errorf("series without a scale: %v %v", d, f)
			}
		})
	}
}

// checkTable reads a measurement's table, SCAN.csv, which is to give the same
// series.
func checkTable(t *testing.T, m *measure.Measurement, want []Series) {
	t.Helper()
	var table bytes.Buffer
	if err := measure.WriteTable(&table, *m); err != nil {
		t.Fatal(err)
	}
	got, err := ReadCSV("scan.csv", table.Bytes())
	if len(want) == 0 {
		if !errors.Is(err, ErrNoSeries) {
			t.Errorf("an empty table: %v", err)
		}
		return
	}
	if err != nil || len(got.Warnings) > 0 {
		t.Errorf("the table: %v, warnings %v", err, got.Warnings)
	}
	if d := cmp.Diff(want, got.Series, cmpopts.IgnoreFields(Series{}, "Meta", "Pictures", "Unit", "Line")); d != "" {
		t.Errorf("series of the table (-want +got):\n%s", d)
	}
}

// Results made again of a measurement that was stored with what was said of
// its first ones, as pithward export does, say it once.
func TestResultsMadeAgain(t *testing.T) {
	m := measure.Measurement{Scale: measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}, Warnings: []string{"a label lies on it"}, Cores: []measure.Core{{
		ID: "Osmundvale 1", Boundaries: []measure.Boundary{{AtMM: ptr(0.0)}, {AtMM: ptr(1.0)}}, Rings: []measure.Ring{{Index: 1, WidthMM: ptr(1.0)}}}}}
	for range 2 {
		if _, err := NewResults(&m, m, nil, "tray", Thousandths); err != nil {
			t.Fatal(err)
		}
	}
	if len(m.Warnings) != 2 || m.Warnings[0] != "a label lies on it" {
		t.Errorf("%q", m.Warnings)
	}
}

// A table without a scale holds no widths that an archive could take.
func TestReadTableInPixels(t *testing.T) {
	_, err := ReadCSV("scan.csv", []byte("core,ring,year,from_px,to_px,width_px,uncertainty_px,probability,flags\nA,1,2000,0.00,9.00,9.00,,0.9,\n"))
	if want := "scan.csv: line 1: its widths are px: measure the scan anew with a scale (--dpi or --mm-per-px)"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestFromMeasurementTellsOfTheRings(t *testing.T) {
	m := &measure.Measurement{Scale: measure.Scale{MMPerPx: &[2]float64{0.02, 0.02}}, Cores: []measure.Core{{
		ID: "A", BarkPresent: true, PithPresent: true,
		Field:      &measure.Field{Tree: "T1", Species: "Quercus robur", Other: map[string]string{"sapwood_rings": "12"}},
		Boundaries: []measure.Boundary{{AtMM: ptr(0.0), Probability: 1}, {ID: "b2", AtMM: ptr(2.0), Probability: 0.9}, {ID: "b3", AtMM: ptr(3.0), Probability: 0.6, Source: "person"}},
		Candidates: []measure.Candidate{{ID: "c1", AtMM: ptr(0.5), Probability: 0.1}, {ID: "c2", AtMM: ptr(1.2), Probability: 0.2}},
		Gaps:       []measure.Stretch{{FromMM: ptr(0.1), ToMM: ptr(0.3), Kind: measure.Crack}},
		Obscured:   []measure.Stretch{{FromMM: ptr(2.2), ToMM: ptr(2.6), Kind: "smear"}, {FromMM: ptr(2.9), ToMM: ptr(3.2), Kind: "knot"}},
		Rings:      []measure.Ring{{Index: 1, Year: ptr(2020), WidthMM: ptr(2.0)}, {Index: 2, Year: ptr(2019), WidthMM: ptr(1.0)}},
	}}}
	dated, _ := FromMeasurement(m)
	want := []Series{{ID: "A", FirstYear: 2019, Unit: Thousandths, Widths: []Width{1, 2},
		Pictures: []RingPicture{{Boundary: &PicturePlace{ID: "b3", AtMM: 3, Probability: 0.6, ByPerson: true, Share: 1}, Hidden: 0.5, HiddenAt: 0.4},
			{Boundary: &PicturePlace{ID: "b2", AtMM: 2, Probability: 0.9, Share: 1},
				Candidates: []PicturePlace{{ID: "c1", AtMM: 0.5, Probability: 0.1, Share: 0.3 / 1.8}, {ID: "c2", AtMM: 1.2, Probability: 0.2, Share: 1.0 / 1.8}}}},
		Meta: Meta{Tree: "T1", Species: "Quercus robur", Bark: ptr(true), Pith: ptr(true), Sapwood: ptr(12)}}}
	if d := cmp.Diff(want, dated, cmpopts.EquateApprox(0, 1e-12)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
