// Package archive reads and writes tree-ring series in the formats of the
// public archives: Tucson decadal files, the NOAA/WDS text template, TRiDaS
// 1.2.2 and plain CSV.
//
// Years are astronomical: the year before AD 1 is 0, the one before that -1.
// Widths run from the oldest ring to the youngest. An absent ring (a year in
// which the radius grew no wood) is a width of 0; a ring that was not measured
// is Missing. The two are never turned into each other.
package archive

import (
	"fmt"
	"math"

	"pithward/measure"
)

// Width is a ring width in mm: 0 for an absent ring, Missing (or anything
// below 0) for a ring not measured.
type Width float64

// Absent and Missing are the two values that are no ordinary width.
const (
	Absent  Width = 0
	Missing Width = -1
)

// Measured tells whether there is a width, be it 0. NaN and infinity count as
// not measured.
func (w Width) Measured() bool { return w >= 0 && !math.IsInf(float64(w), 1) }

// Unit is how many units make a mm in the file a series came from.
type Unit int

// The units of decadal files.
const (
	UnitUnknown Unit = 0
	Hundredths  Unit = 100  // 0.01 mm, end marker 999
	Thousandths Unit = 1000 // 0.001 mm, end marker -9999
)

// Width turns a whole number of units into mm. It divides, so that equal
// numbers give equal widths whatever the unit.
func (u Unit) Width(n int) Width { return Width(float64(n) / float64(u)) }

// Quantity is what a series' values are, in the words of the source where it
// is neither of those named here (for example "latewood width").
type Quantity string

// The quantities told apart. Widths are in mm, indices without unit.
const (
	RingWidth Quantity = ""
	Index     Quantity = "index"
)

// String names the quantity.
func (q Quantity) String() string {
	if q == RingWidth {
		return "ring width"
	}
	return string(q)
}

// Series is one measured radius, or a chronology.
type Series struct {
	ID        string
	FirstYear int     // of Widths[0]
	Widths    []Width // from the oldest ring to the youngest, one a year
	Unit      Unit    // as found in the file; what to write is the writer's choice
	Floating  bool    // the years only count: the series is not dated
	Quantity  Quantity
	Depth     []int         // for an index: samples behind each value, as long as Widths; else nil
	Pictures  []RingPicture // what the picture says of each ring, as long as Widths; nil but for a measured scan
	Core      string        // uid of the core of a measured scan; else ""
	Meta      Meta
	Line      int // of the file read where the series begins; 0 if it was not read
}

// RingPicture is what the picture of a measured scan says of one ring.
type RingPicture struct {
	// Boundary is the boundary to the next older ring; nil where the picture says
	// nothing of the ring.
	Boundary *PicturePlace
	// Candidates are the places within the ring that were considered and
	// rejected, from bark to pith.
	Candidates []PicturePlace
	// Hidden is how much of the ring's wood lies where no boundary can be seen, mm, and
	// HiddenAt the middle of the longest such stretch, as a Share of its width.
	Hidden, HiddenAt float64
}

// PicturePlace is a boundary, or a place that may be one, on a measured scan.
type PicturePlace struct {
	ID          string
	AtMM        float64 // along the path
	PointPx     measure.Point
	Probability float64 // that a boundary is there
	ByPerson    bool    // a person has set or confirmed it
	// Share is how much of the ring's width lies outward of the place, 0 to 1; 1
	// for its boundary.
	Share float64
}

// Meta is what is known of a series besides its widths. Empty and nil mean
// not stated.
type Meta struct {
	Tree    string
	Species string // as the source has it: a name or a four-letter code
	Pith    *bool  // the innermost measured ring holds the pith
	Bark    *bool  // the wood's surface under the bark is there
	Sapwood *int   // number of sapwood rings counted, when the limit was seen
	Note    string
	Remarks map[int][]string // by year
	Site    Site             // what is known of the very place of the tree

	Sampled          string   // ISO date
	Analyst          string   // who settled the boundaries
	ScaleUncertainty *float64 // relative standard uncertainty of all widths together
	Posterior        *float64 // of the years, by crossdating
}

// LastYear returns the year of the youngest value; for an empty series the
// year before the first.
func (s Series) LastYear() int { return s.FirstYear + len(s.Widths) - 1 }

