package replay_test

import (
	"context"
	"errors"
	"io"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
)

const (
	ms = time.Millisecond
	us = time.Microsecond
)

// list is a recording in memory.
type list struct {
	frames []canbus.Frame
	at     int
	end    error
}

func (l *list) Next(f *canbus.Frame) error {
	if l.at == len(l.frames) {
		if l.end != nil {
			return l.end
		}
		return io.EOF
	}
	*f = l.frames[l.at]
	l.at++
	return nil
}

func (l *list) Rewind() error {
	l.at = 0
	return nil
}

// stream is a list without a way back.
type stream struct{ l *list }

func (s stream) Next(f *canbus.Frame) error { return s.l.Next(f) }

// recorded makes frames at times from some day on, identifiers counting from 100.
func recorded(at ...time.Duration) *list {
	l := &list{}
	for i, t := range at {
		f := canbus.New(canbus.ID(0x100+i), byte(i))
		f.Time = 1497283796*time.Second + t
		l.frames = append(l.frames, f)
	}
	return l
}

// got is a frame as it was handed to a bus.
type got struct {
	at  time.Duration
	key canbus.Key
}

// fakeBus takes a fixed time for a frame and confirms each, unless told not to.
type fakeBus struct {
	loop   *clock.Loop
	span   time.Duration
	mute   bool // never confirms
	atOnce bool // confirms within Send
	refuse func(n int) error
	n      int
	node   canbus.Node
	got    []got
	frames []canbus.Frame
	closed bool
	timer  *clock.Timer
}

func (b *fakeBus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	if name != replay.NodeName {
		return nil, errors.New("another name was expected")
	}
	b.node = n
	b.timer = b.loop.NewTimer(clock.PriorityBus, func() { n.Sent(&b.frames[len(b.frames)-1]) })
	return b, nil
}

func (b *fakeBus) Tap(func(canbus.Sighting)) {}

func (b *fakeBus) Send(f *canbus.Frame) error {
	b.n++
	if b.refuse != nil {
		if err := b.refuse(b.n); err != nil {
			return err
		}
	}
	b.got = append(b.got, got{b.loop.Now(), f.Key()})
	b.frames = append(b.frames, *f)
	switch {
	case b.mute:
	case b.atOnce:
		b.node.Sent(f)
	default:
		b.timer.Set(b.loop.Now() + b.span)
	}
	return nil
}

func (b *fakeBus) Close() error {
	b.closed = true
	return nil
}

// play runs a replay on fresh virtual buses, from 10 ms on.
func play(t testing.TB, src replay.Source, opt replay.Options, buses ...*fakeBus) *replay.Replay {
	t.Helper()
	return playUntil(t, src, opt, time.Hour, buses...)
}

func playUntil(t testing.TB, src replay.Source, opt replay.Options, until time.Duration, buses ...*fakeBus) *replay.Replay {
	t.Helper()
	loop := clock.NewVirtual()
	var all []canbus.Bus
	for _, b := range buses {
		b.loop = loop
		all = append(all, b)
	}
	r, err := replay.New(loop, all, src, opt)
	require.NoError(t, err)
	r.Start(10 * ms)
	require.NoError(t, loop.Run(context.Background(), until))
	return r
}

func moments(b *fakeBus) []time.Duration {
	var at []time.Duration
	for _, g := range b.got {
		at = append(at, g.at)
	}
	return at
}

func keys(b *fakeBus) []canbus.Key {
	var ks []canbus.Key
	for _, g := range b.got {
		ks = append(ks, g.key)
	}
	return ks
}

var inf = math.Inf(1)
