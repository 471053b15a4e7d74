package measure

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sample is a measurement with something in every field: a dated core with an
// unfinished ring, a crack, lost wood, and an absent ring; a core that could
// not be measured.
func sample() Measurement {
	a := ringed(5, true)
	a.UID, a.ID, a.Position = "0123456789abcdef-1", "LK01A", 1
	a.OutlinePx = []Point{{-10, -20}, {510, -20}, {510, 20}, {-10, 20}}
	a.PathLengthMM = ptr(5.2)
	a.Wood, a.WoodSource, a.WoodProbability = ptr(Conifer), ptr("auto"), ptr(0.98)
	a.BarkEnd, a.BarkEndProbability, a.PithPresent = ptr(Left), ptr(0.99), true
	for i := range a.Boundaries {
		b := &a.Boundaries[i]
		b.LinePx = []Point{{b.PointPx[0] - 1, -20}, b.PointPx, {b.PointPx[0] + 1, 20}}
		b.TiltDeg, b.StandardUncertaintyMM = 2.5, ptr(0.01)
	}
	a.Boundaries[2].Probability, a.Boundaries[2].Source = 0.6, "auto"
	a.Boundaries[5].Kind = Inner
	a.Candidates = []Candidate{{ID: "c1", AtMM: ptr(1.5), PointPx: Point{150, 0}, TiltDeg: -3, Probability: 0.2}}
	a.Gaps = []Stretch{
		{FromMM: ptr(1.2), ToMM: ptr(1.3), FromPx: Point{120, 0}, ToPx: Point{130, 0}, Kind: Crack},
		{FromMM: ptr(3.4), ToMM: ptr(3.6), FromPx: Point{340, 0}, ToPx: Point{360, 0}, Kind: Lost},
	}
	a.Obscured = []Stretch{{FromMM: ptr(2.1), ToMM: ptr(2.4), FromPx: Point{210, 0}, ToPx: Point{240, 0}, Kind: "stain"}}
	a.MakeRings(sampleScale(), false)
	a.Absent = []Absent{{AfterIndex: 2}}
	a.ExpectedCount, a.CountSD = ptr(5.1), ptr(0.4)
	a.Doubts = []Doubt{{Kind: "boundary", AtMM: ptr(2.0), Detail: "perhaps a false ring"}}
	a.Field = &Field{Line: 2, Scan: "tray.tif", Position: 1, Core: "LK01A", Part: 1, Tree: "LK01", Site: "Larkmoor", Species: "PISY",
		Status: "living", Sampled: "2021-07-14", OuterRing: "incomplete", Hemisphere: "N", Bark: ptr(true), Pith: ptr(true),
		BorerMM: ptr(5.15), OuterYear: ptr(2020), Note: "leans", Other: map[string]string{"slope": "12 deg"}}
	applyField(&a, DefaultSeason())

	b := Core{UID: "0123456789abcdef-2", ID: "tray-2", Position: 2, Warnings: []string{"no rings can be seen: remount or sand anew"}}
	m := Measurement{
		Schema: Schema,
		Scan: Scan{File: "tray.tif", SHA256: strings.Repeat("0123456789abcdef", 4), WidthPx: 600, HeightPx: 300, BitDepth: 16, Channels: 3,
			DeclaredDPI: &[2]float64{2540, 2540}},
		Scale:    sampleScale(),
		Cores:    []Core{a, b},
		Warnings: []string{"the tag says 2540 dpi, the ruler 2541"},
		Program:  Program{Version: "test", Settings: Settings{MMPerPx: 0.01, Wood: Conifer, BarkEnd: Left, Season: DefaultSeason()}},
	}
	m.FillLists()
	return m
}

func sampleScale() Scale {
	return Scale{Source: ScaleRuler, MMPerPx: &[2]float64{0.01, 0.01}, RelativeStandardUncertainty: ptr(0.001), RelativeStandardUncertaintyXY: &[2]float64{0.001, 0.0015},
		Ruler:  &Ruler{Unit: "mm", Ticks: 51, LinePx: [2]Point{{0, 280}, {500, 281}}, RMSResidualPx: 0.12},
		Checks: []Check{{Name: "tag", OK: true, Detail: "differs by 0.04 %"}}}
}

// golden compares text with a file under testdata/measure.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("..", "testdata", "measure", name)
	if *update {
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(got), 0o666)); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got); write it anew with -update:\n%s", name, d)
	}
}

func TestGolden(t *testing.T) {
	m := sample()
	if err := Validate(m); err != nil {
		t.Fatal(err)
	}
	var text, table bytes.Buffer
	if err := Encode(&text, m); err != nil {
		t.Fatal(err)
	}
	golden(t, "tray.json", text.String())
	if err := WriteTable(&table, m); err != nil {
		t.Fatal(err)
	}
	golden(t, "tray.csv", table.String())
	var px bytes.Buffer
	if err := WriteTable(&px, unscaled(m)); err != nil {
		t.Fatal(err)
	}
	golden(t, "tray.px.csv", px.String())
}

