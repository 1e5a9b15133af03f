package report

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// No row of the tables is empty or there for a second time.
func TestTablesAreWhole(t *testing.T) {
	seen := map[string]bool{}
	fresh := func(name string) {
		require.NotEmpty(t, name)
		require.False(t, seen[name], "%q for a second time", name)
		seen[name] = true
	}
	for f, c := range claims {
		fresh(c.says)
		require.NotEmpty(t, c.source, "field %v", f)
		require.NotEmpty(t, c.why, "field %v", f)
		require.NotNil(t, c.compare, "field %v", f)
	}
	for _, name := range signals {
		if name != "" {
			fresh(name)
		}
	}
}
