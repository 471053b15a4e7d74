package phantom

import (
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"

	"pithward/measure"
)

// demoSeed fixes the demo: the same trays wherever it is written.
const demoSeed = 20240618

// WriteDemo writes two rendered trays into dir, which must exist: tray-a.tif
// and tray-b.tif with their truth, and the core sheet cores.csv that a field
// party would bring. The place, Osmundvale, is invented. Its pines share their
// good and bad years; two timbers from a barn there are older than their sheet
// tells, and one pine lacks the ring of a hard year. Files of the same names
// are written over. progress, if not nil, is told of each step.
func WriteDemo(dir string, progress func(done, of int)) error {
	trays := []demoTray{demoTrayA(), demoTrayB()}
	of := 2*len(trays) + 1
	step := func(done int) {
		if progress != nil {
			progress(done, of)
		}
	}
	step(0)
	for i, d := range trays {
		pic, truth := Render(d.tray, demoSeed+uint64(i))
		step(2*i + 1)
		truth.File = d.tray.Name + ".tif"
		if err := writeTIFFFile(filepath.Join(dir, truth.File), pic); err != nil {
			return err
		}
		if err := truth.Write(filepath.Join(dir, d.tray.Name+".truth.json")); err != nil {
			return err
		}
		step(2*i + 2)
	}
	if err := writeSheet(filepath.Join(dir, "cores.csv"), trays); err != nil {
		return err
	}
	step(of)
	return nil
}

func writeTIFFFile(path string, p *Picture) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := p.WriteTIFF(f, TIFFOptions{Compression: LZW, Predictor: true}); err != nil {
		f.Close()
		return fmt.Errorf("%s: %w", path, err)
	}
	return f.Close()
}

// demoTray is a tray with what the field party noted of each of its cores.
type demoTray struct {
	tray Tray
	rows []fieldRow
}

// fieldRow is a row of the core sheet.
type fieldRow struct {
	core, tree, species, status, sampled string
	bark, pith                           string
	borer                                float64
	note                                 string
}

func writeSheet(path string, trays []demoTray) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	rows := [][]string{{"scan", "position", "core", "tree", "site", "species", "status", "sampled", "hemisphere", "bark", "pith", "borer_mm", "note",
		"site_code", "location", "elevation_m", "investigators"}}
	for _, t := range trays {
		for i, r := range t.rows {
			hemisphere := "N"
			if r.status == "timber" {
				hemisphere = ""
			}
			rows = append(rows, []string{t.tray.Name + ".tif", strconv.Itoa(i + 1), r.core, r.tree, "Osmundvale", r.species, r.status,
				r.sampled, hemisphere, r.bark, r.pith, strconv.FormatFloat(r.borer, 'f', -1, 64), r.note,
				"OSV", "Nowhere", "640", "Field party of Osmundvale"})
		}
	}
	if err := w.WriteAll(rows); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// demoYears draws what the years 1780 to 2024 had in common at Osmundvale, as
// logarithms. The index is the year less 1780.
func demoYears(r *rand.Rand) []float64 {
	out := make([]float64, 2024-1780+1)
	x := 0.0
	for i := range out {
		x = 0.25*x + 0.26*r.NormFloat64()
		out[i] = x
	}
	out[hardYear-1780] = -0.9
	return out
}

// hardYear is the year in which one of the pines grew no wood.
const hardYear = 1956

// demoCore draws a core whose outermost complete ring is of the given year,
// long enough to fill about length mm.
func demoCore(r *rand.Rand, wood measure.Wood, shared []float64, outer int, g Growth, length float64) Core {
	n := int(length/g.MeanMM) + 4
	years := make([]float64, n) // bark to pith
	for i := range years {
		years[i] = shared[max(0, outer-i-1780)]
	}
	c := Core{Wood: wood, OuterYear: outer, Widths: g.under(r, years), PithMM: 0.5, BoreMM: 5.15, FlatMM: 4.7,
		LengthMM: length, PithMissMM: between(r, -2, 2), BarkMM: between(r, 1.2, 3), Look: RandomLook(r, wood),
		Shape: Shape{Eccentric: 0.06, WaveMM: 0.04, WaveArcMM: 9, RoughMM: 0.005}, BowMM: between(r, -0.4, 0.4)}
	l := &c.Look
	l.Contrast = max(l.Contrast, 0.85)
	l.FalseRings, l.PaleYears, l.Compression, l.BlueStain = 0.015, 0.01, 0, 0
	c.Marks = Marks{Scratches: 0.3, BorerMarks: 0.3, Cracks: 0.8, Checks: 0.3}
	return c
}

