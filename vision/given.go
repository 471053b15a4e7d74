package vision

import (
	"fmt"

	"pithward/measure"
)

// unlikelyWood is the probability under which the picture speaks against a kind
// of wood that was given (chosen: of three kinds, well under even chances, since
// the sheet knows better than a poor picture).
const unlikelyWood = 0.1

// givenWarnings says where the picture speaks against what was given for a core,
// which wins all the same: its bark end, and its kind of wood.
func givenWarnings(c measure.Core, upright bool, s measure.Settings) (said []string) {
	switch end := s.BarkEnd; {
	case end == "":
	case upright != (end == measure.Top || end == measure.Bottom):
		lies := "lies"
		if upright {
			lies = "stands"
		}
		said = append(said, fmt.Sprintf("bark %s was given, but the core %s: its bark end is taken from the picture", end, lies))
	case *c.BarkEndProbability < 0.5:
		said = append(said, fmt.Sprintf("bark taken to be %s as given, but the picture speaks for the other end: the probability of the given one is %.2f", end, *c.BarkEndProbability))
	}
	if *c.WoodSource == "given" && *c.WoodProbability < unlikelyWood {
		said = append(said, fmt.Sprintf("wood taken to be %s as given, but the picture speaks for another kind: the probability of the given one is %.3f", *c.Wood, *c.WoodProbability))
	}
	return said
}
