package phantom

// Straw is the end of a paper straw in which a core is kept, lying over the
// part of it that was not drawn out: paper, shaded as a tube. AtMM is its first
// corner; it runs on from there in the direction of the angle.
func Straw(atMM [2]float64, angleDeg, lengthMM, boreMM float64) Label {
	return Label{AtMM: atMM, AngleDeg: angleDeg, LengthMM: lengthMM, BreadthMM: boreMM, Paper: RGB{238, 236, 228}, Tube: true}
}

// Tape is a strip of paper tape stuck across cores.
func Tape(atMM [2]float64, angleDeg, lengthMM, breadthMM float64) Label {
	return Label{AtMM: atMM, AngleDeg: angleDeg, LengthMM: lengthMM, BreadthMM: breadthMM, Paper: RGB{226, 206, 150}}
}
