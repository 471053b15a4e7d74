package archive

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"pithward/measure"
)

// The ends of the names of what a measurement is written into, beside its
// pictures.
const (
	JSONEnd    = ".json"
	TableEnd   = ".csv"
	DatedEnd   = ".rwl"
	UndatedEnd = ".undated.rwl"
)

// Results are the files of a measurement but its pictures, each whole, by the
// ends of their names. A decadal file is there only if it has series.
type Results map[string][]byte

// NewResults makes the files of m. Table and decadal files have the joined cores
// in the place of their parts, and the decadal files only the cores of used. stem
// begins the names of the files. What had to be changed for the decadal files, or
// kept one from being written, is added to the warnings of m first.
func NewResults(m *measure.Measurement, used measure.Measurement, joined []measure.JoinedCore, stem string, unit Unit) (Results, error) {
	r := Results{}
	m.Warnings = slices.DeleteFunc(slices.Clone(m.Warnings), func(w string) bool { return strings.HasPrefix(w, idsChangedStart) }) // of a stored measurement
	for _, w := range r.decadal(used.WithJoined(joined), stem, unit) {
		if !slices.Contains(m.Warnings, w) {
			m.Warnings = append(m.Warnings, w)
		}
	}
	return r, errors.Join(
		r.fill(TableEnd, func(w io.Writer) error { return measure.WriteTable(w, m.WithJoined(joined)) }),
		r.fill(JSONEnd, func(w io.Writer) error { return measure.Encode(w, *m) }),
	)
}

func (r Results) fill(end string, write func(io.Writer) error) error {
	var text bytes.Buffer
	if err := write(&text); err != nil {
		return err
	}
	r[end] = text.Bytes()
	return nil
}

// decadal makes the decadal files, each only if there are series for it. It
// returns what had to be changed for them, or kept one from being written.
func (r Results) decadal(m measure.Measurement, stem string, unit Unit) (said []string) {
	dated, undated := FromMeasurement(&m)
	ids, changes := TucsonIDs(slices.Concat(dated, undated)) // unique over both files
	said = append(said, idsChanged(changes)...)
	for _, f := range []struct {
		end    string
		series []Series
		ids    []string
	}{{DatedEnd, dated, ids[:len(dated)]}, {UndatedEnd, undated, ids[len(dated):]}} {
		if len(f.series) == 0 {
			continue
		}
		for i := range f.series {
			f.series[i].ID = f.ids[i]
		}
		var text bytes.Buffer
		warnings, err := WriteTucson(&text, &Collection{Series: f.series}, TucsonOptions{Unit: unit})
		if err != nil {
			said = append(said, fmt.Sprintf("%s is not written: %v", stem+f.end, err))
			continue
		}
		for _, w := range warnings {
			said = append(said, fmt.Sprintf("%s: %v", stem+f.end, w))
		}
		r[f.end] = text.Bytes()
	}
	return said
}

// idsChangedStart begins what is said of changed ids.
const idsChangedStart = "in the decadal files "

// idsChanged words what became of ids in the decadal files, a line for each
// cause.
func idsChanged(changes []IDChange) (lines []string) {
	at := map[string]int{}
	for _, c := range changes {
		one := fmt.Sprintf("%s as %s", c.From, c.To)
		if i, seen := at[c.Why]; seen {
			lines[i] += ", " + one
			continue
		}
		at[c.Why] = len(lines)
		lines = append(lines, fmt.Sprintf("%s(%s) %s", idsChangedStart, c.Why, one))
	}
	return lines
}
