// Package remote makes a bus of a connection to one: a process that is a client
// of somebody else's bus attaches its one node here and runs it in its own loop,
// with the same code that runs inside the bench.
//
// The far side tells neither when a frame has left nor who sent one, so a frame
// counts as sent when the connection has taken it, and senders have no names.
package remote

import (
	"context"
	"errors"
	"fmt"
	"io"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Bus is the near end of a connection. It takes one node.
type Bus struct {
	loop   *clock.Loop
	conn   canbus.Conn
	node   canbus.Node
	taps   []func(canbus.Sighting)
	onEnd  func(error)
	closed bool
}

// New takes over the connection and reads from it in a goroutine of its own
// until it ends; onEnd, which may be nil, is then called in the loop with why.
// Close the connection to end it.
func New(ctx context.Context, loop *clock.Loop, conn canbus.Conn, onEnd func(error)) *Bus {
	b := &Bus{loop: loop, conn: conn, onEnd: onEnd}
	go b.read(ctx)
	return b
}

// read posts what comes into the loop. When the loop does not keep up it waits,
// so that the far side sees a slow client and nothing is lost unseen.
func (b *Bus) read(ctx context.Context) {
	for {
		f := new(canbus.Frame)
		if err := b.conn.Read(f); err != nil {
			if errors.Is(err, io.EOF) {
				err = io.EOF
			}
			_ = b.loop.PostWait(ctx, func() { // an ended loop needs no news
				b.closed = true
				if b.onEnd != nil {
					b.onEnd(err)
				}
			})
			return
		}
		if err := b.loop.PostWait(ctx, func() { b.deliver(f) }); err != nil {
			return
		}
	}
}

func (b *Bus) deliver(f *canbus.Frame) {
	f.Time = b.loop.Now()
	b.show(f, "")
	if b.node != nil && !f.Has(canbus.Error) {
		b.node.Receive(f)
	}
}

func (b *Bus) show(f *canbus.Frame, sender string) {
	for _, fn := range b.taps {
		fn(canbus.Sighting{Frame: f, Sender: sender})
	}
}

// Attach implements canbus.Bus, once.
func (b *Bus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	if b.node != nil {
		return nil, fmt.Errorf("node %q: a connection has place for one node", name)
	}
	b.node = n
	return &port{bus: b, name: name}, nil
}

// Tap implements canbus.Bus. It sees what the connection gives and takes.
func (b *Bus) Tap(fn func(canbus.Sighting)) { b.taps = append(b.taps, fn) }

type port struct {
	bus  *Bus
	name string
}

// Send implements canbus.Port. The node hears of the frame's leaving in an event
// of its own, as on a bus.
func (p *port) Send(f *canbus.Frame) error {
	if p.bus.closed {
		return canbus.ErrClosed
	}
	if err := f.Validate(); err != nil {
		return err
	}
	if err := p.bus.conn.Write(f); err != nil {
		return err
	}
	sent := *f
	p.bus.loop.At(p.bus.loop.Now(), clock.PriorityBus, func() {
		sent.Time = p.bus.loop.Now()
		p.bus.show(&sent, p.name)
		p.bus.node.Sent(&sent)
	})
	return nil
}

// Close implements canbus.Port: the connection ends.
func (p *port) Close() error {
	p.bus.closed = true
	return p.bus.conn.Close()
}
