package replay_test

import (
	"runtime"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// counter is a bus that keeps nothing, for measuring.
type counter struct {
	loop  *clock.Loop
	span  time.Duration
	node  canbus.Node
	timer *clock.Timer
	n     int
	until int // stop the loop after so many frames; 0 never
	frame canbus.Frame
}

func (c *counter) Attach(_ string, n canbus.Node) (canbus.Port, error) {
	c.node = n
	c.timer = c.loop.NewTimer(clock.PriorityBus, func() { n.Sent(&c.frame) })
	return c, nil
}

func (c *counter) Tap(func(canbus.Sighting)) {}

func (c *counter) Send(f *canbus.Frame) error {
	c.frame = *f
	c.timer.Set(c.loop.Now() + c.span)
	if c.n++; c.n == c.until {
		c.loop.Stop()
	}
	return nil
}

func (c *counter) Close() error { return nil }

func mallocs() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.Mallocs
}
