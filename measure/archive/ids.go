package archive

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// IDChange says that a series is written under another id, and why.
type IDChange struct {
	Index    int // of the series
	From, To string
	Why      string
}

// String is the sentence for people.
func (c IDChange) String() string {
	return fmt.Sprintf("%q is written as %q: %s", c.From, c.To, c.Why)
}

// Decadal files have eight columns for the id; a year below -999 takes the
// last of them (formulas: Tucson decadal format, NOAA/WDS 2008).
const (
	idColumns     = 8
	idColumnsLong = 7
)

// TucsonIDs gives each series an id that a decadal file can hold: at most eight
// characters (seven where a year needs five columns), plain ASCII, without
// blanks at the ends, and unlike all others. Ids that fit are kept; every
// other is listed with what it became and why.
func TucsonIDs(series []Series) ([]string, []IDChange) {
	ids := make([]string, len(series))
	taken := map[string]bool{}
	var left []int
	for i, s := range series {
		if idFault(s.ID, idLimit(s)) == "" && !taken[s.ID] {
			ids[i], taken[s.ID] = s.ID, true
		} else {
			left = append(left, i)
		}
	}
	var changes []IDChange
	for _, i := range left {
		s, limit := series[i], idLimit(series[i])
		why := idFault(s.ID, limit)
		if why == "" {
			why = "the id is used by an earlier series"
		}
		ids[i] = free(shorten(plainID(s.ID), limit), limit, taken)
		taken[ids[i]] = true
		changes = append(changes, IDChange{Index: i, From: s.ID, To: ids[i], Why: why})
	}
	return ids, changes
}

// UniqueIDs gives each series a printable id unlike all others, whatever its
// length, and lists what had to change.
func UniqueIDs(series []Series) ([]string, []IDChange) {
	ids := make([]string, len(series))
	own := map[string]bool{}
	for _, s := range series {
		own[printable(s.ID)] = true
	}
	taken := map[string]bool{}
	var changes []IDChange
	for i, s := range series {
		to, why := printable(s.ID), ""
		switch {
		case to == "":
			to, why = "series", "it has no id"
		case to != s.ID:
			why = "blanks at its ends, or characters that do not print"
		}
		if stem := to; taken[to] {
			why = "the id is used by an earlier series"
			for k := 2; taken[to] || own[to]; k++ {
				to = fmt.Sprintf("%s-%d", stem, k)
			}
		}
		ids[i], taken[to] = to, true
		if why != "" {
			changes = append(changes, IDChange{i, s.ID, to, why})
		}
	}
	return ids, changes
}

// printable takes blanks off the ends and replaces what does not print.
func printable(id string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '_'
		}
		return r
	}, strings.TrimSpace(strings.ToValidUTF8(id, "_"))))
}

// uniqueIDs is UniqueIDs with the changes as warnings.
func uniqueIDs(series []Series) ([]string, []Warning) {
	ids, changes := UniqueIDs(series)
	var warnings []Warning
	for _, ch := range changes {
		warnings = append(warnings, Warning{Series: ch.From, Line: series[ch.Index].Line, Text: ch.String()})
	}
	return ids, warnings
}

func idLimit(s Series) int {
	if s.FirstYear < -999 {
		return idColumnsLong
	}
	return idColumns
}

// idFault says why an id cannot stand in a decadal file; "" if it can.
func idFault(id string, limit int) string {
	switch {
	case id == "":
		return "it has no id"
	case plainID(id) != id:
		return "a decadal id is plain ASCII without blanks at its ends"
	case len(id) > limit && limit < idColumns:
		return "a decadal id has at most seven characters where the year needs five columns"
	case len(id) > limit:
		return "a decadal id has at most eight characters"
	case len(id) == idColumns && id[idColumns-1] == '-':
		return "a hyphen in column 8 would be read as the year's sign"
	}
	return ""
}

// plainID takes marks off letters and replaces what is not printable ASCII.
func plainID(id string) string {
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.TrimSpace(id)) {
		switch {
		case unicode.Is(unicode.Mn, r):
		case r < ' ' || r > '~':
			b.WriteByte('_')
		default:
			b.WriteRune(r)
		}
	}
	return strings.TrimSpace(b.String())
}

// shorten brings a plain id down to limit characters: separators go first,
// then the middle, since ids differ at their ends.
func shorten(id string, limit int) string {
	if len(id) > limit {
		id = strings.Map(func(r rune) rune {
			if strings.ContainsRune(" -_./", r) {
				return -1
			}
			return r
		}, id)
	}
	if len(id) > limit {
		id = id[:limit-4] + id[len(id)-4:]
	}
	if len(id) == idColumns {
		id = strings.TrimRight(id, "-")
	}
	if id = strings.TrimSpace(id); id == "" {
		id = "core"
	}
	return id
}

// free returns id or, where it is taken, id with its end replaced by the
// lowest number that is not.
func free(id string, limit int, taken map[string]bool) string {
	for k := 2; taken[id]; k++ {
		tail := fmt.Sprint(k)
		stem := strings.TrimRight(id, "0123456789")
		if stem == "" {
			stem = id
		}
		next := stem[:min(len(stem), limit-len(tail))] + tail
		if !taken[next] {
			return next
		}
	}
	return id
}
