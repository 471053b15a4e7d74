//go:build !amd64

package evidence

func differences(dst, a, b, c, d []float32, k *[3]float32) (first, sum, square float32) {
	return differencesPlainly(dst, a, b, c, d, k)
}

func pulledIn(vals []float32, lo, hi float32) (sum float32) { return pulledInPlainly(vals, lo, hi) }
