package measure

import (
	"strings"
	"unicode"
)

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

// otherwise gives the species whose wood is not that of their genus: the
// evergreen oaks (from memory).
var otherwise = map[string]Wood{
	"quercus ilex": DiffusePorous, "quercus suber": DiffusePorous, "quercus coccifera": DiffusePorous,
	"quercus virginiana": DiffusePorous, "quercus agrifolia": DiffusePorous,
}

// alike lists species of the genera that share their first two letters with a
// genus of another kind of wood: of their codes, four letters are looked at,
// of all other genera's two.
var alike = map[string]string{
	"callitris":    "columellaris glaucophylla macleayana preissii rhomboidea",
	"calocedrus":   "decurrens macrolepis",
	"carpinus":     "betulus caroliniana cordata orientalis",
	"carya":        "cordiformis glabra illinoinensis laciniosa ovata tomentosa",
	"castanea":     "crenata dentata mollissima sativa",
	"catalpa":      "bignonioides speciosa",
	"cedrus":       "atlantica brevifolia deodara libani",
	"celtis":       "australis laevigata occidentalis",
	"juglans":      "australis cinerea mandshurica neotropica nigra regia",
	"juniperus":    "ashei communis deppeana excelsa foetidissima monosperma occidentalis osteosperma oxycedrus phoenicea polycarpos procera przewalskii recurva sabina scopulorum semiglobosa seravschanica thurifera tibetica turkestanica virginiana",
	"libocedrus":   "bidwillii decurrens plumosa",
	"liriodendron": "chinense tulipifera",
	"podocarpus":   "falcatus latifolius lawrencei macrophyllus nubigenus totara",
	"populus":      "alba angustifolia balsamifera deltoides euphratica fremontii grandidentata maximowiczii nigra tremula tremuloides trichocarpa",
	"salix":        "alba arctica caprea fragilis glauca lanata nigra polaris",
	"sassafras":    "albidum",
}

// ownCodes are the first two letters of codes in use that are not the first
// two of the genus (from memory, as public tree-ring archives write them).
var ownCodes = map[string]string{"pc": "picea", "cd": "cedrus", "cy": "carya", "tx": "taxus", "rb": "robinia"}

// names are everyday names of one word, for sheets that give no more.
var names = map[string]string{
	"pine": "pinus", "spruce": "picea", "fir": "abies", "larch": "larix", "hemlock": "tsuga", "juniper": "juniperus",
	"yew": "taxus", "oak": "quercus", "ash": "fraxinus", "elm": "ulmus", "chestnut": "castanea", "hickory": "carya",
	"beech": "fagus", "birch": "betula", "maple": "acer", "alder": "alnus", "poplar": "populus", "aspen": "populus",
	"lime": "tilia", "linden": "tilia", "willow": "salix", "hornbeam": "carpinus", "hazel": "corylus", "walnut": "juglans",
}

// WoodOf returns the kind of wood of a species given by its botanical name,
// with or without author, by a genus alone, by an everyday name of one word or
// by a four-letter code (two letters of genus, two of species). It returns ""
// where the species is not in the tables, or the code is that of species of
// several kinds: the picture then decides.
func WoodOf(species string) Wood {
	words := strings.Fields(strings.ToLower(species))
	if len(words) == 0 {
		return ""
	}
	if len(words) > 1 {
		if w, ok := otherwise[words[0]+" "+words[1]]; ok {
			return w
		}
	}
	if w, ok := genera[words[0]]; ok {
		return w
	}
	if len(words) > 1 {
		return ""
	}
	if genus, ok := names[words[0]]; ok {
		return genera[genus]
	}
	return woodOfCode(words[0])
}

// woodOfCode returns the kind of wood of all species that a four-letter code
// may mean, "" if they are of several kinds or none is known.
func woodOfCode(code string) Wood {
	if len(code) != 4 || strings.ContainsFunc(code, func(r rune) bool { return !unicode.IsLetter(r) }) {
		return ""
	}
	for name, wood := range otherwise {
		if codeOf(name) == code {
			return wood
		}
	}
	if genus, ok := ownCodes[code[:2]]; ok {
		return genera[genus]
	}
	kinds := map[Wood]bool{}
	byPair := map[Wood]bool{}
	for genus, wood := range genera {
		if genus[:2] != code[:2] {
			continue
		}
		byPair[wood] = true
		for epithet := range strings.FieldsSeq(alike[genus]) {
			if epithet[:2] == code[2:] {
				kinds[wood] = true
			}
		}
	}
	if len(byPair) == 1 { // whatever the species
		kinds = byPair
	}
	if len(kinds) != 1 {
		return ""
	}
	for wood := range kinds {
		return wood
	}
	return ""
}

// codeOf returns the four-letter code of a name of two words.
func codeOf(name string) string {
	genus, epithet, _ := strings.Cut(name, " ")
	return genus[:2] + epithet[:2]
}