// grow adds the ring of the year of sampling, this far grown.
func (c *Core) grow(share float64) {
	c.Partial = share
	c.Widths = append([]float64{share * 0.8 * c.Widths[0]}, c.Widths...)
}

// omit takes the ring of a year away, as if it had never been laid down.
func (c *Core) omit(year int) {
	i := c.OuterYear - year
	c.Widths = append(c.Widths[:i:i], c.Widths[i+1:]...)
	c.AbsentYears = append(c.AbsentYears, year)
}

func demoPine() Growth {
	return Growth{MeanMM: 0.82, Sensitivity: 0.13, AR1: 0.45, Juvenile: 1.9, HalfYears: 25, FloorMM: 0.14}
}

// demoTrayA holds living trees of three kinds, cored in autumn.
func demoTrayA() demoTray {
	r := newRand(demoSeed, 1)
	shared := demoYears(newRand(demoSeed, 7))
	oak := Growth{MeanMM: 1.35, Sensitivity: 0.16, AR1: 0.4, Juvenile: 1.3, HalfYears: 30, FloorMM: 0.5}
	beech := Growth{MeanMM: 1.25, Sensitivity: 0.2, AR1: 0.4, Juvenile: 1.2, HalfYears: 30, FloorMM: 0.4}
	cores := []Core{
		demoCore(r, measure.Conifer, shared, 2023, demoPine(), 92),
		demoCore(r, measure.Conifer, shared, 2023, demoPine(), 88),
		demoCore(r, measure.Conifer, shared, 2023, demoPine(), 84),
		demoCore(r, measure.RingPorous, shared, 2023, oak, 86),
		demoCore(r, measure.RingPorous, shared, 2023, oak, 78),
		demoCore(r, measure.DiffusePorous, shared, 2023, beech, 74),
	}
	cores[1].Breaks = []Break{{AtMM: 37.3, OpeningMM: 1.1, Kind: measure.Break, ShiftMM: 0.2, TurnDeg: 0.6}}
	cores[2].omit(hardYear)
	cores[4].Look.Chalk = 0.95
	cores[3].Look.Chalk, cores[5].Look.Chalk = 0, 0
	cores[5].Look.LineMM, cores[5].Look.Contrast = 0.08, 1
	t := newDemoTray("tray-a", []string{"OSVP01A", "OSVP02A", "OSVP03A", "OSVQ01A", "OSVQ02A", "OSVF01A"}, cores)
	a := newDemoArranger(r, &t)
	a.bare(&t.Cores[0])
	a.bare(&t.Cores[1])
	a.mount(t.Cores[2:3])
	a.bare(&t.Cores[3])
	a.mount(t.Cores[4:5])
	a.bare(&t.Cores[5])
	a.finishDemo("TRAY A", "OSMUNDVALE 1")
	d := demoTray{tray: t}
	for i, sp := range []string{"Pinus sylvestris", "Pinus sylvestris", "Pinus sylvestris", "Quercus robur", "Quercus robur", "Fagus sylvatica"} {
		d.rows = append(d.rows, d.tray.row(i, sp, "living", "2023-10-12"))
	}
	d.rows[1].note = "broke at the coring"
	return d
}

