package wire

import "sawhorse/canbus"

// Tap adds a listener; it does not acknowledge. It sees what passes on the bus
// and the reports of all controllers, unplugged ones included.
func (b *Bus) Tap(fn func(canbus.Sighting)) { b.taps = append(b.taps, fn) }

func (b *Bus) show(s canbus.Sighting) {
	for _, tap := range b.taps {
		tap(s)
	}
}
