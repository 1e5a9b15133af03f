package ecu

import (
	"encoding/binary"
	"math/bits"
	"time"
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

// access is the state of service 27. Wrong keys are counted in NV, so that
// neither reset nor power-off shortens the delay.
type access struct {
	levels []securitySpec
	nv     *NV
	open   byte
	// seeded is the level whose seed waits for its key; 0 none.
	seeded byte
	seed   [4]byte
	// until ends the delay after too many wrong keys.
	until time.Duration
}

const attemptsName = "security_attempts"

func (a *access) init(levels []securitySpec, nv *NV) { a.levels, a.nv = levels, nv }

func (a *access) allows(level byte) bool { return level == 0 || a.open == level }

func (a *access) lock() { a.open, a.seeded = 0, 0 }

func (a *access) wrong() int {
	n, _ := a.nv.Get(attemptsName)
	return int(n)
}

// powerUp starts the delay anew when the wrong keys were used up before.
func (a *access) powerUp(now time.Duration) {
	a.lock()
	a.until = 0
	for i := range a.levels {
		if a.wrong() >= a.levels[i].Attempts {
			a.until = max(a.until, now+a.levels[i].Delay.d())
		}
	}
}

// delayed reports whether the delay runs; when it is over the count is too.
func (a *access) delayed(now time.Duration) bool {
	if a.until == 0 {
		return false
	}
	if now < a.until {
		return true
	}
	a.until = 0
	a.nv.Erase(attemptsName)
	return false
}

// securityAccess is service 27: odd sub-functions give a seed, the even one
// above takes the key.
func (s *Server) securityAccess(req []byte) byte {
	level := (s.sub + 1) / 2
	var l *securitySpec
	for i := range s.access.levels {
		if s.access.levels[i].Level == level {
			l = &s.access.levels[i]
		}
	}
	s.out = append(s.out, s.sub)
	if s.sub&1 == 1 {
		return s.requestSeed(req, l)
	}
	return s.sendKey(req, l)
}

func (s *Server) requestSeed(req []byte, l *securitySpec) byte {
	a := &s.access
	if len(req) != 2 {
		return wrongLength
	}
	if a.delayed(s.now) {
		return delayNotExpired
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if a.open == l.Level {
		s.out = append(s.out, 0, 0, 0, 0)
		return 0
	}
	n := s.rand.Uint32()
	for n == 0 {
		n = s.rand.Uint32()
	}
	binary.BigEndian.PutUint32(a.seed[:], n)
	a.seeded = l.Level
	s.out = append(s.out, a.seed[:]...)
	return 0
}

func (s *Server) sendKey(req []byte, l *securitySpec) byte {
	a := &s.access
	if len(req) != 2+4 {
		return wrongLength
	}
	if a.seeded != l.Level {
		return requestSequenceError
	}
	a.seeded = 0 // a seed serves once
	if [4]byte(req[2:]) == SecurityKey(l.Secret, a.seed) {
		a.open = l.Level
		a.nv.Erase(attemptsName)
		return 0
	}
	n := a.wrong() + 1
	a.nv.Set(attemptsName, float64(n))
	if n >= l.Attempts {
		a.until = s.now + l.Delay.d()
		return exceededAttempts
	}
	return invalidKey
}
