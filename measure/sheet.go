package measure

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// sheetLimit bounds the size of a core sheet in bytes (chosen: some hundred
// thousand rows, far beyond a field campaign).
const sheetLimit = 32 << 20

// Sheet is a core sheet: what is known from the field of the cores of one or
// more scans.
type Sheet struct {
	Name     string // for messages
	Fields   []Field
	Warnings []SheetWarning
}

// SheetWarning is a fault in one row of a core sheet that does not spoil the
// rest.
type SheetWarning struct {
	Line int    // in the file, 1 is the first
	Scan string // the row's scan as written; "" if it has none
	Text string
}

// ReadSheet reads a core sheet: CSV in UTF-8 with a header, the columns in any
// order, parted by commas, semicolons or tabs; lengths may have a decimal comma. Unknown
// columns are kept in Field.Other, under the names they have. A fault in a row is a
// warning: a bad cell counts as not stated, and only a row without scan or
// position is left out. The error, which names the sheet, says that the whole
// sheet cannot be used: it is not UTF-8, lacks the column scan or position, or
// could not be read.
func ReadSheet(name string, r io.Reader) (*Sheet, error) {
	text, err := io.ReadAll(io.LimitReader(r, sheetLimit+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(text) > sheetLimit {
		return nil, fmt.Errorf("%s: larger than %d MiB: not a core sheet; split it if it is one", name, sheetLimit>>20)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	if line := firstInvalidLine(text); line > 0 {
		return nil, fmt.Errorf("%s: line %d is not UTF-8: save the sheet as CSV in UTF-8", name, line)
	}

	comma, text := separator(text)
	rows := csv.NewReader(bytes.NewReader(text))
	rows.Comma = comma
	rows.FieldsPerRecord = -1
	rows.TrimLeadingSpace = rows.Comma != '\t' // else a tab would go as a blank

	sheet := &Sheet{Name: name}
	header, err := rows.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: empty: the first line must name the columns, scan and position among them", name)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: the header cannot be read: %w", name, err)
	}
	columns, err := sheet.columns(header)
	if err != nil {
		return nil, err
	}
	for {
		cells, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return sheet, nil
		}
		var bad *csv.ParseError
		switch {
		case errors.As(err, &bad):
			sheet.warn(bad.StartLine, "", "row left out: "+bad.Err.Error())
		case err != nil:
			return nil, fmt.Errorf("%s: %w", name, err)
		default:
			line, _ := rows.FieldPos(0)
			sheet.addRow(line, columns, cells)
		}
	}
}

// separator returns the character between the cells of a sheet: the comma, or
// the semicolon or tab that spreadsheets write where the comma is the decimal
// mark. It is the one by which the first line names the most columns we know,
// the comma where several do. A first line like sep=; by which a spreadsheet
// is told, decides it, and is blanked in the text returned.
func separator(text []byte) (rune, []byte) {
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	if told, is := strings.CutPrefix(strings.ToLower(strings.TrimRight(string(first), "\r")), "sep="); is && len(told) == 1 && strings.Contains(",;\t", told) {
		return rune(told[0]), append([]byte("\n"), rest...)
	}
	header := ""
	for line := range bytes.Lines(text) {
		if header = strings.TrimSpace(string(line)); header != "" {
			break
		}
	}
	best, most := ',', 0
	for _, comma := range []rune{',', ';', '\t'} {
		known := 0
		for cell := range strings.SplitSeq(header, string(comma)) {
			if slices.Contains(sheetColumns(), columnName(strings.Trim(strings.TrimSpace(cell), `"`))) {
				known++
			}
		}
		if known > most {
			best, most = comma, known
		}
	}
	return best, text
}

// sheetColumns lists the columns with a meaning, as the format names them.
func sheetColumns() []string {
	return []string{"scan", "position", "core", "part", "tree", "site", "species", "status", "sampled", "outer_ring",
		"hemisphere", "bark", "pith", "borer_mm", "outer_year", "note"}
}

// columnName returns a column's name in the house spelling: lower case, blanks
// as underscores.
func columnName(cell string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimSpace(cell)), " ", "_")
}

// firstInvalidLine returns the number of the first line that is not UTF-8, or
// holds a NUL as text of two bytes a letter does, and 0 if there is none.
func firstInvalidLine(text []byte) int {
	if utf8.Valid(text) && bytes.IndexByte(text, 0) < 0 {
		return 0
	}
	line := 1
	for l := range bytes.Lines(text) {
		if !utf8.Valid(l) || bytes.IndexByte(l, 0) >= 0 {
			return line
		}
		line++
	}
	return line
}

