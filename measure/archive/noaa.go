package archive

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
)

// ReadNOAA reads a file in the NOAA/WDS text template (versions 3 and 4): lines
// with # describe, lines with ## name the variables, the rest is a table parted
// by tabs whose first row has the variables' short names and whose first column
// is the year. Missing values are NA. Ring widths in mm, micrometres or cm are
// series; other variables keep their name as quantity. Short names lose the
// ending "_raw" that the archive gives them.
func ReadNOAA(name string, data []byte) (*Collection, error) {
	lines, warnings := textLines(data)
	c := &Collection{Name: name, Format: NOAA, Warnings: warnings}
	table := c.noaaDescription(lines)
	if table.names == nil {
		return c, fmt.Errorf("%s: %w: no table of years and widths follows the description", name, ErrNoSeries)
	}
	c.noaaTable(lines, table)
	sortWarnings(c.Warnings)
	if len(c.Series) == 0 {
		return c, fmt.Errorf("%s: %w: the table holds no measured ring", name, ErrNoSeries)
	}
	return c, nil
}

// noaaVariable is a line that begins with ##.
type noaaVariable struct{ what, unit string }

// noaaHead is what the description says of the table.
type noaaHead struct {
	names     []string // of the columns; nil: no table
	line      int      // where the table's head stands
	variables map[string]noaaVariable
}

var noaaKey = regexp.MustCompile(`^#\s*([A-Za-z_]+):\s*(.*?)\s*$`)

// noaaDescription reads the lines before the table.
func (c *Collection) noaaDescription(lines []string) noaaHead {
	head := noaaHead{variables: map[string]noaaVariable{}}
	for k, l := range lines {
		switch {
		case strings.HasPrefix(l, "##"):
			short, rest, ok := strings.Cut(strings.TrimSpace(l[2:]), "\t")
			parts := strings.SplitN(rest, ",", 10)
			if !ok || len(parts) < 4 {
				c.warn(k+1, "", "a variable needs a short name, a tab and components parted by commas: left out")
				continue
			}
			head.variables[strings.TrimSpace(short)] = noaaVariable{strings.TrimSpace(parts[0]), strings.TrimSpace(parts[3])}
		case strings.HasPrefix(l, "#"):
			c.Header = append(c.Header, strings.TrimRight(l, " \t"))
			if m := noaaKey.FindStringSubmatch(l); m != nil {
				c.Site.noaa(m[1], m[2])
			}
		case strings.TrimSpace(l) == "":
		default:
			head.names, head.line = strings.Split(l, "\t"), k+1
			return head
		}
	}
	return head
}

// noaa takes one line of the description.
func (s *Site) noaa(key, value string) {
	if value == "" || value == "None" {
		return
	}
	switch key {
	case "Study_Name":
		s.Study = value
	case "Site_Name":
		s.Name = value
	case "Location":
		s.Location = value
	case "Collection_Name":
		s.Code = value
	case "Species_Name":
		s.Species = value
	case "Tree_Species_Code":
		s.SpeciesCode = value
	case "Investigators":
		s.Investigators = value
	case "Elevation_m":
		s.ElevationM = number(value)
	case "Northernmost_Latitude":
		s.LatitudeDeg = number(value)
	case "Easternmost_Longitude":
		s.LongitudeDeg = number(value)
	}
}

