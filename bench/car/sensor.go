package car

// Skew is a sensing element that tells something else than what is: it sits
// badly, has aged or is dirty. The zero value is a good one.
type Skew struct {
	// Gain multiplies what it senses, 0 counts as 1; Offset is added.
	Gain, Offset float64
	// DriftPerS is added once more in every second.
	DriftPerS float64
	// LagS is the time constant of one that has become slow.
	LagS float64
	// Stuck holds it at At.
	Stuck bool
	At    float64
}

// skewed is a circuit's element with what has become of it.
type skewed struct {
	Skew
	on      bool
	drifted float64
	slow    float64
	seen    bool
}

func (s *skewed) of(x, dt float64) float64 {
	if s.Stuck {
		return s.At
	}
	gain := s.Gain
	if gain == 0 {
		gain = 1
	}
	s.drifted += float64(s.DriftPerS * dt)
	x = float64(x*gain) + s.Offset + s.drifted
	if s.LagS <= 0 {
		return x
	}
	if !s.seen {
		s.slow, s.seen = x, true
	}
	s.slow += float64((x - s.slow) * min(dt/s.LagS, 1))
	return s.slow
}

// SwapPins exchanges the pins of two sensor circuits, as in a plug that was
// assembled wrongly; again, and they are right.
func (c *Car) SwapPins(a, b *Circuit) {
	for i, s := range c.swaps {
		if s == [2]*Circuit{a, b} || s == [2]*Circuit{b, a} {
			c.swaps = append(c.swaps[:i], c.swaps[i+1:]...)
			return
		}
	}
	c.swaps = append(c.swaps, [2]*Circuit{a, b})
}

// Swapped reports whether a circuit's pin is exchanged with another's.
func (c *Car) Swapped(x *Circuit) bool {
	for _, s := range c.swaps {
		if s[0] == x || s[1] == x {
			return true
		}
	}
	return false
}
