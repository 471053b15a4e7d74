package archive

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pithward/measure"
)

func TestSiteOf(t *testing.T) {
	row := func(pairs ...string) measure.Field {
		f := measure.Field{Site: "Osmundvale", Species: "Pinus sylvestris", Other: map[string]string{}}
		for k := 0; k < len(pairs); k += 2 {
			f.Other[pairs[k]] = pairs[k+1]
		}
		return f
	}
	plain := Site{Name: "Osmundvale"}
	with := func(change func(s *Site)) Site {
		s := plain
		change(&s)
		return s
	}
	for _, tt := range []struct {
		name  string
		field measure.Field
		want  Site
		fault string
	}{
		{"the contract's columns alone", row(), plain, ""},
		{"a short site is a code, too", measure.Field{Site: "OSV"}, Site{Name: "OSV", Code: "OSV"}, ""},
		{"a species code", measure.Field{Species: "PISY"}, Site{SpeciesCode: "PISY"}, ""},
		{"words", row("Site name", "Upper Osmundvale", "site_code", "OSVU", "location", "Nowhere", "species_code", "PISY", "investigators", "A; B", "study", "Snow", "laboratory", "Hut"),
			Site{Name: "Upper Osmundvale", Code: "OSVU", Location: "Nowhere", SpeciesCode: "PISY", Investigators: "A; B", Study: "Snow", Laboratory: "Hut"}, ""},
		{"signs", row("latitude", "-43.5", "longitude", "+171.25", "elevation_m", "0"), with(func(s *Site) { s.LatitudeDeg, s.LongitudeDeg, s.ElevationM = ptr(-43.5), ptr(171.25), ptr(0.0) }), ""},
		{"letters, commas and units", row("latitude", "43,5° S", "longitude", "8.25w", "elevation_m", "1250 m"),
			with(func(s *Site) { s.LatitudeDeg, s.LongitudeDeg, s.ElevationM = ptr(-43.5), ptr(-8.25), ptr(1250.0) }), ""},
		{"sign and letter", row("latitude", "-43.5 S"), plain, "latitude"},
		{"exchanged", row("latitude", "171.25"), plain, "latitude"},
		{"degrees and minutes", row("longitude", "8°15'"), plain, "longitude"},
		{"not a number", row("latitude", "NaN"), plain, "latitude"},
		{"no height", row("elevation_m", "high"), plain, "elevation_m"},
		{"a mark for thousands, or for decimals", row("elevation_m", "1,200 m"), plain, "elevation_m"},
		{"feet", row("elevation_m", "14000 ft"), plain, "elevation_m"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, faults := SiteOf(tt.field)
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if (tt.fault != "") != (len(faults) == 1) || !strings.HasPrefix(strings.Join(faults, ""), tt.fault) {
				t.Errorf("faults %q", faults)
			}
		})
	}
}

// What trees differ in is left out and named; their heights are a mean over trees.
func TestCommonSite(t *testing.T) {
	of := func(tree, species string, s Site) Series {
		return Series{ID: tree, Meta: Meta{Tree: tree, Species: species, Site: s}}
	}
	all := []Series{
		of("T1", "Pinus sylvestris", Site{Name: "Ridge", ElevationM: ptr(400.0), Investigators: "A"}),
		of("T1", "Pinus sylvestris", Site{Name: "Ridge", ElevationM: ptr(400.0)}),
		of("T2", "Quercus robur", Site{Name: "Ridge", ElevationM: ptr(410.6)}),
		of("T3", "", Site{}),
	}
	got, warnings := CommonSite(all)
	if d := cmp.Diff(Site{Name: "Ridge", ElevationM: ptr(405.0), Investigators: "A"}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if len(warnings) != 1 || !strings.Contains(warnings[0].Text, "species (Pinus sylvestris, Quercus robur)") {
		t.Errorf("%v", warnings)
	}
	var parts []int
	for _, p := range (&Collection{Series: all}).BySpecies() {
		parts = append(parts, len(p.Series))
	}
	if d := cmp.Diff([]int{2, 1, 1}, parts); d != "" {
		t.Error(d)
	}
}

// What is true of some series only is not said of all: no code of one species for
// several, no place half way between two.
func TestSeveralSites(t *testing.T) {
	of := func(site, code, species string, longitude float64) Series {
		return Series{Meta: Meta{Species: species, Site: Site{Name: site, Code: code, SpeciesCode: species, LongitudeDeg: &longitude, ElevationM: &longitude}}}
	}
	oak := of("West", "", "Quercus robur", -179)
	oak.Meta.Site.SpeciesCode = ""
	got, warnings := CommonSite([]Series{of("East", "EAST", "PISY", 179), oak})
	if d := cmp.Diff(Site{}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if len(warnings) != 1 || !strings.Contains(warnings[0].Text, "site (East, West)") {
		t.Errorf("%v", warnings)
	}
}

// Whatever stands in the cells, degrees stay on the globe and nothing is infinite.
func FuzzSiteOf(f *testing.F) {
	for _, s := range []string{"46.5", "46,5 N", "-46.5", "8°15'", "1e400", "NaN", "S", "12 m"} {
		f.Add(s, s, s)
	}
	f.Fuzz(func(t *testing.T, latitude, longitude, elevation string) {
		s, _ := SiteOf(measure.Field{Other: map[string]string{"latitude": latitude, "longitude": longitude, "elevation_m": elevation}})
		for _, x := range []struct {
			v     *float64
			limit float64
		}{{s.LatitudeDeg, 90}, {s.LongitudeDeg, 180}, {s.ElevationM, 9000}} {
			if x.v != nil && !(*x.v >= -x.limit && *x.v <= x.limit) {
				t.Errorf("%q, %q, %q: %g", latitude, longitude, elevation, *x.v)
			}
		}
	})
}

// TestSiteHeaderSaysWhatItCuts: the columns of a decadal file are narrow; and no
// description may be read as widths.
func TestSiteHeaderSaysWhatItCuts(t *testing.T) {
	c := &Collection{Series: []Series{{ID: "A1", FirstYear: 1990, Widths: []Width{1, 2}}},
		Site: Site{Code: "NORTHRIDGE1", Name: "Søndre ridge", Location: "Osmundvale Highlands", Species: "Pinus sylvestris", SpeciesCode: "PISY", Investigators: "192   123   456   789"}}
	lines, warnings := tucsonHeader(c)
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "NORTHR 1 ") || !strings.HasPrefix(lines[1], "NORTHR 2 Osmundvale Hi") {
		t.Errorf("%q", lines)
	}
	var said []string
	for _, w := range warnings {
		said = append(said, w.Text)
	}
	for _, want := range []string{`site code "NORTHRIDGE1" stands as "NORTHR"`, `site "Søndre ridge" stands as`, `location "Osmundvale Highlands" stands as "Osmundvale Hi"`, "would be read as data"} {
		if !strings.Contains(strings.Join(said, "\n"), want) {
			t.Errorf("%q is not said: %q", want, said)
		}
	}
	if len(said) != 4 {
		t.Errorf("%d warnings, want 4: %q", len(said), said)
	}
}
