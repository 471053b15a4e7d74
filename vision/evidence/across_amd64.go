package evidence

// See differencesPlainly.
//
//go:noescape
func differences(dst, a, b, c, d []float32, k *[3]float32) (first, sum, square float32)

// See pulledInPlainly.
//
//go:noescape
func pulledIn(vals []float32, lo, hi float32) (sum float32)
