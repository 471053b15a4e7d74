package grade

// comparison is key and student on one axis: mm (px without a scale) from the
// key's outermost boundary inward. Absent rings have no place on it; they hang
// at the boundary they lie at.
type comparison struct {
	key, student []float64 // boundaries
	partner      []int     // of each of the student's: the key's boundary within the tolerance, or -1
	displaced    []int     // of each of the student's: the key's boundary it was meant to be, or -1
	keySure      []float64 // of each of the key's boundaries: that what is said of it is right
	studentSure  []float64
	sure         float64 // that all of it is right
	by           string
}

// meant pairs boundaries that have no partner but lie near one that has none
// either, between the same neighbours: within half of the narrower ring beside
// the key's. tolerance is that of each of the key's boundaries; what lies within
// it is a partner after all.
func (c *comparison) meant(tolerance []float64, match func(a, b []int, near func(i, j int) float64) []int) {
	c.displaced = make([]int, len(c.student))
	taken := make([]bool, len(c.key))
	for i, j := range c.partner {
		c.displaced[i] = -1
		if j >= 0 {
			taken[j] = true
		}
	}
	var loose, open []int
	for i, j := range c.partner {
		if j < 0 {
			loose = append(loose, i)
		}
	}
	for j := range c.key {
		if !taken[j] {
			open = append(open, j)
		}
	}
	lo, hi := c.between()
	near := func(i, j int) float64 {
		if j <= lo[i] || j >= hi[i] {
			return 0
		}
		d, reach := abs(c.student[i]-c.key[j]), max(tolerance[j], c.narrower(j)/2)
		if d > reach {
			return 0
		}
		return 2 - d/reach
	}
	for a, b := range match(loose, open, near) {
		if b < 0 {
			continue
		}
		i, j := loose[a], open[b]
		if abs(c.student[i]-c.key[j]) <= tolerance[j] {
			c.partner[i] = j
		} else {
			c.displaced[i] = j
		}
	}
}

// between returns for each of the student's boundaries the key's boundaries
// that its nearest neighbours with partners have.
func (c *comparison) between() (lo, hi []int) {
	lo, hi = make([]int, len(c.student)), make([]int, len(c.student))
	last := -1
	for i, j := range c.partner {
		lo[i] = last
		if j >= 0 {
			last = j
		}
	}
	last = len(c.key)
	for i := len(c.partner) - 1; i >= 0; i-- {
		hi[i] = last
		if c.partner[i] >= 0 {
			last = c.partner[i]
		}
	}
	return lo, hi
}

// narrower is the width of the narrower ring beside one of the key's boundaries.
func (c *comparison) narrower(j int) float64 { return narrower(c.key, j) }

func narrower(at []float64, j int) float64 {
	w := -1.0
	if j > 0 {
		w = at[j] - at[j-1]
	}
	if j+1 < len(at) && (w < 0 || at[j+1]-at[j] < w) {
		w = at[j+1] - at[j]
	}
	return max(w, 0)
}

func abs(x float64) float64 { return max(x, -x) }
