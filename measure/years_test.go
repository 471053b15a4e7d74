package measure

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func ptr[T any](v T) *T { return &v }

// ringed returns a core with n rings, one mm each, bark and pith as told, as
// the picture shows it.
func ringed(n int, bark bool) Core {
	c := Core{Position: 1, BarkPresent: bark, PathPx: []Point{{0, 0}, {100 * float64(n), 0}}}
	for i := 0; i <= n; i++ {
		b := Boundary{ID: fmt.Sprint("b", i), Kind: RingBoundary, AtMM: ptr(float64(i)), PointPx: Point{100 * float64(i), 0}, Probability: 0.95, Source: "auto"}
		if i == 0 && bark {
			b.Kind = Outer
		}
		c.Boundaries = append(c.Boundaries, b)
	}
	c.MakeRings(Scale{MMPerPx: &[2]float64{0.01, 0.01}}, false)
	return c
}

// years lists the years of a core's rings, "-" for none, from bark to pith.
func years(c Core) string {
	var out []string
	for _, r := range c.Rings {
		y := "-"
		if r.Year != nil {
			y = fmt.Sprint(*r.Year)
		}
		if len(r.Flags) > 0 {
			y += " " + strings.Join(r.Flags, " ")
		}
		out = append(out, y)
	}
	return strings.Join(out, ", ")
}