// columns returns the names of the columns: those with a meaning in the house
// spelling, others as they are written. A name given twice counts once, the
// later column is ignored.
func (s *Sheet) columns(header []string) ([]string, error) {
	var names, seen []string
	for _, h := range header {
		name := columnName(h)
		twice := name != "" && slices.Contains(seen, name)
		seen = append(seen, name)
		if !slices.Contains(sheetColumns(), name) {
			name = strings.TrimSpace(h)
		}
		if twice {
			s.warn(1, "", fmt.Sprintf("column %s is there twice: the first counts", name))
			name = ""
		}
		names = append(names, name)
	}
	for _, need := range []string{"scan", "position"} {
		if !slices.Contains(names, need) {
			return nil, fmt.Errorf("%s: no column %q in the header: add it (every row needs scan and position)", s.Name, need)
		}
	}
	return names, nil
}

func (s *Sheet) warn(line int, scan, text string) {
	s.Warnings = append(s.Warnings, SheetWarning{line, scan, text})
}

// addRow adds a row of the sheet, or a warning where it cannot be used.
func (s *Sheet) addRow(line int, columns, cells []string) {
	if !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
		return
	}
	f := Field{Line: line}
	var faults []string
	for i, cell := range cells {
		cell = strings.TrimSpace(cell)
		if i >= len(columns) {
			if cell != "" {
				faults = append(faults, fmt.Sprintf("more cells than columns: %q ignored", cell))
			}
			continue
		}
		if columns[i] == "" || cell == "" {
			continue
		}
		if fault := f.set(columns[i], cell); fault != "" {
			faults = append(faults, fmt.Sprintf("%s %q ignored: %s", columns[i], cell, fault))
		}
	}
	for _, fault := range faults {
		s.warn(line, f.Scan, fault)
	}
	switch {
	case f.Scan == "":
		s.warn(line, "", "row left out: no scan")
	case f.Position == 0:
		s.warn(line, f.Scan, "row left out: no position")
	default:
		s.Fields = append(s.Fields, f)
	}
}

// set stores the cell of a column, neither of them empty, and returns what is
// wrong with it, or "".
func (f *Field) set(column, cell string) (fault string) {
	var ok bool
	switch column {
	case "scan":
		f.Scan = cell
	case "position":
		f.Position, fault = count(cell)
	case "core":
		f.Core = cell
	case "part":
		f.Part, fault = count(cell)
	case "tree":
		f.Tree = cell
	case "site":
		f.Site = cell
	case "species":
		f.Species = cell
	case "status":
		f.Status, fault = oneOf(cell, "living", "dead", "timber")
	case "sampled":
		if _, _, ok = isoDate(cell); !ok {
			return "want a date like 2021-09-30 (or 2021-09, 2021)"
		}
		f.Sampled = cell
	case "outer_ring":
		f.OuterRing, fault = oneOf(cell, "complete", "incomplete", "unknown")
	case "hemisphere":
		f.Hemisphere, fault = oneOf(cell, "N", "S")
	case "bark":
		f.Bark, fault = yesNo(cell)
	case "pith":
		f.Pith, fault = yesNo(cell)
	case "borer_mm":
		f.BorerMM, fault = lengthMM(cell)
	case "outer_year":
		f.OuterYear, fault = calendarYear(cell)
	case "note":
		f.Note = cell
	default:
		if f.Other == nil {
			f.Other = map[string]string{}
		}
		f.Other[column] = cell
	}
	return fault
}

// OtherCell returns the cell of a column without a meaning of its own, named in
// the house spelling; "" if there is none.
func (f Field) OtherCell(column string) string {
	for name, cell := range f.Other {
		if columnName(name) == column {
			return cell
		}
	}
	return ""
}

func count(cell string) (int, string) {
	n, err := strconv.Atoi(cell)
	if err != nil || n < 1 || n > math.MaxInt32 {
		return 0, "want a whole number from 1"
	}
	return n, ""
}

func oneOf(cell string, words ...string) (string, string) {
	for _, w := range words {
		if strings.EqualFold(cell, w) {
			return w, ""
		}
	}
	return "", "want " + strings.Join(words, ", ")
}

func yesNo(cell string) (*bool, string) {
	word, fault := oneOf(cell, "yes", "no")
	if fault != "" {
		return nil, fault
	}
	yes := word == "yes"
	return &yes, ""
}

