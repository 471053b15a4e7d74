package measure

import "strings"

// genera gives the kind of wood of common genera. Hardwoods after the IAWA
// list of microscopic features for hardwood identification (IAWA Committee
// 1989, features 3 to 5, from memory); genera with both kinds, and
// semi-ring-porous ones, stand where most of their temperate species do.
var genera = map[string]Wood{
	"abies": Conifer, "agathis": Conifer, "araucaria": Conifer, "athrotaxis": Conifer, "austrocedrus": Conifer,
	"callitris": Conifer, "calocedrus": Conifer, "cedrus": Conifer, "chamaecyparis": Conifer, "cryptomeria": Conifer,
	"cupressus": Conifer, "fitzroya": Conifer, "juniperus": Conifer, "lagarostrobos": Conifer, "larix": Conifer,
	"libocedrus": Conifer, "metasequoia": Conifer, "phyllocladus": Conifer, "picea": Conifer, "pilgerodendron": Conifer,
	"pinus": Conifer, "podocarpus": Conifer, "pseudotsuga": Conifer, "sequoia": Conifer, "sequoiadendron": Conifer,
	"taxodium": Conifer, "taxus": Conifer, "thuja": Conifer, "tsuga": Conifer, "widdringtonia": Conifer,

	"ailanthus": RingPorous, "carya": RingPorous, "castanea": RingPorous, "catalpa": RingPorous, "celtis": RingPorous,
	"fraxinus": RingPorous, "gleditsia": RingPorous, "morus": RingPorous, "paulownia": RingPorous, "quercus": RingPorous,
	"robinia": RingPorous, "sassafras": RingPorous, "tectona": RingPorous, "ulmus": RingPorous, "zelkova": RingPorous,

	"acer": DiffusePorous, "aesculus": DiffusePorous, "alnus": DiffusePorous, "betula": DiffusePorous,
	"carpinus": DiffusePorous, "corylus": DiffusePorous, "eucalyptus": DiffusePorous, "fagus": DiffusePorous,
	"ilex": DiffusePorous, "juglans": DiffusePorous, "liriodendron": DiffusePorous, "magnolia": DiffusePorous,
	"malus": DiffusePorous, "nothofagus": DiffusePorous, "nyssa": DiffusePorous, "ostrya": DiffusePorous,
	"platanus": DiffusePorous, "populus": DiffusePorous, "prunus": DiffusePorous, "pyrus": DiffusePorous,
	"salix": DiffusePorous, "sorbus": DiffusePorous, "tilia": DiffusePorous,
}

// codes are four-letter species codes, two letters of genus and two of
// species, whose genus the first two letters alone do not tell.
var codes = map[string]string{
	"pi": "pinus", "pc": "picea", "ab": "abies", "la": "larix", "ps": "pseudotsuga", "ts": "tsuga", "ju": "juniperus",
	"qu": "quercus", "fa": "fagus", "ul": "ulmus", "be": "betula", "ac": "acer", "po": "populus", "ti": "tilia",
	"no": "nothofagus", "cd": "cedrus", "th": "thuja", "tx": "taxus", "cy": "carya", "rb": "robinia",
}

// fullCodes are four-letter codes whose first two letters serve several
// genera.
var fullCodes = map[string]string{
	"juni": "juglans", "jure": "juglans",
	"frex": "fraxinus", "fram": "fraxinus", "frni": "fraxinus", "caov": "carya", "cabe": "carpinus",
	"casa": "castanea", "cade": "castanea", "alin": "alnus", "algl": "alnus", "prav": "prunus", "saal": "salix",
	"tadi": "taxodium", "taba": "taxus", "cuse": "cupressus", "sesm": "sequoia", "araa": "araucaria", "ficu": "fitzroya",
}

// WoodOf returns the kind of wood of a species given by its botanical name or
// a four-letter code (two letters of genus, two of species), and "" where the
// species is not in the table: the picture then decides.
func WoodOf(species string) Wood {
	s := strings.ToLower(strings.TrimSpace(species))
	word, _, several := strings.Cut(s, " ")
	if w, ok := genera[word]; ok {
		return w
	}
	if several || len(s) != 4 {
		return ""
	}
	if g, ok := fullCodes[s]; ok {
		return genera[g]
	}
	return genera[codes[s[:2]]]
}