// unscaled is a measurement as it would be without a scale.
func unscaled(m Measurement) Measurement {
	m = decoded(m)
	m.Scale = Scale{Source: ScaleNone, Checks: []Check{}}
	for i := range m.Cores {
		c := &m.Cores[i]
		c.PathLengthMM = nil
		for j := range c.Boundaries {
			c.Boundaries[j].AtMM, c.Boundaries[j].StandardUncertaintyMM = nil, nil
		}
		for j := range c.Candidates {
			c.Candidates[j].AtMM = nil
		}
		for _, list := range [][]Stretch{c.Gaps, c.Obscured} {
			for j := range list {
				list[j].FromMM, list[j].ToMM = nil, nil
			}
		}
		c.MakeRings(m.Scale, len(c.Rings) > 0 && c.Rings[0].Index == 0)
		applyField(c, DefaultSeason())
	}
	m.FillLists()
	return m
}

// decoded is a deep copy of a measurement, through its file format.
func decoded(m Measurement) Measurement {
	var b bytes.Buffer
	if err := Encode(&b, m); err != nil {
		panic(err)
	}
	out, err := Decode(&b)
	if err != nil {
		panic(err)
	}
	return out
}

func TestEncodeAndDecode(t *testing.T) {
	m := sample()
	m.Cores[0].Warnings = []string{"a \"quoted\" [1, 2] text\nwith lines", "[3,\n 4]"}
	digits := cmpopts.EquateApprox(1e-7, 0) // eight are written
	if d := cmp.Diff(m, decoded(m), digits); d != "" {
		t.Errorf("written and read again (-want +got):\n%s", d)
	}
	if err := Validate(unscaled(m)); err != nil {
		t.Errorf("without scale: %v", err)
	}
	m.Cores[0].Boundaries[0].Probability = math.NaN()
	if err := Encode(&bytes.Buffer{}, m); err == nil {
		t.Error("NaN was written")
	}
}

func TestNumbersAreShort(t *testing.T) {
	for in, want := range map[string]string{
		`[253.11078912903872,-150]`: `[253.11079, -150]`, `{"a":0.021166648575930574}`: "{\n  \"a\": 0.021166649\n}", `1e-9`: `0.000000001`,
		`123456789012`: `123456789012`, `"1.23456789012, [1]"`: `"1.23456789012, [1]"`, `[[1,2]]`: `[[1, 2]]`, `[{}]`: "[\n  {}\n]", `[]`: `[]`,
		`[[1,2],"a"]`: "[\n  [1, 2],\n  \"a\"\n]", `9.99999999`: `10`, `99999999.6`: `100000000`, `0.0999999999`: `0.1`, `1.50`: `1.5`, `-1.5E+3`: `-1500`,
	} {
		if got := string(layOut([]byte(in))); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}

// Numbers are as the standard library rounds them to eight digits.
func TestNumbersAreRounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64().Draw(t, "f") * math.Pow(10, float64(rapid.IntRange(-12, 12).Draw(t, "power")))
		if rapid.Bool().Draw(t, "few digits") {
			f = float64(int(math.Mod(f, 1e9))) / 1000
		}
		text, err := json.Marshal(f)
		if err != nil {
			t.Skip("infinite")
		}
		short, _ := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 8, 64), 64)
		want := strconv.FormatFloat(short, 'f', -1, 64)
		if !bytes.ContainsAny(text, ".e") {
			want = string(text) // whole numbers stay
		}
		if got := string(appendShort(nil, text)); got != want {
			t.Fatalf("%s became %s, want %s", text, got, want)
		}
	})
}

