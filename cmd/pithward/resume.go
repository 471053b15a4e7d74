package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"

	"pithward/measure"
	"pithward/vision/header"
)

// run returns what the results of a scan rest on beside the scan, the settings
// and the version. fields are the sheet's rows for the scan.
func (m measurer) run(fields []measure.Field) (*measure.Run, error) {
	sum, err := measure.HashFields(fields)
	return &measure.Run{SheetSHA256: sum, TucsonUnit: m.unitWord, Strips: m.strips}, err
}

// earlier looks at the results of an earlier run, if there are any. It tells
// whether the scan can be skipped, and returns an error where results are in
// the way. Skipped scans without cores are said to have none, as before.
func (m measurer) earlier(t task) (skip bool, err error) {
	there := t.noneThere()
	if there == nil || m.overwrite && !m.resume {
		return false, nil
	}
	if !m.resume {
		return false, there
	}
	got, change := m.changed(t)
	switch {
	case change == "" && len(got.Cores) == 0:
		return true, errNoCore
	case change == "":
		return true, nil
	case m.overwrite:
		return false, nil
	}
	return false, fmt.Errorf("its results are there already, but %s: give --overwrite to measure it anew, or --out for another folder", change)
}

// changed tells what has changed since the results of a scan were made, "" if
// measuring it now would give the same.
func (m measurer) changed(t task) (got measure.Measurement, change string) {
	f, err := os.Open(t.result(jsonEnd))
	if errors.Is(err, fs.ErrNotExist) {
		return got, t.shown(jsonEnd) + " is not among them"
	}
	if err != nil {
		return got, fmt.Sprintf("%s cannot be read (%v)", t.shown(jsonEnd), reason(err))
	}
	defer f.Close()
	if got, err = measure.Decode(f); err != nil {
		return got, fmt.Sprintf("%s cannot be read (%v)", t.shown(jsonEnd), err)
	}
	return got, m.differs(t, got)
}

// differs tells in which respect a measurement is not what measuring the scan
// now would give. The scan itself is read last, as that takes longest.
func (m measurer) differs(t task, got measure.Measurement) string {
	var fields []measure.Field
	if m.sheet != nil {
		fields, _ = m.sheet.ForScan(t.scan)
	}
	now, err := m.run(fields)
	was := got.Program.Run
	switch {
	case err != nil:
		return err.Error()
	case was == nil || got.Program.Version != m.version:
		return fmt.Sprintf("made by version %s of this program", got.Program.Version)
	case !sameSettings(got.Program.Settings, m.settingsFor(t.scan)):
		return "made with other settings"
	case was.SheetSHA256 != now.SheetSHA256:
		return "the sheet's rows for it have changed"
	case was.TucsonUnit != now.TucsonUnit:
		return "made with --tucson-unit " + was.TucsonUnit
	case was.Strips != now.Strips:
		return "made with another --strips"
	}
	for _, end := range []string{tableEnd, overlayEnd, stripsEnd} {
		if _, err := os.Stat(t.result(end)); err != nil && (end != stripsEnd || m.strips) {
			return t.shown(end) + " is not among them"
		}
	}
	sum, err := measure.HashFile(t.scan)
	if err != nil {
		return err.Error()
	}
	if sum != got.Scan.SHA256 {
		return "the scan has changed"
	}
	return ""
}

// settingsFor returns the settings that a scan would be measured with now. What
// is wrong with its file is said when it is read.
func (m measurer) settingsFor(scan string) measure.Settings {
	s := m.settings
	if s.Scanner.Known() || len(m.scanners) == 0 {
		return s
	}
	if h, err := header.ReadFile(scan); err == nil {
		s.Scanner, _ = measure.ScannerOf(m.scanners, h.Make, h.Model)
	}
	return s
}

// sameSettings compares the settings in a measurement with those of this run,
// the scale to the eight digits that a measurement is written with.
func sameSettings(written, now measure.Settings) bool {
	if math.Abs(written.MMPerPx-now.MMPerPx) <= 1e-7*now.MMPerPx {
		written.MMPerPx = now.MMPerPx
	}
	return written == now
}
