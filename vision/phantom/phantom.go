// Package phantom renders scans of sanded increment cores whose truth is known
// exactly: every boundary's course, every width, gap and tick. It is plain Go
// and depends on no image library, so that tests and the demo run anywhere.
//
// A Tray is a plain value that says what lies on the scanner; Render turns it
// into a Picture and its Truth. The same tray and seed give the same bytes.
//
// Geometry is kept in mm on the tray: x to the right, y down, a pixel centre
// (x, y) lying at (x*MMPerPx[0], y*MMPerPx[1]). A core has its own frame: u
// along the wood from its outer end to the pith, v across. Rings are curves
// of equal rho round a pith at a finite distance, where rho is the radius
// bent by eccentricity and waviness; boundary k lies where rho is the sum of
// the widths inside it. Lengths are mm, angles degrees anticlockwise as
// displayed, unless a name says otherwise.
package phantom

import "pithward/measure"

// RGB is a colour as it would be scanned, each channel 0 to 255.
type RGB [3]float64

// Tray says what lies on the scanner and how it is scanned.
type Tray struct {
	Name              string // stem of the file name
	WidthPx, HeightPx int
	DPI               float64    // what the operator asked for
	MMPerPx           [2]float64 // the true scale, x and y; zero: 25.4/DPI
	TagDPI            [2]float64 // the resolution tag written; zero: none
	Bits              int        // 8 or 16; 0 means 8
	Gray              bool
	Upright           bool // cores run from top to bottom
	Ground            Ground
	Ruler             *Ruler
	OtherRuler        *Ruler // a second one, of which the truth says nothing
	Mounts            []Mount
	Cores             []Core
	Labels            []Label
	Scanner           Scanner
	DustPerCM2        float64
	HairsPerDM2       float64
}

// Ground is the tray or the lid behind the cores.
type Ground struct {
	Colour  RGB
	Blotch  float64 // slow unevenness, in grey levels (standard deviation)
	Grain   float64 // fine unevenness, in grey levels
	Shadow  float64 // 0..1: darkness of the shadow beside cores and mounts
	Striped bool    // ribbed board: faint grooves along the cores
}

// Scanner is what the scanner does to the picture.
type Scanner struct {
	BlurPx     float64    // standard deviation of the point spread
	Sharpen    float64    // strength of the driver's unsharp mask, 0 for none
	Noise      float64    // grey levels, before the blur (so correlated)
	PixelNoise float64    // grey levels, after it
	Vignette   float64    // loss of light at the short edges, 0..1
	Gain       [3]float64 // zero: 1
	Banding    float64    // grey levels of faint column stripes (sensor elements)
}

// Core is one increment core.
type Core struct {
	ID, Species string
	Wood        measure.Wood
	OuterYear   int   // year of the outermost complete ring; 0: unknown
	AbsentYears []int // in which this radius grew no wood

	// Widths are the ring widths in the stem in mm, from bark to pith.
	Widths []float64
	PithMM float64 // radius of the pith

	LengthMM    float64    // of the wood along the core; 0: to PastMM past the pith
	PastMM      float64    // how far the core goes on past the pith; 0: 3 mm
	OuterLostMM float64    // wood lost from the outside; then there is no bark
	PithMissMM  float64    // how far the core's axis passes beside the pith
	Ringless    [2]float64 // mm from the wood's outer end: between them no rings are drawn, only grain
	BoreMM      float64    // breadth of the core
	FlatMM      float64    // breadth of the sanded flat, at most BoreMM
	BarkMM      float64    // 0: no bark left
	Partial     float64    // >0: the outermost ring was still growing, this far

	CentreMM [2]float64 // of the laid core, on the tray
	AngleDeg float64    // of the direction bark to pith; 0: bark at the left
	BowMM    float64    // sagitta
	Breaks   []Break

	Shape Shape
	Look  Look
	Marks Marks
}

// Break parts the core across its whole breadth.
type Break struct {
	AtMM      float64 // along the wood, from its outer end
	OpeningMM float64
	Kind      string  // measure.Crack, measure.Break or measure.Lost
	LostMM    float64 // wood missing, for measure.Lost
	ShiftMM   float64 // of the inner piece, across
	TurnDeg   float64 // of the inner piece
}

// Shape bends the rings away from circles.
type Shape struct {
	Eccentric float64 // relative, 0..0.3
	WaveMM    float64 // amplitude of the waviness
	WaveArcMM float64 // its wavelength along the ring
	RoughMM   float64 // unevenness of a boundary from cell to cell
}

// Marks are what people and tools left on a core, as rates.
type Marks struct {
	Mounted     bool    // held in a mount: no flank shows
	BorerMarks  float64 // black marks along the edges, per 10 mm
	PencilDots  bool    // a dot each decade, two each fiftieth year
	Scratches   float64 // 0..1
	Cracks      float64 // cracks along the core, per 100 mm
	Checks      float64 // part-way cracks across, per 100 mm
	Smears      float64 // stretches that hide the boundaries: glue, stain, rot, a knot, tape; per 100 mm
	PencilLines float64 // lines drawn across, per 100 mm
}
