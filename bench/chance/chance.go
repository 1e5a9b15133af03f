// Package chance gives every component of a run its own random numbers, all
// from the run's one seed. Each generator is derived from the seed and the
// component's name, so leaving one component out never shifts another's.
package chance

import (
	"crypto/sha256"
	"encoding/binary"
	"math/rand/v2"
)

// Seed is the root of a run's chance.
type Seed uint64

// For returns the generator of the component of that name. Two calls give two
// generators with the same numbers.
func (s Seed) For(name string) *rand.Rand {
	b := binary.BigEndian.AppendUint64(make([]byte, 0, 8+len(name)), uint64(s))
	h := sha256.Sum256(append(b, name...))
	return rand.New(rand.NewPCG(binary.BigEndian.Uint64(h[:8]), binary.BigEndian.Uint64(h[8:16])))
}
