package archive

import (
	"fmt"
	"strconv"
	"strings"
)

// row is one data row of a decadal file.
type row struct {
	line   int
	text   string
	id     string
	year   int   // of the first value
	values []int // blank where the field is empty or no number
	stop   int   // the end marker found and taken off; 0 if none
	tail   string
	notes  []string // what was odd
}

// blank stands for an empty field. It is below every number a row can hold.
const blank = -1 << 30

const (
	firstField = 12 // columns before the values
	fieldWidth = 6
	perRow     = 10
	rowColumns = firstField + perRow*fieldWidth
)

// parseRow reads a line as a data row; ok is false if it is none. It reads by
// columns, and by blanks where the columns are plainly out of place. Columns
// count characters, not bytes.
func parseRow(line string) (row, bool) {
	if strings.ContainsRune(line, '\t') {
		return parseTabRow(line)
	}
	text := []rune(strings.TrimRight(line, " "))
	if len(text) <= firstField {
		return row{}, false
	}
	r := row{text: line}
	from, ok := r.idAndYear(text)
	if !ok {
		return row{}, false
	}
	if from != firstField {
		r.notes = append(r.notes, "the year is out of its columns: read by blanks")
		ok = r.byBlanks(text, from)
	} else {
		ok = r.fields(text)
	}
	if !ok {
		return row{}, false
	}
	return r.trimmed()
}

// idAndYear reads what stands before the values and returns where these
// begin: firstField unless the year is out of its columns. A minus in column 8
// belongs to the year; below -999 some files write the year left in its
// columns.
func (r *row) idAndYear(text []rune) (from int, ok bool) {
	from, id, year := firstField, text[:8], text[8:firstField]
	digit := func(k int) bool { return k < len(text) && text[k] >= '0' && text[k] <= '9' }
	trimmed := strings.TrimRight(string(year), " ")
	switch {
	case text[7] == '-' && isDigits(trimmed):
		id, year = text[:7], text[7:firstField]
	case digit(7) && isDigits(trimmed) && len(trimmed) == 3:
		id, year, from = text[:7], text[7:11], firstField-1
	case digit(firstField-1) && digit(firstField):
		for from = firstField; digit(from); from++ {
		}
		year = text[8:from]
	}
	r.id = strings.TrimSpace(string(id))
	r.year, ok = wholeNumber(strings.TrimSpace(string(year)))
	return from, ok && r.year >= minTucsonYear && r.year+perRow <= maxTucsonYear
}

// trimmed takes empty fields off the end and refuses a row without values.
// Where as many fields are empty in front as the decade has years before the
// row's, the values stand under the decade's columns.
func (r row) trimmed() (row, bool) {
	lead := 0
	for lead < len(r.values) && r.values[lead] == blank {
		lead++
	}
	if past := floorMod(r.year, perRow); past > 0 && lead == past {
		r.values = r.values[lead:]
		r.notes = append(r.notes, "the values stand under the decade's columns")
	}
	for len(r.values) > 0 && r.values[len(r.values)-1] == blank {
		r.values = r.values[:len(r.values)-1]
	}
	return r, len(r.values) > 0
}

// fields fills the values, the tail and the notes from a row whose year is
// where it should be.
func (r *row) fields(text []rune) bool {
	columns, wrong := fixedFields(text)
	words := strings.Fields(string(text[firstField:]))
	free, _ := numbers(words)
	if wrong == 0 && (glued(words) || !straddles(text) || sameNumbers(columns, free)) {
		r.values = columns
		if len(text) > rowColumns {
			r.tail = string(text[rowColumns:])
		}
		if !sameNumbers(columns, free) {
			r.notes = append(r.notes, "numbers touch: read by columns")
		}
		r.stopInTail()
		return true
	}
	return r.byBlanks(text, firstField)
}

// byBlanks reads the values as words from column from on (0 is the first).
// Words behind the tenth value, or behind column 72, that are no numbers are a
// tag. One other word that is no number is taken as a ring not measured.
func (r *row) byBlanks(text []rune, from int) bool {
	words, starts := wordsFrom(text, from)
	values, strange := numbers(words)
	n := len(values)
	for ; n > 0 && values[n-1] == blank && (n > perRow || starts[n-1] >= rowColumns); n-- {
		strange--
	}
	if n == perRow+1 && !isStop(values[n-1]) {
		n--
	}
	r.tail = strings.Join(words[n:], " ")
	values = values[:n]
	if len(values) == 0 || len(values) > perRow+1 {
		return false
	}
	switch {
	case strange == 0:
		r.notes = append(r.notes, "out of columns: read by blanks")
	case strange == 1 && len(values) >= 4 && values[0] != blank:
		k := firstBlank(values)
		r.notes = append(r.notes, fmt.Sprintf("%q is no number: year %d is taken as not measured", words[k], r.year+k))
	default:
		return false
	}
	r.values = values
	return true
}

