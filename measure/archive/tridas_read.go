package archive

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/text/encoding/charmap"
)

// ReadTRiDaS reads the measurement series and derived series of a TRiDaS
// document (version 1.2.2; Jansma, Brewer & Zandhuis 2010, Dendrochronologia
// 28:99-130). The title of a series is its id, the title of its element the
// tree. A series without a first year, or one whose dating is relative, floats.
// A value of 0 is an absent ring, an empty one is missing.
func ReadTRiDaS(name string, data []byte) (*Collection, error) {
	c := &Collection{Name: name, Format: TRiDaS}
	d := xml.NewDecoder(bytes.NewReader(data))
	d.CharsetReader = xmlCharset
	var doc tridasDocument
	if err := d.Decode(&doc); err != nil {
		line, _ := d.InputPos()
		return c, fmt.Errorf("%s: line %d: not a whole XML document: %w", name, line, err)
	}
	if doc.XMLName.Local != "tridas" {
		return c, fmt.Errorf("%s: the document is a <%s>: expected <tridas>", name, doc.XMLName.Local)
	}
	for _, p := range doc.Projects {
		c.tridasProject(p)
	}
	ids, warnings := uniqueIDs(c.Series)
	for i, id := range ids {
		c.Series[i].ID = id
	}
	c.Warnings = append(c.Warnings, warnings...)
	sortWarnings(c.Warnings)
	if len(c.Series) == 0 {
		return c, fmt.Errorf("%s: %w: no measurementSeries holds values", name, ErrNoSeries)
	}
	return c, nil
}

func xmlCharset(label string, in io.Reader) (io.Reader, error) {
	switch strings.ToLower(label) {
	case "iso-8859-1", "latin1", "us-ascii":
		return charmap.ISO8859_1.NewDecoder().Reader(in), nil
	case "windows-1252":
		return charmap.Windows1252.NewDecoder().Reader(in), nil
	}
	return nil, fmt.Errorf("the encoding %q is not known: save the file as UTF-8", label)
}

// The parts of a document that are read. Element names are those of the
// schema; the order of fields is that of its sequences, which the writer needs.
type tridasDocument struct {
	XMLName  xml.Name
	Projects []tridasProject `xml:"project"`
}

type tridasProject struct {
	Title        string           `xml:"title"`
	Type         string           `xml:"type"`
	Laboratory   tridasLaboratory `xml:"laboratory"`
	Category     string           `xml:"category"`
	Investigator string           `xml:"investigator"`
	Period       string           `xml:"period"`
	Objects      []tridasObject   `xml:"object"`
	Derived      []tridasSeries   `xml:"derivedSeries"`
}

type tridasLaboratory struct {
	Name    string   `xml:"name"`
	Address struct{} `xml:"address"`
}

type tridasObject struct {
	Title    string          `xml:"title"`
	Type     string          `xml:"type"`
	Location *tridasLocation `xml:"location"`
	Generic  []tridasGeneric `xml:"genericField"`
	Objects  []tridasObject  `xml:"object"`
	Elements []tridasElement `xml:"element"`
}

type tridasLocation struct {
	Geometry *tridasGeometry `xml:"locationGeometry"`
	Comment  string          `xml:"locationComment,omitempty"`
}

type tridasGeometry struct {
	Point tridasPoint `xml:"http://www.opengis.net/gml Point"`
}

type tridasPoint struct {
	SRS string `xml:"srsName,attr,omitempty"`
	Pos string `xml:"http://www.opengis.net/gml pos"`
}

type tridasGeneric struct {
	Name string `xml:"name,attr"`
	Type string `xml:"type,attr,omitempty"`
	Text string `xml:",chardata"`
}

type tridasElement struct {
	Title    string          `xml:"title"`
	Taxon    string          `xml:"taxon"`
	Location *tridasLocation `xml:"location"`
	Altitude *float64        `xml:"altitude"`
	Samples  []tridasSample  `xml:"sample"`
}

type tridasSample struct {
	Title string         `xml:"title"`
	Type  string         `xml:"type"`
	Date  string         `xml:"samplingDate,omitempty"`
	Radii []tridasRadius `xml:"radius"`
}

