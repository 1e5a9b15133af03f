package bustest

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

func refuse(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b")
	for _, f := range []canbus.Frame{
		{ID: 0x800},
		{ID: 0x20000000, Flags: canbus.Extended},
		{ID: 1, Len: 9},
		{ID: 1, Flags: canbus.FD, Len: 9},
		{ID: 1, Flags: canbus.FD | canbus.Remote},
		{ID: 1, Flags: canbus.BitRateSwitch},
		{ID: 4, Flags: canbus.Error, Len: 8}, // a report is nothing to send
	} {
		require.ErrorIs(t, nodes[0].port.Send(&f), canbus.ErrFrame, f.String())
	}
	if !r.FD {
		f := canbus.NewFD(1, 0, 1)
		require.ErrorIs(t, nodes[0].port.Send(&f), canbus.ErrFrame)
	}
	good := canbus.New(0x55, 5)
	r.want = 2
	r.at(func() { assert.NoError(t, nodes[0].port.Send(&good)) })
	r.run(t)
	assert.ElementsMatch(t, []string{"a sent 055", "b hears 055"}, r.lines, "and nothing refused was sent")
}

func uniqueNames(t *testing.T, r *rig) {
	nodes := r.attach(t, "a")
	_, err := r.Bus.Attach("a", nodes[0])
	require.Error(t, err)
	assert.ErrorContains(t, err, "a")
	require.NoError(t, nodes[0].port.Close())
	r.attach(t, "a")
}

func closedPort(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b", "gone")
	gone := nodes[2]
	f, g := canbus.New(0x10, 1), canbus.New(0x20, 2)
	require.NoError(t, gone.port.Close())
	require.ErrorIs(t, gone.port.Send(&f), canbus.ErrClosed)
	require.ErrorIs(t, gone.port.Close(), canbus.ErrClosed, "closing twice is told")
	// One that closes in the middle hears no more either.
	nodes[1].onFrame = func(f *canbus.Frame) {
		if f.ID == 0x10 {
			assert.NoError(t, nodes[1].port.Close())
			assert.NoError(t, nodes[0].port.Send(&g))
		}
	}
	listener := r.attach(t, "listener")[0]
	mute(listener, nodes[0])
	listener.onFrame = func(f *canbus.Frame) { r.say("listener hears %s", f.Key()) }
	r.want = 3
	r.at(func() { assert.NoError(t, nodes[0].port.Send(&f)) })
	r.run(t)
	assert.ElementsMatch(t, []string{"b hears 010", "listener hears 010", "listener hears 020"}, r.lines)
	assert.Empty(t, gone.received)
}

func fullQueue(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b")
	mute(nodes...)
	accepted, refused := 0, 0
	r.at(func() {
		for i := range 1 << 17 {
			f := canbus.New(0x42, byte(i))
			if err := nodes[0].port.Send(&f); err == nil {
				accepted++
				continue
			} else if assert.ErrorIs(t, err, canbus.ErrQueueFull) {
				refused++
			}
			break
		}
		if refused == 0 {
			r.Loop.Stop()
			return
		}
		r.want = accepted
	})
	nodes[1].onFrame = func(*canbus.Frame) { r.say("frame") }
	r.run(t)
	require.Equal(t, 1, refused, "every queue is bounded")
	require.Len(t, nodes[1].received, accepted, "what was accepted arrives")
}