// What holds no list of numbers is laid out as the standard library does it.
func TestLaidOutAsUsual(t *testing.T) {
	for _, v := range []any{
		map[string]any{"a": nil, "b": true, "c": map[string]any{}, "d": map[string]any{"e": "x, [1]: {\\\"}"}},
		[]any{"a", []any{"b", map[string]any{"c": 1}, false}, nil}, "text", 7,
	} {
		compact, _ := json.Marshal(v)
		want, _ := json.MarshalIndent(v, "", "  ")
		if d := cmp.Diff(string(want), string(layOut(compact))); d != "" {
			t.Errorf("%s (-want +got):\n%s", compact, d)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	m := sample()
	core := m.Cores[0]
	for range 9 {
		core.Boundaries = append(core.Boundaries, core.Boundaries...)
	}
	m.Cores[0] = core
	for b.Loop() {
		_ = Encode(io.Discard, m)
	}
}

func TestDecodeRefuses(t *testing.T) {
	for text, want := range map[string]string{
		`{"schema": "pithward/measurement/2"}`: "newer version",
		`{"schema": "pithward/dating/1"}`:      "not a measurement: its schema is",
		`{"schema": "pithward/measurement/x"}`: "not a measurement: its schema is",
		`{}`:                                   "names no schema",
		`[1]`:                                  "not a measurement",
		`{"schema": "pithward/measurement/1", "cores": 3}`: "not a measurement as",
	} {
		if _, err := Decode(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
	if _, err := Decode(strings.NewReader(`{"schema": "pithward/measurement/1", "later": true}`)); err != nil {
		t.Errorf("an unknown field: %v", err)
	}
}

func TestValidateFindsFaults(t *testing.T) {
	tests := []struct {
		name  string
		spoil func(m *Measurement, c *Core)
		want  string
	}{
		{"schema", func(m *Measurement, _ *Core) { m.Schema = "other/1" }, "schema is"},
		{"uid twice", func(m *Measurement, _ *Core) { m.Cores[1].UID = m.Cores[0].UID }, "uid"},
		{"no id", func(_ *Measurement, c *Core) { c.ID = "" }, "no id"},
		{"positions", func(_ *Measurement, c *Core) { c.Position = 7 }, "position 7"},
		{"none, but a scale", func(m *Measurement, _ *Core) { m.Scale.Source = ScaleNone }, "scale source"},
		{"a negative scale", func(m *Measurement, _ *Core) { m.Scale.MMPerPx[1] = -1 }, "not positive"},
		{"a ruler's scale without ruler", func(m *Measurement, _ *Core) { m.Scale.Ruler = nil }, "without a ruler"},
		{"boundaries out of order", func(_ *Measurement, c *Core) { c.Boundaries[2].AtMM = ptr(0.5) }, "does not lie inward"},
		{"two boundaries at one place", func(_ *Measurement, c *Core) { c.Boundaries[2].AtMM = c.Boundaries[1].AtMM }, "does not lie inward"},
		{"boundary id twice", func(_ *Measurement, c *Core) { c.Boundaries[2].ID = c.Boundaries[1].ID }, "boundary id"},
		{"outer without bark", func(_ *Measurement, c *Core) { c.BarkPresent = false }, "is outer"},
		{"outer inside", func(_ *Measurement, c *Core) { c.Boundaries[2].Kind = Outer }, "is outer"},
		{"inner without pith", func(_ *Measurement, c *Core) { c.PithPresent = false }, "is inner"},
		{"beyond the path", func(_ *Measurement, c *Core) { c.PathLengthMM = ptr(4.5) }, "beyond the path"},
		{"probability above 1", func(_ *Measurement, c *Core) { c.Boundaries[1].Probability = 1.01 }, "probability"},
		{"probability NaN", func(_ *Measurement, c *Core) { c.Boundaries[1].Probability = math.NaN() }, "probability"},
		{"tilt of 90", func(_ *Measurement, c *Core) { c.Boundaries[1].TiltDeg = 90 }, "tilt"},
		{"no mm with a scale", func(_ *Measurement, c *Core) { c.Candidates[0].AtMM = nil }, "candidate"},
		{"a ring too few", func(_ *Measurement, c *Core) { c.Rings = c.Rings[1:] }, "rings for"},
		{"ring numbers", func(_ *Measurement, c *Core) { c.Rings[1].Index = 5 }, "ring index"},
		{"partial inside", func(_ *Measurement, c *Core) { c.Rings[2].Flags = []string{FlagPartial} }, "partial"},
		{"a year skipped", func(_ *Measurement, c *Core) { c.Rings[1].Year = ptr(1999) }, "year does not follow"},
		{"years without convention", func(_ *Measurement, c *Core) { c.YearConvention = nil }, "convention"},
		{"a width of infinity", func(_ *Measurement, c *Core) { c.Rings[0].WidthMM = ptr(math.Inf(1)) }, "width"},
		{"a gap turned round", func(_ *Measurement, c *Core) { c.Gaps[0].ToMM = ptr(0.0) }, "ends before"},
		{"measured without wood", func(_ *Measurement, c *Core) { c.Wood = nil }, "wood or bark_end"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := decoded(sample())
			tt.spoil(&m, &m.Cores[0])
			if err := Validate(m); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v, want %q", err, tt.want)
			}
		})
	}
}

func TestSummarise(t *testing.T) {
	m := sample()
	s := Summarise(m.Cores[0])
	if s.Rings != 5 || s.Years() != "2017–2021" || s.Doubtful != 1 {
		t.Errorf("%+v, years %s", s, s.Years())
	}
	// Rings of 1 mm at a tilt of 2.5 degrees; index 1 has a crack of 0.1 mm in
	// it, and the unfinished ring and the one across lost wood do not count.
	cos := math.Cos(2.5 * math.Pi / 180)
	if want := (0.9 + 1 + 1) / 3 * cos; math.Abs(*s.MeanWidthMM-want) > 1e-12 {
		t.Errorf("mean width %v, want %v", *s.MeanWidthMM, want)
	}
	if s := Summarise(m.Cores[1]); s.Rings != 0 || s.Years() != "undated" || s.MeanWidthMM != nil {
		t.Errorf("a core not measured: %+v", s)
	}
}
