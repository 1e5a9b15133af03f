package car

// A pin is worked out when somebody looks at it: of some sixty a unit reads few in every
// step and the others in every fourth or never. What would change it between two steps has
// it worked out first, so that whoever looks sees the last step's pin. Wires that are loose
// and elements that drift have a course of their own and move in every step.

// publishPins begins the pins of a new step.
func (c *Car) publishPins() {
	if c.unsorted {
		c.sortPins()
	}
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
	c.moving, c.unsorted = c.moving[:0], false
	for i := range c.circuits {
		if ci := &c.circuits[i]; ci.moves() {
			c.moving = append(c.moving, ci)
		}
	}
}

func (c *Car) swapPins() {
	for _, s := range c.swaps {
		a, b := s[0], s[1]
		a.volts, b.volts = b.volts, a.volts
		a.hertz, b.hertz = b.hertz, a.hertz
		a.turn, b.turn = b.turn, a.turn
	}
}
