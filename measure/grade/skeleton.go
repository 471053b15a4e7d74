package grade

// Stroke is a ring of a skeleton plot: how much narrower than its neighbours it
// is, 1 to 10, 0 for no stroke; or that it is much wider, or absent.
type Stroke struct {
	Height       int
	Wide, Absent bool
}

// Skeleton returns the strokes of a list of rings. By hand they are judged by
// eye, the longest for the narrowest rings and a "b" for a very wide one (Stokes
// and Smiley 1968, from memory); here a ring is held against the mean of its
// neighbours: strokes begin at nine tenths of it and are longest below a tenth
// (chosen).
func Skeleton(rings []Ring) []Stroke {
	out := make([]Stroke, len(rings))
	for i, r := range rings {
		near := neighbours(rings, i)
		switch {
		case r.absent():
			out[i].Absent = true
		case r.WidthMM < 0 || near <= 0:
		default:
			share := r.WidthMM / near
			out[i].Wide = share >= wideFrom
			if share < strokeFrom {
				out[i].Height = max(1, min(10, int((strokeFrom-share)/(strokeFrom-strokeFull)*10+0.5)))
			}
		}
	}
	return out
}

const (
	strokeFrom = 0.9
	strokeFull = 0.1
	wideFrom   = 1.8
	eachSide   = 3 // rings that count as neighbours
)

// neighbours is the mean width of the rings beside one; 0 if there is none.
func neighbours(rings []Ring, i int) float64 {
	var sum, n float64
	for k := max(0, i-eachSide); k <= min(len(rings)-1, i+eachSide); k++ {
		if k != i && rings[k].WidthMM > 0 {
			sum += rings[k].WidthMM
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / n
}