type tridasRadius struct {
	Title  string         `xml:"title"`
	Wood   *tridasWood    `xml:"woodCompleteness"`
	Series []tridasSeries `xml:"measurementSeries"`
}

type tridasWood struct {
	RingCount *int           `xml:"ringCount"`
	Pith      tridasPresence `xml:"pith"`
	Heartwood tridasPresence `xml:"heartwood"`
	Sapwood   tridasSapwood  `xml:"sapwood"`
	Bark      tridasPresence `xml:"bark"`
}

type tridasPresence struct {
	Presence string `xml:"presence,attr"`
}

type tridasSapwood struct {
	Presence string `xml:"presence,attr"`
	Rings    *int   `xml:"nrOfSapwoodRings"`
}

type tridasSeries struct {
	Line           int                   `xml:"-"`
	Title          string                `xml:"title"`
	Comments       string                `xml:"comments,omitempty"`
	Wood           *tridasWood           `xml:"woodCompleteness"`
	Analyst        string                `xml:"analyst,omitempty"`
	Method         *tridasMethod         `xml:"measuringMethod"`
	Type           string                `xml:"type,omitempty"`
	Links          *struct{}             `xml:"linkSeries"`
	Interpretation *tridasInterpretation `xml:"interpretation"`
	Unsolved       *struct{}             `xml:"interpretationUnsolved"`
	Generic        []tridasGeneric       `xml:"genericField"`
	Values         []tridasValues        `xml:"values"`
}

type tridasMethod struct {
	Normal string `xml:"normalTridas,attr,omitempty"`
	Text   string `xml:",chardata"`
}

type tridasInterpretation struct {
	Dating     *tridasDating     `xml:"dating"`
	First      *tridasYear       `xml:"firstYear"`
	Last       *tridasYear       `xml:"lastYear"`
	Foundation *tridasFoundation `xml:"statFoundation"`
}

type tridasFoundation struct {
	Value    string `xml:"statValue"`
	Type     string `xml:"type"`
	Software string `xml:"usedSoftware"`
}

type tridasDating struct {
	Type string `xml:"type,attr"`
}

type tridasYear struct {
	Suffix string `xml:"suffix,attr"`
	Number string `xml:",chardata"`
}

type tridasValues struct {
	Variable tridasTerm    `xml:"variable"`
	Unit     *tridasTerm   `xml:"unit"`
	Unitless *struct{}     `xml:"unitless"`
	Values   []tridasValue `xml:"value"`
}

type tridasTerm struct {
	Normal string `xml:"normalTridas,attr,omitempty"`
	Text   string `xml:",chardata"`
}

func (t tridasTerm) name() string {
	if t.Normal != "" {
		return t.Normal
	}
	return strings.TrimSpace(t.Text)
}

type tridasValue struct {
	Value   string       `xml:"value,attr"`
	Count   *int         `xml:"count,attr"`
	Remarks []tridasTerm `xml:"remark"`
}

// UnmarshalXML reads a series and keeps the line it begins in.
func (s *tridasSeries) UnmarshalXML(d *xml.Decoder, start xml.StartElement) error {
	type plain tridasSeries
	line, _ := d.InputPos()
	err := d.DecodeElement((*plain)(s), &start)
	s.Line = line
	return err
}

func (c *Collection) tridasProject(p tridasProject) {
	if c.Site.Study == "" {
		c.Site.Study = p.Title
	}
	if p.Investigator != "unknown" && c.Site.Investigators == "" {
		c.Site.Investigators = p.Investigator
	}
	if c.Site.Laboratory == "" && p.Laboratory.Name != unknown {
		c.Site.Laboratory = p.Laboratory.Name
	}
	for _, o := range p.Objects {
		c.tridasObject(o)
	}
	for _, s := range p.Derived {
		c.tridasSeries(s, Meta{}, nil)
	}
}

