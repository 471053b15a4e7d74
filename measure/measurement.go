// Package measure turns evidence from a scanned core into a reading, ring
// widths and years, and defines the measurement that every other part of
// pithward starts from. It imports no image code.
//
// Conventions, everywhere: pixel coordinates are [x, y], x right, y down, in
// the scan as displayed, pixel centres at whole numbers; lengths are mm unless
// a name ends in Px; angles are degrees, positive anticlockwise as displayed;
// what is not known is nil, never NaN.
package measure

// Schema is the name and number of the measurement format written here.
// Additions keep the number; readers refuse a higher one.
const Schema = "pithward/measurement/1"

// Point is a place on the scan in pixels, [x, y].
type Point [2]float64

// Measurement is all that one scan gave: the contents of SCAN.json.
type Measurement struct {
	Schema   string   `json:"schema"`
	Scan     Scan     `json:"scan"`
	Scale    Scale    `json:"scale"`
	Cores    []Core   `json:"cores"`
	Joins    []Union  `json:"joins,omitempty"` // cores in several parts
	Warnings []string `json:"warnings"`
	Program  Program  `json:"program"`
}

// Scan identifies the image file and says how it was stored.
type Scan struct {
	File        string      `json:"file"`
	SHA256      string      `json:"sha256"`
	WidthPx     int         `json:"width_px"`
	HeightPx    int         `json:"height_px"`
	BitDepth    int         `json:"bit_depth"`
	Channels    int         `json:"channels"`
	DeclaredDPI *[2]float64 `json:"declared_dpi"` // x, y as displayed; nil without a tag
}

// ScaleSource says where the pixel scale came from.
type ScaleSource string

// The sources of scale, in falling order of precedence.
const (
	ScaleGiven ScaleSource = "given"
	ScaleRuler ScaleSource = "ruler"
	ScaleTag   ScaleSource = "resolution-tag"
	ScaleNone  ScaleSource = "none"
)

// Scale is the size of a pixel in mm along x and y, and how far to trust it.
type Scale struct {
	Source  ScaleSource `json:"source"`
	MMPerPx *[2]float64 `json:"mm_per_px"` // nil when Source is none
	// RelativeStandardUncertainty holds along the cores.
	RelativeStandardUncertainty   *float64    `json:"relative_standard_uncertainty"`
	RelativeStandardUncertaintyXY *[2]float64 `json:"relative_standard_uncertainty_xy"`
	Ruler                         *Ruler      `json:"ruler"`
	Checks                        []Check     `json:"checks"`
}

// Ruler describes the ruler found in the scan, whether or not it set the scale.
type Ruler struct {
	Unit          string   `json:"unit"` // "mm" or "inch"
	Ticks         int      `json:"ticks"`
	LinePx        [2]Point `json:"line_px"` // from the first to the last tick used
	RMSResidualPx float64  `json:"rms_residual_px"`
}

// Check is one comparison of the scale with something else known.
type Check struct {
	Name   string `json:"name"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail"`
}

// Wood is the kind of wood, which decides what a boundary looks like.
type Wood string

// The kinds of wood.
const (
	Conifer       Wood = "conifer"
	RingPorous    Wood = "ring-porous"
	DiffusePorous Wood = "diffuse-porous"
)

// End is the end of a core on the displayed scan.
type End string

// The four ends.
const (
	Left   End = "left"
	Right  End = "right"
	Top    End = "top"
	Bottom End = "bottom"
)

// Core is one increment core and all that was read from it. A core that could
// not be measured has empty lists, nil Wood and BarkEnd, and a warning.
type Core struct {
	UID                string        `json:"uid"`
	ID                 string        `json:"id"`
	Position           int           `json:"position"`
	OutlinePx          []Point       `json:"outline_px"`
	PathPx             []Point       `json:"path_px"` // from bark to pith
	PathLengthMM       *float64      `json:"path_length_mm"`
	Wood               *Wood         `json:"wood"`
	WoodSource         *string       `json:"wood_source"` // "auto" or "given"
	WoodProbability    *float64      `json:"wood_probability"`
	BarkEnd            *End          `json:"bark_end"`
	BarkEndProbability *float64      `json:"bark_end_probability"`
	BarkPresent        bool          `json:"bark_present"`
	PithPresent        bool          `json:"pith_present"`
	Boundaries         []Boundary    `json:"boundaries"`
	Candidates         []Candidate   `json:"candidates"`
	Gaps               []Stretch     `json:"gaps"`
	Obscured           []Stretch     `json:"obscured"`
	Rings              []Ring        `json:"rings"`
	Absent             []Absent      `json:"absent"`
	ExpectedCount      *float64      `json:"expected_count"`
	CountSD            *float64      `json:"count_standard_deviation"`
	SecondRadius       *SecondRadius `json:"second_radius,omitempty"` // the wood beyond the pith; nil where the core ends before
	YearConvention     *string       `json:"year_convention"`         // how years were assigned; nil without years
	Doubts             []Doubt       `json:"doubts"`                  // what a person should look at, worst first
	Field              *Field        `json:"field"`                   // the core's row of the sheet
	Warnings           []string      `json:"warnings"`
}

