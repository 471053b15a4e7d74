package evidence

import "math"

// What the rows of a column say together is asked some sixty times for each
// column of every core: the one loop of the reading that is worth writing for
// the processor (across_amd64.s). It is written here for reading, for the tests
// and for other processors.

// meanAndSpread returns the mean of what a filter answers in the rows of a
// column, with outlying rows pulled in to 1.3 standard deviations, and the mean
// square of the deviations from it. The filter is given by sums up to four
// columns: the answer is k[0] (b-a) + k[1] (c-b) + k[2] (d-c). vals is scratch, as
// long as each of them.
func meanAndSpread(vals, a, b, c, d []float32, k *[3]float32) (mean, spread float32) {
	per := 1 / float32(len(vals))
	first, sum, square := differences(vals, a[:len(vals)], b[:len(vals)], c[:len(vals)], d[:len(vals)], k)
	raw := per * sum
	variance := max(0, per*square-raw*raw)
	reach := 1.3 * float32(math.Sqrt(float64(variance)))
	sum = pulledIn(vals, raw-reach, raw+reach)
	off := per*sum - raw
	return first + per*sum, variance + off*off
}

// differencesPlainly fills dst with the answers less the first of them, so that
// the squares stay small and exact, and returns that first one, their sum and
// that of their squares, each in four sums that do not wait for each other.
func differencesPlainly(dst, a, b, c, d []float32, k *[3]float32) (first, sum, square float32) {
	var s, q [4]float32
	for i := range dst {
		v := k[0]*(b[i]-a[i]) + k[1]*(c[i]-b[i]) + k[2]*(d[i]-c[i])
		if i == 0 {
			first = v
		}
		v -= first
		dst[i] = v
		at := fourth(i, len(dst))
		s[at] += v
		q[at] += v * v
	}
	return first, (s[0] + s[1]) + (s[2] + s[3]), (q[0] + q[1]) + (q[2] + q[3])
}

// pulledInPlainly sums up values, those beyond lo and hi as lo and hi.
func pulledInPlainly(vals []float32, lo, hi float32) float32 {
	var s [4]float32
	for i, v := range vals {
		s[fourth(i, len(vals))] += min(hi, max(lo, v))
	}
	return (s[0] + s[1]) + (s[2] + s[3])
}

// fourth tells to which of four sums the value i of n goes: those behind the last
// whole four go to the first.
func fourth(i, n int) int {
	if i >= n&^3 {
		return 0
	}
	return i % 4
}