// noaaTable reads the rows below the table's head.
func (c *Collection) noaaTable(lines []string, head noaaHead) {
	before := strings.Contains(strings.ToLower(head.names[0]), "bp")
	if before {
		c.warn(head.line, "", "years are counted before 1950 (BP): turned into calendar years")
	}
	columns := make([]cells, len(head.names))
	perMM := make([]float64, len(head.names))
	for k, n := range head.names {
		perMM[k] = c.noaaUnit(head, strings.TrimSpace(n))
	}
	for k := head.line; k < len(lines); k++ {
		if strings.TrimSpace(lines[k]) == "" || strings.HasPrefix(lines[k], "#") {
			continue
		}
		fields := strings.Split(lines[k], "\t")
		year, err := strconv.Atoi(strings.TrimSpace(fields[0]))
		if err != nil {
			c.warn(k+1, "", fmt.Sprintf("%q is no year: the row is left out", clip(fields[0])))
			continue
		}
		if before {
			year = 1950 - year
		}
		if len(fields) != len(head.names) {
			c.warn(k+1, "", fmt.Sprintf("%d columns where the table's head has %d", len(fields), len(head.names)))
		}
		for j := 1; j < min(len(fields), len(head.names)); j++ {
			c.noaaCell(&columns[j], fields[j], perMM[j], k+1, year, shortName(head.names[j]))
		}
	}
	for j := 1; j < len(columns); j++ {
		c.noaaSeries(columns[j], head, strings.TrimSpace(head.names[j]))
	}
	ids, warnings := uniqueIDs(c.Series)
	for i, id := range ids {
		c.Series[i].ID = id
	}
	c.Warnings = append(c.Warnings, warnings...)
}

func (c *Collection) noaaCell(column *cells, text string, perMM float64, line, year int, id string) {
	w, note := parseWidth(text, perMM)
	if note != "" {
		c.warn(line, id, fmt.Sprintf("year %d: %s", year, note))
	}
	if !w.Measured() {
		return // most cells of the table are outside the series
	}
	if _, twice := column.values[year]; twice {
		c.warn(line, id, fmt.Sprintf("year %d is given twice: the later value is kept", year))
	}
	if fault := column.put(year, w); fault != "" {
		c.warn(line, id, fault)
	}
}

func shortName(name string) string {
	return strings.TrimSuffix(strings.TrimSpace(name), "_raw")
}

// noaaUnit returns the number of units in a mm of a column, 1 where it holds
// no length.
func (c *Collection) noaaUnit(head noaaHead, name string) float64 {
	v, ok := head.variables[name]
	if !ok {
		return 1
	}
	switch v.unit {
	case "millimeter", "millimetre", "mm", "":
		return 1
	case "micrometer", "micrometre", "um":
		return 1000
	case "centimeter", "centimetre", "cm":
		return 0.1
	}
	if strings.HasSuffix(v.what, "ring width") {
		c.warn(head.line, shortName(name), fmt.Sprintf("the unit %q is not known: values are taken as mm", v.unit))
	}
	return 1
}

func (c *Collection) noaaSeries(column cells, head noaaHead, name string) {
	s := Series{ID: shortName(name), Line: head.line}
	s.FirstYear, s.Widths, _ = column.series()
	v, described := head.variables[name]
	switch {
	case len(s.Widths) == 0:
		c.warn(head.line, s.ID, "no measured ring: left out")
		return
	case !described:
		c.warn(head.line, s.ID, "the column is not among the variables described: taken as ring width in mm")
	case v.what != "total ring width" && v.what != "ring width":
		s.Quantity = Quantity(v.what)
		c.warn(head.line, s.ID, fmt.Sprintf("it holds %s, not ring widths", v.what))
	}
	c.Series = append(c.Series, s)
}

// WriteNOAA writes the NOAA/WDS text template, version 4.0, with what is known
// of the site; fields not known stay empty for the contributor to fill. Missing
// rings are NA and absent rings 0. What had to be changed or left out is
// returned.
func WriteNOAA(w io.Writer, c *Collection) ([]Warning, error) {
	series, warnings := c.widthSeries(NOAA)
	ids, changed := uniqueIDs(series)
	warnings = append(warnings, changed...)
	lines := noaaLines(c, ids)
	lines = append(lines, noaaRows(series, ids)...)
	return warnings, writeLines(w, lines, false)
}

