package bridge_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
	"sawhorse/canbus/wire"
)

type rig struct {
	loop      *clock.Loop
	near, far *wire.Bus
	b         *bridge.Bridge
}

func newRig(t *testing.T, nearRate, farRate int) *rig {
	r := &rig{loop: clock.NewVirtual()}
	var err error
	r.near, err = wire.New(r.loop, "near", wire.Config{BitRate: nearRate})
	require.NoError(t, err)
	r.far, err = wire.New(r.loop, "far", wire.Config{BitRate: farRate, Queue: 8})
	require.NoError(t, err)
	r.b, err = bridge.Join(r.loop, r.near, r.far, bridge.Options{})
	require.NoError(t, err)
	return r
}

type ear struct{ got []canbus.Frame }

func (e *ear) Receive(f *canbus.Frame) { e.got = append(e.got, *f) }
func (e *ear) Sent(*canbus.Frame)      {}

// From a fast bus onto a slow one: nothing is lost, order is kept, and the added
// time of a lone frame is its length on the far bus (ISO 11898-1; 123 bits of the
// computed vector 7DF 02 01 0C, less the intermission).
func TestAFastBusOntoASlowOne(t *testing.T) {
	r := newRig(t, 1_000_000, 250_000)
	a, e := &ear{}, &ear{}
	from, err := r.near.Attach("a", a)
	require.NoError(t, err)
	_, err = r.far.Attach("b", e)
	require.NoError(t, err)
	f := canbus.New(0x7DF, 2, 1, 0x0C, 0, 0, 0, 0, 0)
	require.NoError(t, from.Send(&f))
	require.NoError(t, r.loop.Run(context.Background(), time.Hour))
	there, back := r.b.Stats()
	require.EqualValues(t, 1, there.Passed)
	require.Equal(t, 120*4*time.Microsecond, there.Max)
	require.Zero(t, back.Passed)
}

func TestNothingIsLostOrReorderedUnderLoad(t *testing.T) {
	r := newRig(t, 1_000_000, 125_000)
	e := &ear{}
	from, err := r.near.Attach("a", &ear{})
	require.NoError(t, err)
	_, err = r.far.Attach("b", e)
	require.NoError(t, err)
	const n = 200
	for i := range n {
		f := canbus.New(0x100, byte(i))
		require.NoError(t, from.Send(&f))
	}
	require.NoError(t, r.loop.Run(context.Background(), time.Hour))
	require.Len(t, e.got, n)
	for i, f := range e.got {
		require.Equal(t, byte(i), f.Data[0])
	}
	there, _ := r.b.Stats()
	assert.EqualValues(t, n, there.Passed)
	assert.Positive(t, there.Full, "there was no room at times")
	assert.Zero(t, there.Lost)
}

// A long message both ways across the bridge, with a consecutive frame lost in the
// middle: the transport layer notices (ISO 15765-2 clause 9.7: N_Cr).
func TestAFaultBetweenARealUnitAndARealTool(t *testing.T) {
	for _, faulty := range []bool{false, true} {
		loop := clock.NewVirtual()
		near, err := wire.New(loop, "near", wire.Config{})
		require.NoError(t, err)
		inner, err := wire.New(loop, "far", wire.Config{})
		require.NoError(t, err)
		far := alter.Wrap(loop, inner)
		if faulty {
			_, err = far.Add(alter.Alteration{
				Name: "lost", Act: alter.Drop,
				Match: alter.Match{Part: alter.ConsecutiveFrame, Skip: 3, Count: 1, Sender: func(s string) bool { return s == bridge.Near }},
			}, nil)
			require.NoError(t, err)
		}
		_, err = bridge.Join(loop, near, far, bridge.Options{})
		require.NoError(t, err)
		unit, err := link.Attach(near, "unit", loop, clock.PriorityECU)
		require.NoError(t, err)
		tool, err := link.Attach(far, "tool", loop, clock.PriorityTool)
		require.NoError(t, err)
		var got []byte
		var failed isotp.Result
		_, err = tool.Open(isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
			OnMessage: func(p []byte) { got = append(got, p...) },
			OnFailed:  func(r isotp.Result, _ bool) { failed = r },
		})
		require.NoError(t, err)
		l, err := unit.Open(isotp.Enhanced(isotp.Normal(0x7E8, 0x7E0)), link.Handlers{})
		require.NoError(t, err)
		require.NoError(t, l.Send(make([]byte, 300)))
		require.NoError(t, loop.Run(context.Background(), time.Minute))
		if faulty {
			require.Empty(t, got)
			require.Equal(t, isotp.WrongSN, failed)
		} else {
			require.Len(t, got, 300)
		}
	}
}
