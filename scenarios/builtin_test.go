package scenarios_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/scenarios"
)

// The built-in scenarios speak of the built-in car's own signals and of faults that
// the catalogue has.
func TestBuiltInsSpeakOfTheRealCar(t *testing.T) {
	for _, name := range scenarios.Names() {
		_, err := scenarios.BuiltIn(name, bench.Vocabulary())
		require.NoError(t, err)
	}
}
