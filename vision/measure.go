package vision

import (
	"context"
	"fmt"
	"image"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"pithward/calib"
	"pithward/measure"
	"pithward/vision/evidence"
	"pithward/vision/header"
	"pithward/vision/raster"
)

// overviewSide bounds the longest side of the picture in which cores are
// found: a 4 mm core is then some twenty px broad on the largest tray.
const overviewSide = 1800

// Progress is told what is being done: the stage, and how much of it.
type Progress func(stage string, done, of int)

// Measure reads one scan and measures its cores: the whole job but for the
// pictures. The caller closes the scan. A scan without cores gives a
// measurement with an empty list. Whoever has the file identifies it: see
// [measure.Measurement.Identify].
func Measure(ctx context.Context, s *Scan, job measure.Job, tell Progress) (measure.Measurement, error) {
	var unsure string
	if !job.Settings.Scanner.Known() {
		job.Settings.Scanner, unsure = measure.ScannerOf(job.Scanners, s.Header.Make, s.Header.Model)
	}
	m := newMeasurement(s.Header, job)
	if unsure != "" {
		m.Warnings = append(m.Warnings, unsure)
	}
	tell("finding ruler and cores", 0, 1)
	o, err := s.Overview(overviewSide)
	if err != nil {
		return m, err
	}
	px := s.Pixels()
	rulers, why := calib.FindRulers(px, m.Scan.DeclaredDPI)
	hints := Hints{}
	for _, r := range rulers {
		hints.Avoid = append(hints.Avoid, r.QuadPx)
	}
	e := calib.Evidence{GivenMMPerPx: job.Settings.MMPerPx, Rulers: rulers, NoRuler: why, Tag: m.Scan.DeclaredDPI, Scanner: scannerAsShown(s.Header, job.Settings.Scanner)}
	hints.MMPerPx = calib.Decide(e).MMPerPx // without cores: a first guess
	found, warnings, err := FindCores(px, o, hints)
	if err != nil {
		return m, err
	}
	m.Warnings = append(m.Warnings, warnings...)
	for i, c := range found {
		e.Cores = append(e.Cores, calib.Core{BreadthPx: c.BreadthPx, Upright: c.Upright, BorerMM: borer(fieldFor(job.Fields, len(found), i+1))})
	}
	m.Scale = calib.Decide(e)
	m.Warnings = append(m.Warnings, scaleWarnings(m.Scale, why)...)
	m.Cores, err = readCores(ctx, px, m.Scale, job, found, tell)
	if err != nil {
		return m, err
	}
	stem := strings.TrimSuffix(m.Scan.File, filepath.Ext(m.Scan.File))
	for i := range m.Cores {
		m.Cores[i].Position = i + 1
	}
	m.Warnings = append(m.Warnings, measure.ApplyFields(m.Cores, job.Fields, stem, job.Settings.Season)...)
	if len(m.Cores) == 0 {
		m.Warnings = append(m.Warnings, "no core found")
	}
	return m, nil
}

// scaleWarnings says what speaks against the scale, or why there is none.
func scaleWarnings(s measure.Scale, noRuler string) (warnings []string) {
	if s.Source == measure.ScaleNone {
		warnings = append(warnings, "no scale: "+noRuler+"; give --dpi or --mm-per-px, or rescan with the ruler flat")
	}
	for _, c := range s.Checks {
		switch {
		case c.OK:
		case c.Name != "ruler":
			warnings = append(warnings, "scale in doubt: "+c.Name+": "+c.Detail)
		case s.Source == measure.ScaleTag:
			warnings = append(warnings, "scale by the resolution tag alone: "+c.Detail)
		}
	}
	return warnings
}

// scannerAsShown is a scanner's check with the axes of a scan as displayed.
func scannerAsShown(h header.Header, s measure.Scanner) measure.Scanner {
	if onItsSide(h) {
		return s.Turned()
	}
	return s
}

