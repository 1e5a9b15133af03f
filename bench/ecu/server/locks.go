package server

import (
	"encoding/binary"
	"math/bits"
	"time"

	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
)

// SecurityKey is the answer to a seed of service 27, from the secret of the
// unit's level: a mixing of our own for a car that does not exist, which
// protects nothing real. Both are four bytes, the highest first.
func SecurityKey(secret uint32, seed [4]byte) [4]byte {
	x := binary.BigEndian.Uint32(seed[:]) ^ secret
	for range 4 {
		x = bits.RotateLeft32(x*0x9E3779B1+secret, 11) ^ x>>7
	}
	return [4]byte(binary.BigEndian.AppendUint32(nil, x))
}

// locks is the state of service 27. Wrong keys are counted in non-volatile memory, so
// that neither reset nor power-off shortens the delay.
type locks struct {
	levels []spec.Security
	nv     *nv.Memory
	open   byte
	// seeded is the level whose seed waits for its key; 0 none.
	seeded byte
	seed   [4]byte
	// until ends the delay after too many wrong keys; 0 none.
	until time.Duration
}

const attemptsName = "security_attempts"

// level finds one by its number; nil for none.
func (k *locks) level(n byte) *spec.Security {
	for i := range k.levels {
		if k.levels[i].Level == n {
			return &k.levels[i]
		}
	}
	return nil
}

func (k *locks) allow(level byte) bool { return level == 0 || k.open == level }

func (k *locks) lock() { k.open, k.seeded = 0, 0 }

func (k *locks) wrong() int {
	n, _ := k.nv.Get(attemptsName)
	return int(n)
}

// powerUp starts the delay anew when the wrong keys were used up before.
func (k *locks) powerUp(now time.Duration) {
	k.lock()
	k.until = 0
	for i := range k.levels {
		if k.wrong() >= k.levels[i].Attempts {
			k.until = max(k.until, now+k.levels[i].Delay.Duration())
		}
	}
}

// delayed reports whether the delay runs.
func (k *locks) delayed(now time.Duration) bool { return now < k.until }

// forgive ends a delay that is over, and with it the count.
func (k *locks) forgive() {
	if k.until != 0 {
		k.until = 0
		k.nv.Erase(attemptsName)
	}
}

// unlock opens a level: its key was right.
func (k *locks) unlock(level byte) {
	k.seeded, k.open = 0, level
	k.nv.Erase(attemptsName)
}

// count is that a wrong key came. A seed serves once.
func (k *locks) count(now time.Duration, l *spec.Security) {
	k.seeded = 0
	n := k.wrong() + 1
	k.nv.Set(attemptsName, float64(n))
	if n >= l.Attempts {
		k.until = now + l.Delay.Duration()
	}
}