// demoTrayB holds pines cored in June, while their last ring was growing, and
// two timbers of unknown age.
func demoTrayB() demoTray {
	r := newRand(demoSeed, 2)
	shared := demoYears(newRand(demoSeed, 7))
	cores := []Core{
		demoCore(r, measure.Conifer, shared, 2023, demoPine(), 90),
		demoCore(r, measure.Conifer, shared, 2023, demoPine(), 96),
		demoCore(r, measure.Conifer, shared, 1968, demoPine(), 82),
		demoCore(r, measure.Conifer, shared, 1951, demoPine(), 78),
	}
	cores[0].grow(0.45)
	cores[1].grow(0.4)
	for i := 2; i < 4; i++ {
		cores[i].BarkMM, cores[i].OuterLostMM = 0, 0.06
		cores[i].Look.Early, cores[i].Look.Late = cores[i].Look.Early.times(0.86), cores[i].Look.Late.times(0.9)
	}
	cores[3].LengthMM = 0 // on to the pith
	cores[3].PithMissMM = 0.4
	cores[3].Widths = cores[3].Widths[:min(len(cores[3].Widths), 92)]
	t := newDemoTray("tray-b", []string{"OSVP04A", "OSVP04B", "OSVT01", "OSVT02"}, cores)
	a := newDemoArranger(r, &t)
	a.bare(&t.Cores[0])
	a.bare(&t.Cores[1])
	a.bare(&t.Cores[2])
	a.bare(&t.Cores[3])
	a.finishDemo("TRAY B", "OSMUNDVALE 2")
	d := demoTray{tray: t}
	for i, status := range []string{"living", "living", "timber", "timber"} {
		row := t.row(i, "Pinus sylvestris", status, "2024-06-18")
		if status == "timber" {
			row.sampled, row.note = "", "beam of a barn"
		}
		d.rows = append(d.rows, row)
	}
	d.rows[1].tree = d.rows[0].tree
	d.rows[3].pith = "yes"
	return d
}

func newDemoTray(name string, ids []string, cores []Core) Tray {
	t := Tray{Name: name, DPI: 1200, TagDPI: [2]float64{1200, 1200}, Bits: 8, Cores: cores,
		MMPerPx: [2]float64{25.4 / 1200 * 1.0006, 25.4 / 1200 * 0.9994},
		Ground:  Ground{Colour: RGB{30, 31, 34}, Blotch: 1.2, Grain: 1, Shadow: 0.4},
		Scanner: Scanner{BlurPx: 0.75, Noise: 1, PixelNoise: 0.8, Vignette: 0.015, Banding: 0.1}, DustPerCM2: 0.15, HairsPerDM2: 0.5}
	for i := range t.Cores {
		t.Cores[i].ID = ids[i]
	}
	return t
}

func newDemoArranger(r *rand.Rand, t *Tray) *arranger {
	var longest float64
	for i := range t.Cores {
		longest = max(longest, t.Cores[i].extent())
	}
	return &arranger{r: r, t: t, at: trayMargin, margin: trayMargin, left: trayMargin + labelRoom, width: longest + 2*trayMargin + labelRoom + 12, labelled: true}
}

// finishDemo adds a ruler and a label below and sets the tray's size.
func (a *arranger) finishDemo(lines ...string) {
	u := &Ruler{LengthMM: 100, BreadthMM: 16, MarginMM: 3, TickMM: 0.14, Body: RGB{243, 242, 237}, Ink: RGB{26, 26, 28}, Material: "plastic",
		Scales: []RulerScale{{Unit: "mm", Finest: 1, ShortMM: 3, Numbers: true}}, AngleDeg: 0.15}
	u.AtMM = [2]float64{trayMargin + u.MarginMM, a.at + 4}
	a.t.Ruler = u
	a.at += 4 + u.BreadthMM
	a.t.Labels = append(a.t.Labels, Label{AtMM: [2]float64{a.width - trayMargin - 30, a.at - 13}, LengthMM: 30, BreadthMM: 11,
		Paper: RGB{246, 246, 242}, Ink: RGB{34, 34, 40}, Lines: lines})
	if x := u.AtMM[0] + u.LengthMM + u.MarginMM + 2; x > a.width-trayMargin-30 {
		a.t.Labels[len(a.t.Labels)-1].AtMM[1] = a.at + 3
		a.at += 14
	}
	a.close()
}

// row fills in what the sheet says of core i.
func (t *Tray) row(i int, species, status, sampled string) fieldRow {
	c := &t.Cores[i]
	c.Species = species
	yesNo := map[bool]string{true: "yes", false: "no"}
	return fieldRow{core: c.ID, tree: c.ID[:6], species: species, status: status, sampled: sampled, bark: yesNo[c.BarkMM > 0], pith: "no",
		borer: 5.15}
}