// TestYears holds the rules for years. North: a ring bears the one calendar
// year it grew in (common practice). South: it bears the year its growth began
// (Schulman 1956, Dendroclimatic Changes in Semiarid America; from memory), so
// that a core taken in February 2020 ends, under the bark, with the unfinished
// ring 2019. Season limits as in DefaultSeason (common practice).
func TestYears(t *testing.T) {
	living := func(sampled, hemisphere string) Field {
		return Field{Scan: "t", Position: 1, Status: "living", Sampled: sampled, Hemisphere: hemisphere}
	}
	with := func(f Field, change func(*Field)) Field { change(&f); return f }
	tests := []struct {
		name  string
		field Field
		bark  bool // seen
		want  string
		doubt string // kind; "" none
	}{
		{"north, after growth", living("2020-10-15", "N"), true, "2020, 2019, 2018", ""},
		{"north, last day of growth", living("2020-09-30", "N"), true, "2020 partial, 2019, 2018", DoubtOuterRing},
		{"north, during growth", living("2020-07-01", "N"), true, "2020 partial, 2019, 2018", DoubtOuterRing},
		{"north, before growth", living("2020-03-31", "N"), true, "2019, 2018, 2017", ""},
		{"north, month only", living("2020-11", "N"), true, "2020, 2019, 2018", ""},
		{"north, year only", living("2020", "N"), true, "-, -, -", DoubtYears},
		{"north, year only, ring said to be incomplete", with(living("2020", "N"), func(f *Field) { f.OuterRing = "incomplete" }), true, "2020 partial, 2019, 2018", ""},
		{"south, growing in February (Schulman 1956)", living("2020-02-10", "S"), true, "2019 partial, 2018, 2017", DoubtOuterRing},
		{"south, growing in November (Schulman 1956)", living("2020-11-10", "S"), true, "2020 partial, 2019, 2018", DoubtOuterRing},
		{"south, dormant in May (Schulman 1956)", living("2020-05-10", "S"), true, "2019, 2018, 2017", ""},
		{"south, dormant in August (Schulman 1956)", living("2020-08-10", "S"), true, "2019, 2018, 2017", ""},
		{"south, year only, ring said to be complete", with(living("2020", "S"), func(f *Field) { f.OuterRing = "complete" }), true, "2019, 2018, 2017", ""},
		{"south, year only, ring said to be incomplete", with(living("2020", "S"), func(f *Field) { f.OuterRing = "incomplete" }), true, "-, -, -", DoubtYears},

		{"complete ring in late summer: growth has ended", with(living("2020-08-20", "N"), func(f *Field) { f.OuterRing = "complete" }), true, "2020, 2019, 2018", ""},
		{"complete ring in spring: growth has not begun", with(living("2020-04-20", "N"), func(f *Field) { f.OuterRing = "complete" }), true, "2019, 2018, 2017", ""},
		{"complete ring in winter", with(living("2020-02-20", "N"), func(f *Field) { f.OuterRing = "complete" }), true, "2019, 2018, 2017", ""},
		{"complete ring in the south in March", with(living("2020-03-20", "S"), func(f *Field) { f.OuterRing = "complete" }), true, "2019, 2018, 2017", ""},
		{"incomplete ring in October: growth went on", with(living("2020-10-05", "N"), func(f *Field) { f.OuterRing = "incomplete" }), true, "2020 partial, 2019, 2018", ""},
		{"unknown ring during growth", with(living("2020-08-20", "N"), func(f *Field) { f.OuterRing = "unknown" }), true, "-, -, -", DoubtYears},
		{"unknown ring in winter: the season tells", with(living("2020-12-20", "N"), func(f *Field) { f.OuterRing = "unknown" }), true, "2020, 2019, 2018", ""},

		{"outer year", Field{OuterYear: ptr(1815), Status: "timber"}, false, "1815, 1814, 1813", ""},
		{"outer year before Christ runs through 0", Field{OuterYear: ptr(1)}, false, "1, 0, -1", ""},
		{"outer year and an unfinished ring", with(living("2020-07-01", "N"), func(f *Field) { f.OuterYear = ptr(2019) }), true, "2020 partial, 2019, 2018", ""},
		{"outer year and outer_ring incomplete", Field{OuterYear: ptr(2019), OuterRing: "incomplete"}, true, "2020 partial, 2019, 2018", ""},
		{"outer year wins over the date", with(living("2020-11-01", "N"), func(f *Field) { f.OuterYear = ptr(2018) }), true, "2018, 2017, 2016", ""},

		{"nothing known", Field{}, true, "-, -, -", ""},
		{"dead tree", with(living("2020-11-01", "N"), func(f *Field) { f.Status = "dead" }), true, "-, -, -", ""},
		{"status not stated", with(living("2020-11-01", "N"), func(f *Field) { f.Status = "" }), true, "-, -, -", DoubtYears},
		{"hemisphere not stated", living("2020-11-01", ""), true, "-, -, -", DoubtYears},
		{"no bark in the picture", living("2020-11-01", "N"), false, "-, -, -", DoubtYears},
		{"bark on the sheet, not in the picture", with(living("2020-11-01", "N"), func(f *Field) { f.Bark = ptr(true) }), false, "-, -, -", DoubtYears},
		{"bark on the sheet, not in the picture, outer year", Field{OuterYear: ptr(2019), Bark: ptr(true)}, false, "-, -, -", DoubtYears},
		{"no bark on the sheet, but in the picture", with(living("2020-11-01", "N"), func(f *Field) { f.Bark = ptr(false) }), true, "-, -, -", DoubtYears},
		{"bark on both", with(living("2020-11-01", "N"), func(f *Field) { f.Bark = ptr(true) }), true, "2020, 2019, 2018", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.field.Scan, tt.field.Position = "t", 1
			cores := []Core{ringed(3, tt.bark)}
			ApplyFields(cores, []Field{tt.field}, "t", DefaultSeason())
			c := cores[0]
			if got := years(c); got != tt.want {
				t.Errorf("years %s, want %s; doubts %v", got, tt.want, c.Doubts)
			}
			var doubt string
			for _, d := range c.Doubts {
				doubt += d.Kind
			}
			if doubt != tt.doubt {
				t.Errorf("doubts %v, want kind %q", c.Doubts, tt.doubt)
			}
			if dated := c.Rings[1].Year != nil; dated != (c.YearConvention != nil) {
				t.Errorf("dated %v, but convention %v", dated, c.YearConvention)
			}
			once := text(t, cores)
			ApplyFields(cores, []Field{tt.field}, "t", DefaultSeason())
			if d := cmp.Diff(once, text(t, cores)); d != "" {
				t.Errorf("a second call changed something:\n%s", d)
			}
		})
	}
}

