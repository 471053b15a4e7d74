package archive

import (
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

const (
	tridasNamespace = "http://www.tridas.org/1.2.2"
	unknown         = "unknown"

	genericCode        = "siteCode"
	genericSpeciesCode = "speciesCode"
	scaleUncertainty   = "relativeStandardUncertaintyOfScale"
	yearsPosterior     = "posterior probability of the years"
)

// WriteTRiDaS writes a TRiDaS 1.2.2 document: one element a tree, one radius a
// series. Values are micrometres or hundredths of a mm where the widths are
// whole numbers of these, else mm with decimals, so that nothing is rounded. A
// chronology becomes a derived series with the sample depth as count. What the
// schema demands and nobody knows is "unknown". Changed ids are returned.
func WriteTRiDaS(w io.Writer, c *Collection) ([]Warning, error) {
	var series []Series
	var warnings []Warning
	for _, s := range c.Series {
		if measured, _, _ := s.Counts(); measured == 0 {
			warnings = append(warnings, Warning{Series: s.ID, Text: "no measured ring: left out"})
			continue
		}
		series = append(series, s)
	}
	ids, changed := uniqueIDs(series)
	warnings = append(warnings, changed...)
	doc := struct {
		XMLName xml.Name      `xml:"tridas"`
		Space   string        `xml:"xmlns,attr"`
		Project tridasProject `xml:"project"`
	}{Space: tridasNamespace, Project: tridasProjectOf(c, series, ids)}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return nil, err
	}
	e := xml.NewEncoder(w)
	e.Indent("", " ")
	if err := e.Encode(doc); err != nil {
		return nil, err
	}
	_, err := io.WriteString(w, "\n")
	return warnings, err
}

func orUnknown(s string) string {
	if s = strings.TrimSpace(s); s == "" {
		return unknown
	}
	return s
}

func tridasProjectOf(c *Collection, series []Series, ids []string) tridasProject {
	site := c.Site
	title := site.Study
	if title == "" {
		title = site.Name
	}
	p := tridasProject{
		Title: orUnknown(title), Type: unknown, Laboratory: tridasLaboratory{Name: orUnknown(site.Laboratory)},
		Category: "dating", Investigator: orUnknown(site.Investigators), Period: unknown,
	}
	o := tridasObject{Title: orUnknown(site.Name), Type: "site", Location: tridasLocationOf(site)}
	if site.Code != "" {
		o.Generic = append(o.Generic, tridasGeneric{genericCode, "xs:string", site.Code})
	}
	if site.SpeciesCode != "" {
		o.Generic = append(o.Generic, tridasGeneric{genericSpeciesCode, "xs:string", site.SpeciesCode})
	}
	trees := map[string]int{}
	for i, s := range series {
		if s.Quantity == Index {
			p.Derived = append(p.Derived, tridasDerived(s, ids[i]))
			continue
		}
		tree, species := s.Meta.Tree, orUnknown(s.Meta.Species)
		if tree == "" {
			tree = ids[i]
		}
		if species == unknown {
			species = orUnknown(site.Species)
		}
		k, ok := trees[tree+"\x00"+species]
		if !ok {
			k = len(o.Elements)
			trees[tree+"\x00"+species] = k
			o.Elements = append(o.Elements, tridasElementOf(s, tree, species, site))
		}
		o.Elements[k].Samples = append(o.Elements[k].Samples, tridasSampleOf(s, ids[i]))
	}
	p.Objects = []tridasObject{o}
	return p
}

// tridasElementOf is a tree, with its own place where that is not the site's.
func tridasElementOf(s Series, tree, species string, site Site) tridasElement {
	e := tridasElement{Title: tree, Taxon: species, Altitude: site.ElevationM}
	own := s.Meta.Site
	if own.ElevationM != nil {
		e.Altitude = own.ElevationM
	}
	if own.Location == site.Location { // the site says it
		own.Location = ""
	}
	if degreesText(own.LatitudeDeg)+degreesText(own.LongitudeDeg) != degreesText(site.LatitudeDeg)+degreesText(site.LongitudeDeg) || own.Location != "" {
		e.Location = tridasLocationOf(own)
	}
	return e
}

func tridasLocationOf(s Site) *tridasLocation {
	if s.Location == "" && (s.LatitudeDeg == nil || s.LongitudeDeg == nil) {
		return nil
	}
	l := &tridasLocation{Comment: s.Location}
	if s.LatitudeDeg != nil && s.LongitudeDeg != nil {
		l.Geometry = &tridasGeometry{Point: tridasPoint{
			SRS: "urn:ogc:def:crs:EPSG::4326", // latitude first
			Pos: degreesText(s.LatitudeDeg) + " " + degreesText(s.LongitudeDeg),
		}}
	}
	return l
}

func tridasSampleOf(s Series, id string) tridasSample {
	sampled := ""
	if _, err := time.Parse(time.DateOnly, s.Meta.Sampled); err == nil { // the schema takes whole dates only
		sampled = s.Meta.Sampled
	}
	return tridasSample{Title: id, Type: "core", Date: sampled, Radii: []tridasRadius{{
		Title: id,
		Series: []tridasSeries{{
			Title: id, Comments: s.Meta.Note, Wood: tridasWoodOf(s), Analyst: s.Meta.Analyst, Method: &tridasMethod{Normal: "onscreen measuring"},
			Interpretation: tridasInterpretationOf(s), Generic: tridasFacts(s), Values: []tridasValues{tridasValuesOf(s)},
		}},
	}}}
}