// SecondRadius is what was read of the wood that a core passes through beyond
// the pith: another radius of the same tree, offered beside the first. Its path
// runs from the outer end to the pith, so that rings and boundaries are as in a
// Core; its outer end is a cut, never bark.
type SecondRadius struct {
	PathPx        []Point    `json:"path_px"`
	PathLengthMM  *float64   `json:"path_length_mm"`
	Boundaries    []Boundary `json:"boundaries"`
	Gaps          []Stretch  `json:"gaps"`
	Obscured      []Stretch  `json:"obscured"`
	Rings         []Ring     `json:"rings"`
	ExpectedCount *float64   `json:"expected_count"`
	CountSD       *float64   `json:"count_standard_deviation"`
}

// BoundaryKind tells a ring boundary from the ends of the wood.
type BoundaryKind string

// The kinds of boundary.
const (
	Outer        BoundaryKind = "outer"
	RingBoundary BoundaryKind = "ring"
	Inner        BoundaryKind = "inner"
)

// Boundary is an accepted boundary, where one annual ring ends and the next
// begins.
type Boundary struct {
	ID                    string       `json:"id"`
	Kind                  BoundaryKind `json:"kind"`
	AtMM                  *float64     `json:"at_mm"` // nil without scale
	PointPx               Point        `json:"point_px"`
	LinePx                []Point      `json:"line_px"` // the course across the core
	TiltDeg               float64      `json:"tilt_deg"`
	Probability           float64      `json:"probability"`
	StandardUncertaintyMM *float64     `json:"standard_uncertainty_mm"`
	SharedUncertaintyMM   float64      `json:"shared_uncertainty_mm,omitempty"` // the part of it that is common to all boundaries read on this core
	Source                string       `json:"source"`                          // "auto" or "person"
}

// Candidate is a place considered and rejected, with the probability that
// another boundary is there beside those accepted.
type Candidate struct {
	ID          string   `json:"id"`
	AtMM        *float64 `json:"at_mm"`
	PointPx     Point    `json:"point_px"`
	TiltDeg     float64  `json:"tilt_deg"`
	Probability float64  `json:"probability"`
}

// Stretch is a part of the path: a gap (kind crack, break or lost) or an
// obscured stretch (smear, rot, knot, stain, glue).
type Stretch struct {
	FromMM *float64 `json:"from_mm"`
	ToMM   *float64 `json:"to_mm"`
	FromPx Point    `json:"from_px"`
	ToPx   Point    `json:"to_px"`
	Kind   string   `json:"kind"`
}

// The kinds of gap. The faces of a crack or break fit, so its opening is
// subtracted; at a lost gap wood, and perhaps rings, are missing.
const (
	Crack = "crack"
	Break = "break"
	Lost  = "lost"
)

// The kinds of obscured stretch: what hides the boundaries.
const (
	Smear = "smear"
	Rot   = "rot"
	Knot  = "knot"
	Stain = "stain"
	Glue  = "glue"
)

// Ring is the wood between two successive boundaries.
type Ring struct {
	Index                 int      `json:"index"` // 1 is the outermost complete ring
	Year                  *int     `json:"year"`
	WidthMM               *float64 `json:"width_mm"`
	StandardUncertaintyMM *float64 `json:"standard_uncertainty_mm"`
	Flags                 []string `json:"flags"`
}

// The flags of a ring.
const (
	FlagPartial  = "partial"  // the unfinished outermost ring
	FlagBroken   = "broken"   // across a gap
	FlagObscured = "obscured" // across an obscured stretch
)

// Absent is a year in which this radius grew no wood, known from other cores.
type Absent struct {
	AfterIndex int  `json:"after_index"`
	Year       *int `json:"year"`
}

// Doubt is a place a person should look at.
type Doubt struct {
	Kind   string   `json:"kind"`
	AtMM   *float64 `json:"at_mm"`
	Detail string   `json:"detail"`
}

// Program says what made the measurement.
type Program struct {
	Version  string   `json:"version"`
	Settings Settings `json:"settings"`
	Run      *Run     `json:"run,omitempty"` // nil: not said
}

// Run is what the results of a scan rest on beside the scan, the settings and
// the program's version. Where all of them are the same, measuring again gives
// the same results.
type Run struct {
	SheetSHA256 string `json:"sheet_sha256"` // of the sheet's rows for the scan, see HashFields; "" without any
	TucsonUnit  string `json:"tucson_unit"`  // of the decadal files, mm
	Strips      bool   `json:"strips"`       // whether strips were made
}