func (c *Collection) tridasObject(o tridasObject) {
	c.Site.tridas(o)
	for _, child := range o.Objects {
		c.tridasObject(child)
	}
	for _, e := range o.Elements {
		if c.Site.ElevationM == nil {
			c.Site.ElevationM = e.Altitude
		}
		meta := Meta{Tree: e.Title, Species: e.Taxon}
		if e.Taxon == "unknown" {
			meta.Species = ""
		}
		for _, sample := range e.Samples {
			meta.Sampled = sample.Date
			for _, r := range sample.Radii {
				for _, s := range r.Series {
					c.tridasSeries(s, meta, r.Wood)
				}
			}
		}
	}
}

// tridas takes what the outermost object says of the site.
func (s *Site) tridas(o tridasObject) {
	if s.Name != "" {
		return
	}
	s.Name = o.Title
	for _, g := range o.Generic {
		switch g.Name {
		case genericCode:
			s.Code = g.Text
		case genericSpeciesCode:
			s.SpeciesCode = g.Text
		}
	}
	if o.Location == nil {
		return
	}
	s.Location = o.Location.Comment
	if o.Location.Geometry != nil {
		if p := strings.Fields(o.Location.Geometry.Point.Pos); len(p) == 2 {
			s.LatitudeDeg, s.LongitudeDeg = number(p[0]), number(p[1])
		}
	}
}

// tridasSeries adds one series for each quantity it has values of.
func (c *Collection) tridasSeries(t tridasSeries, meta Meta, wood *tridasWood) {
	id := strings.TrimSpace(t.Title)
	if t.Wood != nil { // the series' own goes before the radius' (schema)
		wood = t.Wood
	}
	meta.wood(wood)
	meta.Note, meta.Analyst = t.Comments, t.Analyst
	for _, g := range t.Generic {
		if g.Name == scaleUncertainty {
			meta.ScaleUncertainty = number(g.Text)
		}
	}
	if t.Interpretation != nil && t.Interpretation.Foundation != nil && t.Interpretation.Foundation.Type == yearsPosterior {
		meta.Posterior = number(t.Interpretation.Foundation.Value)
	}
	if len(t.Values) == 0 {
		c.warn(t.Line, id, "no values: left out")
	}
	for _, v := range t.Values {
		s := Series{ID: id, Line: t.Line, Meta: meta}
		if !c.tridasValues(&s, v) {
			continue
		}
		c.tridasYears(&s, t)
		if fault := yearFault(s.FirstYear) + yearFault(s.LastYear()); fault != "" {
			c.warn(t.Line, id, fault+": the series is taken as floating")
			s.FirstYear, s.Floating = 1, true
		}
		s.datedRemarks()
		c.Series = append(c.Series, s)
	}
}

func (m *Meta) wood(w *tridasWood) {
	if w == nil {
		return
	}
	present := func(p string) *bool {
		is := p == "present" || p == "complete" || p == "incomplete"
		if !is && p != "absent" {
			return nil
		}
		return &is
	}
	m.Pith, m.Bark, m.Sapwood = present(w.Pith.Presence), present(w.Bark.Presence), w.Sapwood.Rings
}

// tridasUnit returns the units in a mm of a normalTridas unit or a usual name.
func tridasUnit(name string) (perMM float64, ok bool) {
	switch strings.ToLower(name) {
	case "micrometres", "micrometers", "microns", "um":
		return 1000, true
	case "1/100th millimetres":
		return 100, true
	case "1/50th millimetres":
		return 50, true
	case "1/20th millimetres":
		return 20, true
	case "1/10th millimetres":
		return 10, true
	case "millimetres", "millimeters", "mm":
		return 1, true
	case "centimetres", "centimeters", "cm":
		return 0.1, true
	case "metres", "meters", "m":
		return 0.001, true
	}
	return 1, false
}

const (
	tridasRingWidth  = "ring width"
	tridasAbsent     = "missing ring"
	tridasUnmeasured = "not measured"
)

