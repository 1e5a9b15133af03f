package spread

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Against sorting: a quantile is never below the true one, and at most one part
// in sixteen above it.
func TestHistogramAgainstSorting(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var h Histogram
		var all []time.Duration
		for range rapid.IntRange(1, 300).Draw(rt, "n") {
			d := time.Duration(rapid.Int64Range(0, 1<<rapid.IntRange(0, 62).Draw(rt, "bits")).Draw(rt, "d"))
			h.Add(d)
			all = append(all, d)
		}
		slices.Sort(all)
		for _, q := range []float64{0, 0.01, 0.5, 0.9, 0.99, 1} {
			rank := max(int(math.Ceil(q*float64(len(all)))), 1)
			want, got := all[rank-1], h.Quantile(q)
			if got < want || got-want > want/16 {
				rt.Fatalf("quantile %v is %v, want %v", q, got, want)
			}
		}
		require.Equal(rt, all[len(all)-1], h.max)
	})
}

func TestHistogramEdges(t *testing.T) {
	var h Histogram
	require.Zero(t, h.Quantile(0.5))
	h.Add(-time.Second) // a clock that reads early is on time
	require.Zero(t, h.Quantile(1))
	h.Add(math.MaxInt64)
	require.Equal(t, time.Duration(math.MaxInt64), h.Quantile(1))
	// Buckets follow each other without a hole up to the largest duration.
	for i := 1; i < bucketsAll; i++ {
		require.Equal(t, i, bucket(top(i-1)+1))
		require.Equal(t, i, bucket(top(i)))
	}
	require.EqualValues(t, math.MaxInt64, top(bucketsAll-1))
}
