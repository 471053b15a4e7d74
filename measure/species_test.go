package measure

import "testing"

// Kinds of wood after the IAWA list of features for hardwood identification
// (IAWA Committee 1989, features 3 to 5), from memory.
func TestWoodOf(t *testing.T) {
	tests := []struct {
		species string
		want    Wood
	}{
		{"Pinus sylvestris", Conifer}, {"pinus sylvestris L.", Conifer}, {"PINUS", Conifer}, {" Picea\u00a0abies (L.) H. Karst. ", Conifer},
		{"Quercus robur", RingPorous}, {"Quercus sp.", RingPorous}, {"Fraxinus excelsior", RingPorous}, {"Ulmus glabra", RingPorous},
		{"Quercus ilex", DiffusePorous}, {"Quercus ilex L.", DiffusePorous},
		{"Fagus sylvatica", DiffusePorous}, {"Populus × canescens", DiffusePorous}, {"Acer pseudoplatanus", DiffusePorous},
		{"oak", RingPorous}, {"Pine", Conifer}, {"mountain ash", ""}, {"Douglas fir", ""},
		{"PISY", Conifer}, {"pcab", Conifer}, {"PIAB", Conifer}, {"ABAL", Conifer}, {"LADE", Conifer}, {"PSME", Conifer}, {"TSHE", Conifer},
		{"JUVI", Conifer}, {"CDLI", Conifer}, {"CEAT", Conifer}, {"LIBI", Conifer}, {"TADI", Conifer}, {"FICU", Conifer}, {"PONU", Conifer},
		{"QURO", RingPorous}, {"QUPE", RingPorous}, {"FREX", RingPorous}, {"CASA", RingPorous}, {"CAOV", RingPorous}, {"CEOC", RingPorous}, {"QUIL", DiffusePorous},
		{"FASY", DiffusePorous}, {"ACPS", DiffusePorous}, {"BEPE", DiffusePorous}, {"POTR", DiffusePorous}, {"CABE", DiffusePorous},
		{"JUNI", DiffusePorous}, {"LITU", DiffusePorous}, {"SACA", DiffusePorous}, {"NOPU", DiffusePorous},
		// Codes of species of two kinds: Castanea dentata and Calocedrus
		// decurrens, Juglans regia and Juniperus recurva, Salix alba and
		// Sassafras albidum, Carya glabra and Callitris glaucophylla.
		{"CADE", ""}, {"JURE", ""}, {"SAAL", ""}, {"CAGL", ""},
		{"JUXX", ""}, {"ZZZZ", ""}, {"PI", ""}, {"PISYL", ""}, {"PI-1", ""}, {"ÄÄ", ""}, {"", ""}, {"  ", ""}, {"unknown species", ""},
	}
	for _, tt := range tests {
		if got := WoodOf(tt.species); got != tt.want {
			t.Errorf("%q: %q, want %q", tt.species, got, tt.want)
		}
	}
}

// The tables hang together: every genus they name has a kind, and every genus
// that shares its first letters with one of another kind lists its species.
func TestSpeciesTables(t *testing.T) {
	for _, table := range []map[string]string{ownCodes, names} {
		for word, genus := range table {
			if genera[genus] == "" {
				t.Errorf("%s: no kind for %s", word, genus)
			}
		}
	}
	for a, wood := range genera {
		for b, other := range genera {
			if a[:2] == b[:2] && wood != other && alike[a] == "" {
				t.Errorf("%s (%s) and %s (%s) begin alike, but the species of %s are not listed", a, wood, b, other, a)
			}
		}
	}
	for genus := range alike {
		if genera[genus] == "" {
			t.Errorf("no kind for %s", genus)
		}
	}
}
