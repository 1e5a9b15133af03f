// Package spread counts durations in constant memory and gives their quantiles.
package spread

import (
	"math"
	"math/bits"
	"time"
)

// Each power of two of nanoseconds has 1<<subBits buckets, so a quantile is at
// most one part in 16 too high.
const (
	subBits    = 4
	bucketsAll = (64 - subBits) << subBits
)

// Histogram counts durations in constant memory, about 8 KiB. The zero Histogram
// is empty.
type Histogram struct {
	count [bucketsAll]uint64
	n     uint64
	max   time.Duration
}

// bucket is the number of the bucket of d; those of the first 16 ns are exact.
func bucket(d uint64) int {
	if d < 1<<subBits {
		return int(d)
	}
	exp := bits.Len64(d) - 1 - subBits
	return exp<<subBits + int(d>>exp)
}

// top is the largest duration of a bucket.
func top(i int) uint64 {
	if i < 1<<subBits {
		return uint64(i)
	}
	exp := i>>subBits - 1
	return (uint64(i)-uint64(exp<<subBits)+1)<<exp - 1
}

// Add counts a duration; below zero is zero.
func (h *Histogram) Add(d time.Duration) {
	d = max(d, 0)
	h.count[bucket(uint64(d))]++
	h.n++
	h.max = max(h.max, d)
}

// Quantile is a duration that the share q of all does not exceed; 0 without any.
func (h *Histogram) Quantile(q float64) time.Duration {
	if h.n == 0 {
		return 0
	}
	rank := max(uint64(math.Ceil(q*float64(h.n))), 1)
	for i, sum := 0, uint64(0); i < bucketsAll; i++ {
		if sum += h.count[i]; sum >= rank {
			return min(time.Duration(top(i)), h.max)
		}
	}
	return h.max
}

// Max is the longest duration counted.
func (h *Histogram) Max() time.Duration { return h.max }

// N is how many were counted.
func (h *Histogram) N() uint64 { return h.n }
