package dbc

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A look-up by name finds what going through all names finds: the first of that name.
func TestNamesAreFoundAsByLookingAtAll(t *testing.T) {
	name := rapid.StringMatching(`[A-C]{0,3}[a-b]{0,2}_?[0-9]{0,1}`)
	rapid.Check(t, func(t *rapid.T) {
		var signals []*Signal
		for _, n := range rapid.SliceOfN(name, 0, 40).Draw(t, "names") {
			signals = append(signals, &Signal{Name: n})
		}
		table := newNames(signals)
		for _, n := range append(rapid.SliceOfN(name, 1, 20).Draw(t, "asked"), "") {
			want := -1
			for i, s := range signals {
				if s.Name == n {
					want = i
					break
				}
			}
			if got := table.find(n, nil); got >= 0 || len(table.table) > 0 {
				require.Equal(t, want, got, n)
			}
		}
	})
	// The names of a message as networks have them are told apart.
	var wheels []*Signal
	for _, n := range []string{"WheelFL", "WheelFR", "WheelRL", "WheelRR", "EngineSpeed", "EngineState", "EngineTorque", "Counter", "Checksum"} {
		wheels = append(wheels, &Signal{Name: n})
	}
	table := newNames(wheels)
	for i, s := range wheels {
		require.Equal(t, i, table.find(s.Name, nil))
	}
}
