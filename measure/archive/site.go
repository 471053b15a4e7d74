package archive

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"pithward/measure"
)

// The core sheet's own columns for what archives want to know of a place, beside
// its columns site and species. Degrees are decimal, north and east positive, or with
// a letter N, S, E or W behind them.
const (
	siteNameColumn      = "site_name"
	siteCodeColumn      = "site_code"
	locationColumn      = "location" // country or state
	latitudeColumn      = "latitude"
	longitudeColumn     = "longitude"
	elevationColumn     = "elevation_m"
	speciesCodeColumn   = "species_code" // four letters
	investigatorsColumn = "investigators"
	studyColumn         = "study"
	laboratoryColumn    = "laboratory"
)

// SiteColumns lists them.
func SiteColumns() []string {
	return []string{siteNameColumn, siteCodeColumn, locationColumn, latitudeColumn, longitudeColumn, elevationColumn, speciesCodeColumn,
		investigatorsColumn, studyColumn, laboratoryColumn}
}

// SiteOf returns what a row of the core sheet says of the place; the species is a fact
// of the tree (Meta), its code of the place. The cells that cannot be understood are
// left out and named.
func SiteOf(f measure.Field) (s Site, faults []string) {
	s = Site{Name: f.OtherCell(siteNameColumn), Code: f.OtherCell(siteCodeColumn), Location: f.OtherCell(locationColumn),
		SpeciesCode: f.OtherCell(speciesCodeColumn), Investigators: f.OtherCell(investigatorsColumn), Study: f.OtherCell(studyColumn),
		Laboratory: f.OtherCell(laboratoryColumn)}
	if s.Name == "" {
		s.Name = f.Site
	}
	if s.Code == "" && len(f.Site) <= 6 { // as long as a code may be
		s.Code = f.Site
	}
	if s.SpeciesCode == "" && isSpeciesCode(f.Species) {
		s.SpeciesCode = f.Species
	}
	angle := func(column, plus, minus string, limit float64) *float64 {
		cell := f.OtherCell(column)
		v, ok := decimalDegrees(cell, plus, minus)
		if cell != "" && (!ok || math.Abs(v) > limit) {
			faults = append(faults, fmt.Sprintf("%s %q is left out: want decimal degrees from -%g to %g, or like 46.25 %s", column, cell, limit, limit, minus))
			return nil
		}
		return optionalNumber(v, ok)
	}
	s.LatitudeDeg = angle(latitudeColumn, "N", "S", 90)
	s.LongitudeDeg = angle(longitudeColumn, "E", "W", 180)
	if cell := f.OtherCell(elevationColumn); cell != "" {
		v, ok := decimal(strings.TrimRight(cell, "mM "))
		if !ok || thousands.MatchString(cell) || v < -500 || v > 9000 {
			faults, ok = append(faults, fmt.Sprintf("%s %q is left out: want metres above the sea, without a mark for thousands", elevationColumn, cell)), false
		}
		s.ElevationM = optionalNumber(v, ok)
	}
	return s, faults
}

// With returns the site with whatever another one knows in its place.
func (s Site) With(better Site) Site {
	number := func(was, is *float64) *float64 {
		if is != nil {
			return is
		}
		return was
	}
	return Site{Code: cmp.Or(better.Code, s.Code), Name: cmp.Or(better.Name, s.Name), Location: cmp.Or(better.Location, s.Location),
		Species: cmp.Or(better.Species, s.Species), SpeciesCode: cmp.Or(better.SpeciesCode, s.SpeciesCode),
		ElevationM: number(s.ElevationM, better.ElevationM), LatitudeDeg: number(s.LatitudeDeg, better.LatitudeDeg),
		LongitudeDeg:  number(s.LongitudeDeg, better.LongitudeDeg),
		Investigators: cmp.Or(better.Investigators, s.Investigators), Study: cmp.Or(better.Study, s.Study), Laboratory: cmp.Or(better.Laboratory, s.Laboratory)}
}

// isSpeciesCode tells whether a species is given as a code of four capitals.
func isSpeciesCode(s string) bool {
	return len(s) == 4 && !strings.ContainsFunc(s, func(r rune) bool { return r < 'A' || r > 'Z' })
}

func optionalNumber(v float64, ok bool) *float64 {
	if !ok {
		return nil
	}
	return &v
}