// tridasFacts are facts that the standard has no place of its own for.
func tridasFacts(s Series) (facts []tridasGeneric) {
	if u := s.Meta.ScaleUncertainty; u != nil {
		facts = append(facts, tridasGeneric{scaleUncertainty, "xs:float", strconv.FormatFloat(*u, 'f', 6, 64)})
	}
	return facts
}

func tridasDerived(s Series, id string) tridasSeries {
	return tridasSeries{
		Title: id, Comments: s.Meta.Note, Type: "chronology", Links: &struct{}{},
		Interpretation: tridasInterpretationOf(s), Values: []tridasValues{tridasValuesOf(s)},
	}
}

// tridasWoodOf says what is known of pith, sapwood and bark; nil if nothing.
func tridasWoodOf(s Series) *tridasWood {
	m := s.Meta
	if m.Pith == nil && m.Bark == nil && m.Sapwood == nil {
		return nil
	}
	word := func(b *bool, yes string) string {
		switch {
		case b == nil:
			return unknown
		case *b:
			return yes
		}
		return "absent"
	}
	n := len(s.Widths)
	w := &tridasWood{RingCount: &n, Pith: tridasPresence{word(m.Pith, "complete")}, Heartwood: tridasPresence{unknown},
		Sapwood: tridasSapwood{unknown, m.Sapwood}, Bark: tridasPresence{word(m.Bark, "present")}}
	if m.Sapwood != nil && *m.Sapwood > 0 {
		w.Sapwood.Presence = "incomplete"
		if m.Bark != nil && *m.Bark {
			w.Sapwood.Presence = "complete"
		}
	}
	return w
}

func tridasInterpretationOf(s Series) *tridasInterpretation {
	dating := "absolute"
	if s.Floating {
		dating = "relative"
	}
	first, last := tridasYearOf(s.FirstYear), tridasYearOf(s.LastYear())
	in := &tridasInterpretation{Dating: &tridasDating{dating}, First: &first, Last: &last}
	if p := s.Meta.Posterior; p != nil {
		in.Foundation = &tridasFoundation{strconv.FormatFloat(math.Min(*p, 0.9999), 'f', 4, 64), yearsPosterior, "pithward"}
	}
	return in
}

// tridasYearOf turns an astronomical year into one with a suffix: there is no
// year 0 here, 0 is 1 BC.
func tridasYearOf(year int) tridasYear {
	if year > 0 {
		return tridasYear{"AD", strconv.Itoa(year)}
	}
	return tridasYear{"BC", strconv.Itoa(1 - year)}
}

func tridasValuesOf(s Series) tridasValues {
	v := tridasValues{Variable: tridasTerm{Normal: tridasRingWidth}}
	perMM := 1
	switch {
	case s.Quantity == Index:
		v.Unitless = &struct{}{}
	case s.Quantity != RingWidth:
		v.Variable = tridasVariable(string(s.Quantity))
		v.Unit, perMM = &tridasTerm{Text: unknown}, 1
		if isLength(s.Quantity) {
			v.Unit = &tridasTerm{Normal: "millimetres"}
		}
	default:
		name := ""
		perMM, name = tridasUnitFor(s)
		v.Unit = &tridasTerm{Normal: name}
	}
	for k, w := range s.Widths {
		v.Values = append(v.Values, tridasValueOf(s, k, w, perMM))
	}
	return v
}

// isLength tells whether another quantity's values are mm too.
func isLength(q Quantity) bool { return strings.HasSuffix(string(q), " width") }

// tridasUnitFor picks the coarsest unit in which the widths are whole numbers.
func tridasUnitFor(s Series) (perMM int, name string) {
	if s.Unit != Thousandths && wholeIn(s, Hundredths) {
		return 100, "1/100th millimetres"
	}
	if wholeIn(s, Thousandths) {
		return 1000, "micrometres"
	}
	return 1, "millimetres"
}

// wholeIn tells whether all widths are exactly whole numbers of a unit.
func wholeIn(s Series, u Unit) bool {
	for _, w := range s.Widths {
		if w.Measured() && u.Width(int(math.Round(float64(w)*float64(u)))) != w {
			return false
		}
	}
	return true
}

func tridasValueOf(s Series, k int, w Width, perMM int) tridasValue {
	v := tridasValue{}
	switch {
	case !w.Measured():
		v.Remarks = append(v.Remarks, tridasTerm{Text: tridasUnmeasured})
	case perMM == 1:
		v.Value = formatWidth(w, "")
	default:
		v.Value = strconv.Itoa(int(math.Round(float64(w) * float64(perMM))))
	}
	if w == Absent && s.Quantity == RingWidth {
		v.Remarks = append(v.Remarks, tridasTerm{Normal: tridasAbsent})
	}
	if k < len(s.Depth) {
		v.Count = &s.Depth[k]
	}
	for _, r := range s.Meta.Remarks[s.FirstYear+k] {
		v.Remarks = append(v.Remarks, tridasRemark(r))
	}
	return v
}

// tridasRemark and tridasVariable use the standard's own term where the text
// is one.
func tridasRemark(text string) tridasTerm {
	switch text {
	case "fire damage", "frost damage", "crack", "false ring(s)", "compression wood", "tension wood", "traumatic ducts",
		"unspecified injury", "single pinned", "double pinned", "triple pinned", "radius shift up", "radius shift down",
		"moon ring(s)", "diffuse latewood", "density fluctuation", "wide late wood", "wide early wood":
		return tridasTerm{Normal: text}
	}
	return tridasTerm{Text: text}
}

func tridasVariable(name string) tridasTerm {
	switch name {
	case "earlywood width", "latewood width", "ring density", "earlywood density", "latewood density", "maximum density",
		"latewood percent", "vessel size":
		return tridasTerm{Normal: name}
	}
	return tridasTerm{Text: name}
}
