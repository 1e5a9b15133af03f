package judge

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// No row of a table is empty or there for a second time.
func TestTablesAreWhole(t *testing.T) {
	whole := func(names []string, empty ...int) {
		seen := map[string]bool{}
		for i, n := range names {
			if len(empty) == 0 || i != empty[0] {
				require.NotEmpty(t, n, "row %d of %q", i, names)
			}
			require.False(t, seen[n], "%q for a second time", n)
			seen[n] = true
		}
	}
	whole(kindNames[:])
	whole(outcomeNames[:])
	whole(causeNames[:], int(NoCause))
	whole(Statuses())
}