// tridasValues fills widths, depth and remarks; remarks are filed under the
// number of the ring until the years are known.
func (c *Collection) tridasValues(s *Series, v tridasValues) bool {
	variable := v.Variable.name()
	perMM := 1.0
	if variable != tridasRingWidth {
		s.Quantity = Quantity(variable)
		c.warn(s.Line, s.ID, fmt.Sprintf("it holds %s, not ring widths", variable))
	}
	switch {
	case v.Unit != nil && !isLength(Quantity(variable)): // as it stands
	case v.Unit != nil:
		ok := false
		if perMM, ok = tridasUnit(v.Unit.name()); !ok {
			c.warn(s.Line, s.ID, fmt.Sprintf("the unit %q is not known: values are taken as mm", v.Unit.name()))
		}
		if perMM == 100 || perMM == 1000 {
			s.Unit = Unit(perMM)
		}
	case variable == tridasRingWidth && v.Unitless != nil:
		s.Quantity = Index
	case variable == tridasRingWidth:
		c.warn(s.Line, s.ID, "no unit is given: values are taken as mm")
	}
	if len(v.Values) == 0 || len(v.Values) > maxSpan {
		c.warn(s.Line, s.ID, fmt.Sprintf("%d values: left out", len(v.Values)))
		return false
	}
	for k, x := range v.Values {
		s.tridasValue(c, k, x, perMM)
	}
	return true
}

func (s *Series) tridasValue(c *Collection, k int, x tridasValue, perMM float64) {
	w, note := parseValue(x.Value, perMM)
	if note == "" && s.Quantity == RingWidth {
		w, note = checkWidth(w)
	}
	for _, r := range x.Remarks {
		switch name := r.name(); name {
		case tridasAbsent:
			if !w.Measured() {
				w = Absent
			}
		case tridasUnmeasured, "":
		default:
			if s.Meta.Remarks == nil {
				s.Meta.Remarks = map[int][]string{}
			}
			s.Meta.Remarks[k] = append(s.Meta.Remarks[k], name)
		}
	}
	if note != "" {
		c.warn(s.Line, s.ID, fmt.Sprintf("value %d: %s", k+1, note))
	}
	s.Widths = append(s.Widths, w)
	if x.Count != nil && s.Quantity == Index {
		if s.Depth == nil {
			s.Depth = make([]int, k)
		}
		s.Depth = append(s.Depth, *x.Count)
	} else if s.Depth != nil {
		s.Depth = append(s.Depth, 0)
	}
}

// datedRemarks files remarks under years.
func (s *Series) datedRemarks() {
	if s.Meta.Remarks == nil {
		return
	}
	dated := map[int][]string{}
	for k, r := range s.Meta.Remarks {
		dated[s.FirstYear+k] = r
	}
	s.Meta.Remarks = dated
}

// tridasYears finds the series' first year.
func (c *Collection) tridasYears(s *Series, t tridasSeries) {
	s.FirstYear, s.Floating = 1, true
	if t.Interpretation == nil {
		return
	}
	i := t.Interpretation
	first, firstOK := c.tridasYear(s, i.First, "first")
	last, lastOK := c.tridasYear(s, i.Last, "last")
	switch {
	case firstOK:
		s.FirstYear = first
		if lastOK && last != s.LastYear() {
			c.warn(s.Line, s.ID, fmt.Sprintf("it says years %d to %d but has %d values: counted from the first year", first, last, len(s.Widths)))
		}
	case lastOK:
		s.FirstYear = last - len(s.Widths) + 1
	default:
		return
	}
	s.Floating = i.Dating != nil && i.Dating.Type == "relative"
}

// tridasYear turns a year with its suffix into an astronomical year.
func (c *Collection) tridasYear(s *Series, y *tridasYear, which string) (int, bool) {
	if y == nil {
		return 0, false
	}
	n, err := strconv.Atoi(strings.TrimSpace(y.Number))
	if err != nil || n < 1 || n > -minYear {
		c.warn(s.Line, s.ID, fmt.Sprintf("the %s year %q is no positive number: not used", which, clip(y.Number)))
		return 0, false
	}
	switch y.Suffix {
	case "BC":
		return 1 - n, true
	case "BP":
		return 1950 - n, true
	case "AD", "":
		return n, true
	}
	c.warn(s.Line, s.ID, fmt.Sprintf("the %s year's suffix %q is not AD, BC or BP: taken as AD", which, y.Suffix))
	return n, true
}