// At returns the width of a year, Missing outside the series.
func (s Series) At(year int) Width {
	if k := year - s.FirstYear; k >= 0 && k < len(s.Widths) {
		return s.Widths[k]
	}
	return Missing
}

// Counts returns how many values are measured (absent rings among them), how
// many of these are absent rings, and how many are missing.
func (s Series) Counts() (measured, absent, missing int) {
	for _, w := range s.Widths {
		switch {
		case !w.Measured():
			missing++
		case w == Absent:
			absent++
			measured++
		default:
			measured++
		}
	}
	return measured, absent, missing
}

// Trim returns the series without missing values at its ends. It shares its
// widths with s.
func (s Series) Trim() Series {
	from, to := 0, len(s.Widths)
	for from < to && !s.Widths[from].Measured() {
		from++
	}
	for to > from && !s.Widths[to-1].Measured() {
		to--
	}
	if s.Depth != nil {
		s.Depth = s.Depth[from:to]
	}
	if s.Pictures != nil {
		s.Pictures = s.Pictures[from:to]
	}
	s.Widths = s.Widths[from:to]
	s.FirstYear += from
	return s
}

// Site is what a file says of the place its series come from.
type Site struct {
	Code          string // of the site or collection, at most six characters by custom
	Name          string
	Location      string // country or state
	Species       string // name
	SpeciesCode   string // four letters
	ElevationM    *float64
	LatitudeDeg   *float64 // north positive
	LongitudeDeg  *float64 // east positive
	Investigators string
	Study         string // title
	Laboratory    string
}

// Empty tells whether nothing is known.
func (s Site) Empty() bool { return s == Site{} }

// Collection is the content of one file.
type Collection struct {
	Name     string // of the file, for messages
	Format   Format
	Header   []string // description lines as found, without line ends
	Site     Site
	Series   []Series
	Warnings []Warning // what was odd, in the order of the file
}

// Warning says what was odd in a file, or what a writer had to change.
type Warning struct {
	Line   int    // of the file read; 0: none in particular
	Series string // id; empty: none in particular
	Text   string
}

// String gives the warning without the file's name.
func (w Warning) String() string {
	switch {
	case w.Line > 0 && w.Series != "":
		return fmt.Sprintf("line %d: %s: %s", w.Line, w.Series, w.Text)
	case w.Line > 0:
		return fmt.Sprintf("line %d: %s", w.Line, w.Text)
	case w.Series != "":
		return w.Series + ": " + w.Text
	}
	return w.Text
}

// Years outside these limits are taken for errors. The longest continuous
// chronologies reach back some 12,500 years (common practice).
const (
	minYear = -20000
	maxYear = 9999
)

// The longest series accepted.
const maxSpan = 15000

// yearFault says why a year cannot be one; "" if it can.
func yearFault(year int) string {
	if year < minYear || year > maxYear {
		return fmt.Sprintf("year %d is impossible: expected %d to %d", year, minYear, maxYear)
	}
	return ""
}

// Format names a file format.
type Format string

// The formats.
const (
	Tucson     Format = "tucson"     // decadal widths, .rwl
	Chronology Format = "chronology" // decadal indices with sample depth, .crn
	NOAA       Format = "noaa"       // NOAA/WDS text template, -noaa.txt
	TRiDaS     Format = "tridas"     // TRiDaS 1.2.2, .xml
	CSV        Format = "csv"        // series,year,width_mm

	// Measurement is a measured scan, SCAN.json. It is read here but written by
	// measuring alone.
	Measurement Format = "measurement"
)

// Formats lists the formats in which measured widths can be written.
func Formats() []Format { return []Format{Tucson, NOAA, TRiDaS, CSV} }

// widthSeries returns the series that hold ring widths and at least one
// measured ring, with a warning for each of the others.
func (c *Collection) widthSeries(format Format) ([]Series, []Warning) {
	var keep []Series
	var warnings []Warning
	for _, s := range c.Series {
		measured, _, _ := s.Counts()
		switch {
		case s.Quantity != RingWidth:
			warnings = append(warnings, Warning{Series: s.ID, Text: fmt.Sprintf("it holds %s, which a %s file of ring widths cannot say: left out", s.Quantity, format)})
		case measured == 0:
			warnings = append(warnings, Warning{Series: s.ID, Text: "no measured ring: left out"})
		default:
			keep = append(keep, s)
		}
	}
	return keep, warnings
}
