package car

// A pin is worked out when somebody looks at it: of some sixty a unit reads few in every
// step and the others in every fourth or never. What would change it between two steps has
// it worked out first, so that whoever looks sees the last step's pin. Wires that are loose
// and elements that drift have a course of their own and move in every step.

// settle works the pin out, unless that is done since the last step.
func (c *Circuit) settle() {
	if c.car != nil && c.seen != c.car.published {
		c.work()
	}
}

// work works the pin out. Nearly every circuit is sound in nearly every step, so that
// comes first. It stays a call of its own, so that settle becomes part of whoever looks.
//
//go:noinline
func (c *Circuit) work() {
	c.seen = c.car.published
	truth := c.car.Truth
	switch {
	case !c.whole, c.kind != kindLoad && (c.skew.on || c.ground.lost()):
		c.update(truth, c.car.batteryV, h)
	case c.kind == kindLoad:
		c.updateSoundLoad()
	case c.kind == kindPulses:
		c.updateSoundPulses(truth)
	default:
		c.updateSound(truth.Get(c.measures))
	}
}

// moves reports whether the pin has a course of its own.
func (c *Circuit) moves() bool { return c.wiring.State == Intermittent || c.skew.on }

// settlePins works out all pins.
func (c *Car) settlePins() {
	for i := range c.circuits {
		c.circuits[i].settle()
	}
}

// publishPins begins the pins of a new step.
func (c *Car) publishPins() {
	c.published++
	for _, ci := range c.moving {
		ci.settle()
	}
	for _, s := range c.swaps {
		s[0].settle()
		s[1].settle()
	}
	c.swapPins()
}

// sortPins finds the pins that move by themselves.
func (c *Car) sortPins() {
	c.moving = c.moving[:0]
	for i := range c.circuits {
		if ci := &c.circuits[i]; ci.moves() {
			c.moving = append(c.moving, ci)
		}
	}
}