// stopInTail takes an end marker that stands as an eleventh field.
func (r *row) stopInTail() {
	if len(r.values) == perRow && len(r.tail) == fieldWidth {
		if n, ok := wholeNumber(strings.TrimSpace(r.tail)); ok && isStop(n) {
			r.values, r.tail = append(r.values, n), ""
		}
	}
}

// parseTabRow reads a row that holds tabs: id, year and values apart, or tabs
// standing for blanks.
func parseTabRow(line string) (row, bool) {
	r := row{text: line, notes: []string{"tabs: read by blanks"}}
	words := strings.Fields(line)
	if parts := strings.Split(line, "\t"); len(parts) > 2 {
		if id := strings.TrimSpace(parts[0]); id != "" && len([]rune(id)) <= idColumns && strings.Contains(id, " ") {
			words = append([]string{id}, strings.Fields(strings.Join(parts[1:], " "))...)
		}
	}
	if len(words) < 3 || len(words) > perRow+3 {
		return row{}, false
	}
	year, ok := wholeNumber(words[1])
	if !ok {
		expanded := []rune(expandTabs(line))
		if len(expanded) <= firstField {
			return row{}, false
		}
		year, ok = wholeNumber(strings.TrimSpace(string(expanded[8:firstField])))
		words = append([]string{string(expanded[:8]), ""}, strings.Fields(string(expanded[firstField:]))...)
		if !ok || len(words) < 3 {
			return row{}, false
		}
	}
	if year < minTucsonYear || year+perRow > maxTucsonYear {
		return row{}, false
	}
	free, strange := numbers(words[2:])
	if strange > 0 || len(free) > perRow+1 {
		return row{}, false
	}
	r.id, r.year, r.values = strings.TrimSpace(words[0]), year, free
	return r.trimmed()
}

func expandTabs(line string) string {
	var b strings.Builder
	col := 0
	for _, c := range line {
		if c != '\t' {
			b.WriteRune(c)
			col++
			continue
		}
		for ok := true; ok; ok = col%8 != 0 {
			b.WriteByte(' ')
			col++
		}
	}
	return b.String()
}

// fixedFields reads the ten columns and counts those that hold no number.
func fixedFields(text []rune) (values []int, wrong int) {
	for k := firstField; k < min(len(text), rowColumns); k += fieldWidth {
		field := strings.TrimSpace(string(text[k:min(k+fieldWidth, len(text))]))
		n, ok := wholeNumber(field)
		switch {
		case field == "":
			n = blank
		case !ok:
			n, wrong = blank, wrong+1
		}
		values = append(values, n)
	}
	return values, wrong
}

// wordsFrom splits text from a column on and says where each word starts.
func wordsFrom(text []rune, from int) (words []string, starts []int) {
	for k := from; k < len(text); k++ {
		if text[k] == ' ' {
			continue
		}
		end := k
		for end < len(text) && text[end] != ' ' {
			end++
		}
		words, starts = append(words, string(text[k:end])), append(starts, k)
		k = end
	}
	return words, starts
}

func isStop(n int) bool { return n == stopHundredths || n == stopThousandths }

// straddles tells whether characters stand on both sides of a column boundary.
func straddles(text []rune) bool {
	for c := firstField + fieldWidth; c <= rowColumns && c < len(text); c += fieldWidth {
		if text[c-1] != ' ' && text[c] != ' ' {
			return true
		}
	}
	return false
}

// glued tells whether a word is too long for one field, so that two numbers
// must be touching.
func glued(words []string) bool {
	for _, w := range words {
		if len(w) > fieldWidth {
			return true
		}
	}
	return false
}

// sameNumbers tells whether the filled columns are the first of the words.
func sameNumbers(columns, free []int) bool {
	k := 0
	for _, v := range columns {
		if v == blank {
			continue
		}
		if k >= len(free) || free[k] != v {
			return false
		}
		k++
	}
	return true
}

func numbers(words []string) (values []int, strange int) {
	values = make([]int, len(words))
	for k, w := range words {
		n, ok := wholeNumber(w)
		if !ok {
			n, strange = blank, strange+1
		}
		values[k] = n
	}
	return values, strange
}

func firstBlank(values []int) int {
	for k, v := range values {
		if v == blank {
			return k
		}
	}
	return len(values)
}

// wholeNumber reads an integer of at most seven characters: digits after an
// optional minus.
func wholeNumber(s string) (int, bool) {
	digits := strings.TrimPrefix(s, "-")
	if !isDigits(digits) || len(s) > 7 {
		return 0, false
	}
	n, err := strconv.Atoi(s)
	return n, err == nil
}

func isDigits(s string) bool {
	if s == "" {
		return false
	}
	for _, c := range s {
		if c < '0' || c > '9' {
			return false
		}
	}
	return true
}