func lengthMM(cell string) (*float64, string) {
	number := cell
	if strings.Count(cell, ",") == 1 && !strings.Contains(cell, ".") {
		number = strings.Replace(cell, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !(v > 0 && v <= 1000) {
		return nil, "want a length in mm, like 5.15"
	}
	return &v, ""
}

// calendarYear reads a year; 0 and below are kept as they are (astronomical
// numbering).
func calendarYear(cell string) (*int, string) {
	y, err := strconv.Atoi(cell)
	if err != nil || y < -20000 || y > 9999 {
		return nil, "want a year, like 2019"
	}
	return &y, ""
}

// isoDate reads a date of ISO 8601: a day, a month or a year. The month is 0
// where only the year is given.
func isoDate(s string) (year, month int, ok bool) {
	for _, layout := range []string{"2006-01-02", "2006-01", "2006"} {
		t, err := time.Parse(layout, s)
		if err != nil {
			continue
		}
		if layout == "2006" {
			return t.Year(), 0, true
		}
		return t.Year(), int(t.Month()), true
	}
	return 0, 0, false
}

// ForScan returns the rows of one scan, ordered by position, and warnings: the
// sheet's own about this scan, rows for a position that has one already (the
// first counts), ids given twice, and that there is none. A row belongs to a scan if it names its
// file or its stem; folders in either are ignored.
func (s *Sheet) ForScan(path string) (fields []Field, warnings []string) {
	for _, w := range s.Warnings {
		if w.Scan != "" && sameScan(w.Scan, path) {
			warnings = append(warnings, s.say(w.Line, w.Text))
		}
	}
	atPosition, withCore := map[int]int{}, map[string]int{}
	for _, f := range s.Fields {
		if !sameScan(f.Scan, path) {
			continue
		}
		if first, taken := atPosition[f.Position]; taken {
			warnings = append(warnings, s.say(f.Line, fmt.Sprintf("row left out: position %d is in line %d already", f.Position, first)))
			continue
		}
		atPosition[f.Position] = f.Line
		if f.Core != "" {
			part := fmt.Sprintf("%s part %d", f.Core, f.Part)
			if first, taken := withCore[part]; taken {
				warnings = append(warnings, s.say(f.Line, fmt.Sprintf("core %s is in line %d already: give each core an id of its own, or number its parts", f.Core, first)))
			}
			withCore[part] = f.Line
		}
		fields = append(fields, f)
	}
	if len(fields) == 0 {
		warnings = append(warnings, fmt.Sprintf("%s has no row for this scan: write %q into its column scan", s.Name, filepath.Base(path)))
	}
	slices.SortStableFunc(fields, func(a, b Field) int { return a.Position - b.Position })
	return fields, warnings
}

// AbsentParts says which parts of a scan's cores are on scans, by the sheet,
// that are not among those given, so that the cores cannot be joined.
func (s *Sheet) AbsentParts(path string, given []string) (warnings []string) {
	there := func(name string) bool {
		return slices.ContainsFunc(given, func(p string) bool { return sameScan(name, p) })
	}
	here, _ := s.ForScan(path)
	for _, part := range here {
		if part.Part == 0 || part.Core == "" {
			continue
		}
		for _, f := range s.Fields {
			if f.Core == part.Core && f.Part > 0 && !sameScan(f.Scan, path) && !there(f.Scan) {
				warnings = append(warnings, fmt.Sprintf("core %s: its part %d, on %s, was not measured in this run: measure both scans at once, with --overwrite, to have them joined", f.Core, f.Part, f.Scan))
			}
		}
	}
	return warnings
}

// HashFields returns the SHA-256, in hexadecimal, of the rows of a sheet for one
// scan, whatever lines they stand in; "" for none.
func HashFields(fields []Field) (string, error) {
	if len(fields) == 0 {
		return "", nil
	}
	rows := slices.Clone(fields)
	for i := range rows {
		rows[i].Line = 0
	}
	text, err := json.Marshal(rows) // maps in the order of their keys
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%x", sha256.Sum256(text)), nil
}

// say words a warning about a line of the sheet.
func (s *Sheet) say(line int, text string) string {
	return fmt.Sprintf("%s line %d: %s", s.Name, line, text)
}

// Messages returns all warnings of the sheet as text, in the order of its lines.
func (s *Sheet) Messages() []string {
	var out []string
	for _, w := range s.Warnings {
		out = append(out, s.say(w.Line, w.Text))
	}
	return out
}

// sameScan tells whether a sheet's name for a scan means the file at path.
// Both are compared in composed form (NFC), as file systems and spreadsheets
// differ in how they store accents.
func sameScan(name, path string) bool {
	name = norm.NFC.String(filepath.Base(strings.ReplaceAll(name, `\`, "/")))
	file := norm.NFC.String(filepath.Base(path))
	return name == file || name == Stem(file)
}

// Stem returns the name of a scan without folder and extension: the start of
// the names of all its results.
func Stem(path string) string {
	base := filepath.Base(path)
	if stem := strings.TrimSuffix(base, filepath.Ext(base)); stem != "" {
		return stem
	}
	return base
}
