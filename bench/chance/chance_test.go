package chance_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
)

func numbers(r *rand.Rand) (ns [4]uint64) {
	for i := range ns {
		ns[i] = r.Uint64()
	}
	return ns
}

func TestNamesHaveNumbersOfTheirOwn(t *testing.T) {
	s := chance.Seed(7)
	engine := numbers(s.For("engine"))
	require.Equal(t, engine, numbers(s.For("engine")), "the same each time")
	require.NotEqual(t, engine, numbers(s.For("brake")))
	require.NotEqual(t, engine, numbers(chance.Seed(8).For("engine")))
}

// The derivation is SHA-256 over the seed in eight bytes and the name (FIPS 180-4)
// into PCG-DXSM of Go's math/rand/v2: a change would make every recorded run differ.
func TestTheDerivationStays(t *testing.T) {
	got := chance.Seed(0).For("").Uint64()
	// sha256sum of eight zero bytes: af5570f5a1810b7af78caf4bc70a660f0df51e42baf91d4de5b2328de0e83dfc
	want := rand.NewPCG(0xaf5570f5a1810b7a, 0xf78caf4bc70a660f).Uint64()
	require.Equal(t, want, got)
}
