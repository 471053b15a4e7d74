package measure

// Settings are the choices that decide how a scan is read. They are written
// into the result, so that a measurement says how it was made. The zero value
// means "decide from the picture" throughout.
type Settings struct {
	MMPerPx float64 `json:"mm_per_px,omitempty"` // scale given by hand; 0: not given
	Wood    Wood    `json:"wood,omitempty"`      // given for every core; "": sheet, else auto
	BarkEnd End     `json:"bark_end,omitempty"`  // given for every core; "": auto
	Season  Season  `json:"season"`              // growing season limits, for years
	Scanner Scanner `json:"scanner,omitzero"`    // the check of the scanner that the scan comes from; zero: none
}

// Season holds the limits of the growing season used to tell whether the
// outermost ring was complete when the core was taken. Months are 1 to 12;
// growth begins with the first day of From and has ended after the last day
// of To.
type Season struct {
	NorthFrom int `json:"north_from"`
	NorthTo   int `json:"north_to"`
	SouthFrom int `json:"south_from"`
	SouthTo   int `json:"south_to"`
}

// Field is what is known of a core from the field: a row of the core sheet.
// Empty strings and nil mean not stated.
type Field struct {
	Line       int               `json:"line"` // of the sheet, for messages
	Scan       string            `json:"scan"`
	Position   int               `json:"position"`
	Core       string            `json:"core,omitempty"`
	Part       int               `json:"part,omitempty"`
	Tree       string            `json:"tree,omitempty"`
	Site       string            `json:"site,omitempty"`
	Species    string            `json:"species,omitempty"`
	Status     string            `json:"status,omitempty"`     // living, dead, timber
	Sampled    string            `json:"sampled,omitempty"`    // ISO date
	OuterRing  string            `json:"outer_ring,omitempty"` // complete, incomplete, unknown
	Hemisphere string            `json:"hemisphere,omitempty"` // N, S
	Bark       *bool             `json:"bark,omitempty"`
	Pith       *bool             `json:"pith,omitempty"`
	BorerMM    *float64          `json:"borer_mm,omitempty"`
	OuterYear  *int              `json:"outer_year,omitempty"`
	Note       string            `json:"note,omitempty"`
	Other      map[string]string `json:"other,omitempty"` // unknown columns, kept
}

// Job is what the worker is asked to do with one scan, as one JSON object on
// its standard input.
type Job struct {
	Scan     string    `json:"scan"` // path of the image file
	Settings Settings  `json:"settings"`
	Fields   []Field   `json:"fields,omitempty"`   // the sheet's rows for this scan, if any
	Overlay  string    `json:"overlay,omitempty"`  // write the overlay PNG to this path
	Strips   string    `json:"strips,omitempty"`   // write full-resolution strips into this folder
	Tiles    string    `json:"tiles,omitempty"`    // write a pyramid of tiles into this folder, which is there
	Scanners []Scanner `json:"scanners,omitempty"` // checks to find the scan's own among, where the settings name none
	Rulers   bool      `json:"rulers,omitempty"`   // nothing but the rulers: do not measure
	Crops    []Crop    `json:"crops,omitempty"`    // with Look: write these pieces of the scan
	Look     bool      `json:"look,omitempty"`     // nothing but tiles and crops (without any: but decoding): do not measure
	Version  string    `json:"version"`
}

// Crop is a piece of wood to cut out of a scan at full resolution, straightened:
// its middle row runs along PathPx.
type Crop struct {
	PathPx    []Point `json:"path_px"`
	BreadthPx float64 `json:"breadth_px"`
	File      string  `json:"file"` // the picture to write, JPEG
}

// DamagedData words the warning that a picture's data contradict themselves, as
// why says, but were read as far as they go.
func DamagedData(why string) string {
	return "the picture's data are damaged (" + why + "): parts of it may be wrong: look at the overlay, and copy or scan it again"
}

// Message is one line (JSON) of the worker's standard output: progress while
// it works; the measurement, before its pictures are drawn, or the rulers asked
// for; or an error for the user. A worker that ends by itself without one has
// done all it was asked for.
type Message struct {
	Stage       string       `json:"stage,omitempty"`
	Done        int          `json:"done,omitempty"`
	Of          int          `json:"of,omitempty"`
	Measurement *Measurement `json:"measurement,omitempty"`
	Rulers      *RulerScan   `json:"rulers,omitempty"`
	Error       string       `json:"error,omitempty"`
}
