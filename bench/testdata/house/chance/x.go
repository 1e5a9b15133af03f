// Package chance breaks a rule of the house on purpose.
package chance

import dice "math/rand/v2"

// Throw takes a generator that is given, and the global one.
func Throw(r *dice.Rand) int {
	r = dice.New(dice.NewPCG(1, 2))
	return r.IntN(6) + dice.IntN(6) // broken
}