// noaaLines is the description with the variables.
func noaaLines(c *Collection, ids []string) []string {
	s := c.Site
	first, last := c.Years()
	study := oneLine(s.Study)
	if study == "" {
		study = oneLine(s.Name)
	}
	block := func(title string, pairs ...string) []string {
		out := []string{"#--------------------", "# " + title}
		for k := 0; k < len(pairs); k += 2 {
			out = append(out, strings.TrimRight("#   "+pairs[k]+": "+oneLine(pairs[k+1]), " "))
		}
		return out
	}
	var out []string
	add := func(lines ...string) { out = append(out, lines...) }
	add(strings.TrimRight("# "+study, " "), "#----------------------------------------------------",
		"#                World Data Service for Paleoclimatology, Boulder", "#                                  and",
		"#                     NOAA Paleoclimatology Program",
		"#             National Centers for Environmental Information (NCEI)",
		"#----------------------------------------------------",
		"# Template Version 4.0", "# Encoding: UTF-8",
		"# NOTE: Please cite original publication, NOAA Landing Page URL, dataset and publication DOIs (where available), and date accessed when using downloaded data.",
		"#", "# Description/Documentation lines begin with #", "# Data lines have no #", "#",
		"# NOAA_Landing_Page:", "#   Landing_Page_Description:", "#", "# Study_Level_JSON_Metadata:", "#",
		"# Data_Type: Tree Ring", "#", "# Dataset_DOI:", "#", "# Science_Keywords:")
	add(block("Resource_Links", "Data_Download_Resource", "", "Data_Download_Description", "")...)
	add(block("Contribution_Date", "Date", "")...)
	add(block("File_Last_Modified_Date", "Date", "")...)
	add(block("Title", "Study_Name", study)...)
	add(block("Investigators", "Investigators", s.Investigators)...)
	add(block("Description_Notes_and_Keywords", "Description", "")...)
	add(block("Publication", "Authors", "", "Journal_Name", "", "Published_Title", "", "Published_Date_or_Year", "", "Volume", "",
		"Pages", "", "Issue", "", "Report_Number", "", "DOI", "", "Full_Citation", "", "Abstract", "")...)
	add(block("Funding_Agency", "Funding_Agency_Name", "", "Grant", "")...)
	latitude, longitude := degreesText(s.LatitudeDeg), degreesText(s.LongitudeDeg)
	add(block("Site_Information", "Site_Name", s.Name, "Location", s.Location, "Northernmost_Latitude", latitude, "Southernmost_Latitude", latitude,
		"Easternmost_Longitude", longitude, "Westernmost_Longitude", longitude, "Elevation_m", plainNumber(s.ElevationM))...)
	add(block("Data_Collection", "Collection_Name", s.Code, "First_Year", strconv.Itoa(first), "Last_Year", strconv.Itoa(last), "Time_Unit", "CE",
		"Core_Length_m", "", "Parameter_Keywords", "ring width", "Notes", "")...)
	add(block("Species", "Species_Name", s.Species, "Common_Name", "", "Tree_Species_Code", s.SpeciesCode)...)
	add("#--------------------", "# Variables", "#",
		"# Data variables follow that are preceded by '##' in columns one and two.",
		"# Variables format: shortname-tab-var components: what, material, error, units, seasonality, data type, detail, method, C or N for Character or Numeric data)",
		"#", "## age_CE\tage,,,year Common Era,,tree ring,,,N,")
	for _, id := range ids {
		add("## " + id + "_raw\ttotal ring width,,,millimeter,,tree ring,,,N,0 is an absent ring and NA a ring not measured")
	}
	add("#--------------------", "# Data:", "# Missing_Values: NA")
	return out
}

func noaaRows(series []Series, ids []string) []string {
	head := []string{"age_CE"}
	for _, id := range ids {
		head = append(head, id+"_raw")
	}
	rows := []string{strings.Join(head, "\t")}
	first, last := (&Collection{Series: series}).Years()
	for year := first; year <= last; year++ {
		row := []string{strconv.Itoa(year)}
		for _, s := range series {
			row = append(row, formatWidth(s.At(year), "NA"))
		}
		rows = append(rows, strings.Join(row, "\t"))
	}
	return rows
}

// oneLine keeps a text from breaking the line it is written on.
func oneLine(s string) string { return strings.Join(strings.Fields(strings.ToValidUTF8(s, "?")), " ") }

// degreesText writes an angle as the archive does, with four decimals (11 m).
func degreesText(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', 4, 64)
}

func plainNumber(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}