// thousands finds what may be meant as a mark for thousands, or as a decimal one.
var thousands = regexp.MustCompile(`\d[.,]\d{3}\b`)

// decimal reads a number with a point or a comma.
func decimal(s string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(s), ",", ".", 1), 64)
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// decimalDegrees reads degrees with a sign or with a letter behind them, not both.
func decimalDegrees(cell, plus, minus string) (float64, bool) {
	s, sign := strings.ToUpper(strings.TrimRight(strings.TrimSpace(cell), "°")), 1.0
	switch {
	case strings.HasSuffix(s, plus):
		s = strings.TrimSuffix(s, plus)
	case strings.HasSuffix(s, minus):
		s, sign = strings.TrimSuffix(s, minus), -1
	default:
		return decimal(s)
	}
	v, ok := decimal(strings.TrimRight(s, " °"))
	return sign * v, ok && v >= 0
}

// CommonSite returns what series of one place have in common. Facts in which they
// differ are left out and named, since a decadal file and the NOAA template say each
// once. A code is common only if every series has it; of several sites there is no
// one position.
func CommonSite(series []Series) (s Site, warnings []Warning) {
	text := func(what string, of func(Meta) string) string {
		var all []string
		for _, x := range series {
			if v := of(x.Meta); v != "" && !slices.Contains(all, v) {
				all = append(all, v)
			}
		}
		if len(all) == 1 {
			return all[0]
		}
		if len(all) > 1 {
			slices.Sort(all)
			warnings = append(warnings, Warning{Text: fmt.Sprintf("the series are of more than one %s (%s), of which a decadal file and the NOAA template name one: it is left out there", what, strings.Join(all, ", "))})
		}
		return ""
	}
	code := func(what string, of func(Meta) string) string {
		if slices.ContainsFunc(series, func(x Series) bool { return of(x.Meta) == "" }) {
			return ""
		}
		return text(what, of)
	}
	s.Code = code("site code", func(m Meta) string { return m.Site.Code })
	s.Name = text("site", func(m Meta) string { return m.Site.Name })
	s.Location = text("location", func(m Meta) string { return m.Site.Location })
	if !slices.ContainsFunc(series, func(x Series) bool { return isSpeciesCode(x.Meta.Species) }) {
		s.Species = text("species", func(m Meta) string { return m.Species })
	}
	s.SpeciesCode = code("species code", func(m Meta) string { return m.Site.SpeciesCode })
	s.Investigators = text("investigator", func(m Meta) string { return m.Site.Investigators })
	s.Study = text("study", func(m Meta) string { return m.Site.Study })
	s.Laboratory = text("laboratory", func(m Meta) string { return m.Site.Laboratory })
	several := slices.ContainsFunc(series, func(x Series) bool { return x.Meta.Site.Name != "" && x.Meta.Site.Name != s.Name })
	if several {
		return s, warnings
	}
	s.LatitudeDeg = meanOf(series, func(s Site) *float64 { return s.LatitudeDeg })
	s.LongitudeDeg = meanOf(series, func(s Site) *float64 { return s.LongitudeDeg })
	if m := meanOf(series, func(s Site) *float64 { return s.ElevationM }); m != nil {
		s.ElevationM = optionalNumber(math.Round(*m), true)
	}
	return s, warnings
}

// BySpecies parts a collection as archives want it, into files of one species and
// one site, in the order of their first series.
func (c *Collection) BySpecies() (parts []*Collection) {
	at := map[[2]string]int{}
	for _, s := range c.Series {
		key := [2]string{s.Meta.Site.Name, s.Meta.Species}
		k, ok := at[key]
		if !ok {
			k = len(parts)
			at[key], parts = k, append(parts, &Collection{Name: c.Name, Format: c.Format})
		}
		parts[k].Series = append(parts[k].Series, s)
	}
	return parts
}

// meanOf is the mean of a figure over the trees that have it (or, where no tree is
// named, over series); nil if none has.
func meanOf(series []Series, of func(Site) *float64) *float64 {
	seen := map[string]bool{}
	sum, n := 0.0, 0.0
	for _, s := range series {
		v, tree := of(s.Meta.Site), s.Meta.Tree
		if tree == "" {
			tree = "\x00" + s.ID
		}
		if v != nil && !seen[tree] {
			seen[tree] = true
			sum, n = sum+*v, n+1
		}
	}
	return optionalNumber(sum/n, n > 0)
}