// text is cores as their file has them.
func text(t *testing.T, cores []Core) string {
	t.Helper()
	var b strings.Builder
	if err := Encode(&b, Measurement{Schema: Schema, Cores: cores}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestConventions(t *testing.T) {
	for _, tt := range []struct {
		field Field
		want  string
	}{
		{Field{Status: "living", Sampled: "2020-11-01", Hemisphere: "N"}, ConventionNorth},
		{Field{Status: "living", Sampled: "2020-05-01", Hemisphere: "S"}, ConventionSouth},
		{Field{OuterYear: ptr(2020)}, ConventionGiven},
	} {
		c := ringed(2, true)
		c.Field = &tt.field
		applyField(&c, DefaultSeason())
		if c.YearConvention == nil || *c.YearConvention != tt.want {
			t.Errorf("%+v: convention %v, want %q", tt.field, c.YearConvention, tt.want)
		}
	}
}

func TestLostWoodEndsTheYears(t *testing.T) {
	tests := []struct {
		name     string
		from, to float64
		unscaled bool
		want     string
	}{
		{"inside the second ring", 1.4, 1.6, false, "2020, 2019 broken, -, -"},
		{"just at a boundary", 2, 2.5, false, "2020, 2019 broken, - broken, -"},
		{"over a boundary", 1.8, 2.2, false, "2020, 2019 broken, - broken, -"},
		{"outside the first boundary", -0.5, 0, false, "- broken, -, -, -"},
		{"without scale", 1.4, 1.6, true, "2020, 2019 broken, -, -"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := ringed(4, true)
			c.Gaps = []Stretch{{Kind: Lost, FromMM: &tt.from, ToMM: &tt.to, FromPx: Point{100 * tt.from, 0}, ToPx: Point{100 * tt.to, 0}}}
			if tt.unscaled {
				c.Gaps[0].FromMM, c.Gaps[0].ToMM = nil, nil
				for i := range c.Boundaries {
					c.Boundaries[i].AtMM = nil
				}
			}
			c.MakeRings(Scale{MMPerPx: &[2]float64{0.01, 0.01}}, false)
			c.Field = &Field{OuterYear: ptr(2020)}
			applyField(&c, DefaultSeason())
			if got := years(c); got != tt.want {
				t.Errorf("years %s, want %s", got, tt.want)
			}
		})
	}
}

func TestAbsentRingsTakeYears(t *testing.T) {
	c := ringed(3, true)
	c.Absent = []Absent{{AfterIndex: 1}, {AfterIndex: 1}, {AfterIndex: 2}}
	c.Field = &Field{OuterYear: ptr(2020)}
	applyField(&c, DefaultSeason())
	if got, want := years(c), "2020, 2017, 2015"; got != want {
		t.Errorf("years %s, want %s", got, want)
	}
	want := []Absent{{1, ptr(2019)}, {1, ptr(2018)}, {2, ptr(2016)}}
	if d := cmp.Diff(want, c.Absent); d != "" {
		t.Errorf("absent rings (-want +got):\n%s", d)
	}
}

// The picture's partial ring and the season may disagree: the sheet wins.
func TestPartialRingFollowsTheSheet(t *testing.T) {
	c := ringed(3, true)
	c.MakeRings(Scale{MMPerPx: &[2]float64{0.01, 0.01}}, true)
	c.Absent = []Absent{{AfterIndex: 1}}
	c.Field = &Field{Status: "living", Sampled: "2020-12-01", Hemisphere: "N"}
	applyField(&c, DefaultSeason())
	if got, want := years(c), "2020, 2019, 2017"; got != want {
		t.Errorf("years %s, want %s", got, want)
	}
	if len(c.Warnings) != 1 || c.Rings[0].Index != 1 || c.Absent[0].AfterIndex != 2 {
		t.Errorf("warnings %v, index %d, absent %v", c.Warnings, c.Rings[0].Index, c.Absent)
	}
}

func TestAssignIDs(t *testing.T) {
	row := func(position int, core string) Field { return Field{Position: position, Core: core} }
	tests := []struct {
		name     string
		cores    int
		fields   []Field
		want     []string
		warnings int
	}{
		{"no sheet", 2, nil, []string{"tray-1", "tray-2"}, 0},
		{"by position, rows in any order", 2, []Field{row(2, "B"), row(1, "A")}, []string{"A", "B"}, 0},
		{"row without an id", 2, []Field{row(1, ""), row(2, "B")}, []string{"tray-1", "B"}, 0},
		{"fewer cores than rows", 1, []Field{row(1, "A"), row(2, "B")}, []string{"tray-1"}, 1},
		{"more cores than rows", 3, []Field{row(1, "A"), row(2, "B")}, []string{"tray-1", "tray-2", "tray-3"}, 1},
		{"as many, but other positions", 2, []Field{row(1, "A"), row(3, "C")}, []string{"tray-1", "tray-2"}, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			cores := make([]Core, tt.cores)
			for i := range cores {
				cores[i] = ringed(2, true)
				cores[i].Position = i + 1
			}
			warnings := ApplyFields(cores, tt.fields, "tray", DefaultSeason())
			var got []string
			for _, c := range cores {
				got = append(got, c.ID)
				if tt.warnings > 0 && c.Field != nil {
					t.Errorf("%s has a row of the sheet", c.ID)
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" || len(warnings) != tt.warnings {
				t.Errorf("ids (-want +got):\n%s\nwarnings %q", d, warnings)
			}
		})
	}
}

func TestSeasonLimits(t *testing.T) {
	for _, tt := range []struct {
		season Season
		ok     bool
	}{
		{DefaultSeason(), true}, {Season{5, 8, 11, 2}, true}, {Season{1, 12, 7, 6}, true},
		{Season{}, false}, {Season{9, 4, 10, 3}, false}, {Season{4, 13, 10, 3}, false}, {Season{4, 9, 3, 10}, false},
	} {
		if err := tt.season.Validate(); (err == nil) != tt.ok {
			t.Errorf("%+v: %v", tt.season, err)
		}
	}
}

// Whatever is known, dated rings fall by one year inward, and index 1 of a
// core with bark sampled in year Y bears Y, Y-1 or Y-2.
func TestYearsFallInward(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		year := rapid.IntRange(1900, 2100).Draw(t, "year")
		f := Field{
			Scan: "t", Position: 1, Status: "living",
			Sampled:    fmt.Sprintf("%d-%02d-10", year, rapid.IntRange(1, 12).Draw(t, "month")),
			Hemisphere: rapid.SampledFrom([]string{"N", "S"}).Draw(t, "hemisphere"),
			OuterRing:  rapid.SampledFrom([]string{"", "complete", "incomplete", "unknown"}).Draw(t, "outer ring"),
		}
		cores := []Core{ringed(rapid.IntRange(2, 6).Draw(t, "rings"), true)}
		ApplyFields(cores, []Field{f}, "t", DefaultSeason())
		for i, r := range cores[0].Rings {
			if r.Year == nil {
				if len(cores[0].Doubts) == 0 {
					t.Fatal("no years and no doubt")
				}
				continue
			}
			if lag := year - *r.Year; r.Index == 1 && (lag < 0 || lag > 2) {
				t.Fatalf("sampled %s, outermost complete ring %d", f.Sampled, *r.Year)
			}
			if i > 0 && *cores[0].Rings[i-1].Year != *r.Year+1 {
				t.Fatalf("years %s", years(cores[0]))
			}
		}
	})
}