// onItsSide tells that a scan is displayed turned by a quarter from how it is
// stored (TIFF 6.0, page 36).
func onItsSide(h header.Header) bool { return h.Orientation >= 5 }

// ReadRulers reads the rulers of a scan and nothing else, for the check of a
// scanner.
func ReadRulers(s *Scan, job measure.Job) measure.RulerScan {
	h := s.Header
	r := measure.RulerScan{File: filepath.Base(job.Scan), Make: h.Make, Model: h.Model, DPI: calib.Declared(h.DPI)}
	found, why := calib.FindRulers(s.Pixels(), h.DPI)
	r.Rulers, r.Why = calib.Readings(found, onItsSide(h)), why
	if r.DPI != nil && onItsSide(h) {
		r.DPI = &[2]float64{r.DPI[1], r.DPI[0]}
	}
	return r
}

func newMeasurement(h header.Header, job measure.Job) measure.Measurement {
	return measure.Measurement{Schema: measure.Schema, Cores: []measure.Core{}, Warnings: []string{},
		Scale:   measure.Scale{Source: measure.ScaleNone, Checks: []measure.Check{}},
		Program: measure.Program{Version: job.Version, Settings: job.Settings},
		Scan: measure.Scan{File: filepath.Base(job.Scan), WidthPx: h.Width, HeightPx: h.Height, BitDepth: h.Bits,
			Channels: h.Channels, DeclaredDPI: h.DPI}}
}

// readCores reads all cores, as many at once as there are processors.
func readCores(ctx context.Context, px raster.Pixels, scale measure.Scale, job measure.Job, found []raster.Core, tell Progress) ([]measure.Core, error) {
	r := &reader{px: px, scale: scale, settings: job.Settings, model: evidence.Default()}
	cores := make([]measure.Core, len(found))
	var mu sync.Mutex // of done and tell
	done := 0
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range found {
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			cores[i] = r.readSafely(found[i], fieldFor(job.Fields, len(found), i+1))
			mu.Lock()
			defer mu.Unlock()
			done++
			tell("reading cores", done, len(found))
			return nil
		})
	}
	return cores, g.Wait()
}

// readSafely turns a fault of our own in one core into that core's warning:
// the others are still measured.
func (r *reader) readSafely(found raster.Core, field *measure.Field) (core measure.Core) {
	defer func() {
		if fault := recover(); fault != nil {
			core = emptyCore()
			core.OutlinePx = found.OutlinePx
			core.Warnings = append(core.Warnings, fmt.Sprintf("could not be read: a fault in the program (%v); please report it with the scan", fault))
		}
	}()
	return r.read(found, field)
}

// borer returns the borer's nominal diameter in mm by the sheet, 0 if unknown.
func borer(f *measure.Field) float64 {
	if f == nil || f.BorerMM == nil {
		return 0
	}
	return *f.BorerMM
}

// fieldFor returns the sheet's row of a core; nil where the sheet has another
// number of cores, since then no row can be told to be this core's.
func fieldFor(fields []measure.Field, cores, position int) *measure.Field {
	if len(fields) != cores {
		return nil
	}
	for i := range fields {
		if fields[i].Position == position {
			return &fields[i]
		}
	}
	return nil
}

// Picture returns the scan reduced for its overlay, and the factor it was
// reduced by.
func (s *Scan) Picture() (*image.NRGBA, int, error) {
	factor := s.overlayFactor()
	o, err := s.Reduced(factor)
	if err != nil {
		return nil, 0, err
	}
	img := image.NewNRGBA(image.Rect(0, 0, o.Width, o.Height))
	ch, dst := o.Channels, img.Pix
	for src := o.U8; len(src) >= ch; src, dst = src[ch:], dst[4:] {
		dst[0], dst[1], dst[2], dst[3] = src[ch-1], src[ch/2], src[0], 255 // gray: thrice the same
	}
	return img, factor, nil
}
