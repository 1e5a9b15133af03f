package bench_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
)

// longRequest writes the identification number: 20 bytes, a first frame and two more.
var longRequest = append([]byte{0x2E, 0xF1, 0x90}, "PETREL48STANDIN01"...)

// written is what came of a long request.
type written struct {
	left, failed bool
	result       isotp.Result
	answer       []byte
	flows        [][3]byte // the unit's flow control, as it was on the bus
	frames       []time.Duration
}

// write has a client send the long request to the engine ECU by a fault. A client that does
// not heed flow control sends its frames 2 ms apart after the first one, whatever it says.
func write(t *testing.T, id string, params map[string]any, heeds bool) *written {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	w := &written{}
	b.Bus.Tap(func(s canbus.Sighting) {
		switch f := s.Frame; {
		case f.ID == 0x7E8 && f.Data[0]>>4 == 3:
			w.flows = append(w.flows, [3]byte(f.Data[:3]))
		case f.ID == 0x7E0 && f.Data[0]>>4 == 2:
			w.frames = append(w.frames, f.Time)
		}
	})
	mux, err := link.Attach(b.Bus, "client-1", b.Loop, clock.PriorityTool)
	require.NoError(t, err)
	cfg := isotp.Emission(isotp.Normal(0x7E0, 0x7E8))
	l, err := mux.Open(cfg, link.Handlers{
		OnMessage: func(p []byte) { w.answer = bytes.Clone(p) },
		OnSent:    func() { w.left = true },
		OnFailed:  func(r isotp.Result, _ bool) { w.failed, w.result = true, r },
	})
	require.NoError(t, err)
	hand := b.Hand()
	require.NoError(t, hand.Drive(map[string]any{"key": "on"}))
	require.NoError(t, hand.SetFault(id, true, params))
	b.Loop.At(time.Second, clock.PriorityTool, func() {
		if heeds {
			require.NoError(t, l.Send(longRequest))
			return
		}
		first := canbus.New(0x7E0, append([]byte{0x10, byte(len(longRequest))}, longRequest[:6]...)...)
		require.NoError(t, mux.Port().Send(&first))
	})
	if !heeds {
		for i := range 2 {
			part := bytes.Clone(longRequest[6+7*i : 13+7*i])
			b.Loop.At(time.Second+time.Duration(2+2*i)*time.Millisecond, clock.PriorityTool, func() {
				f := canbus.New(0x7E0, append([]byte{byte(0x21 + i)}, part...)...)
				require.NoError(t, mux.Port().Send(&f))
			})
		}
	}
	require.NoError(t, b.Run(context.Background(), 5*time.Second))
	return w
}

// What a unit asks it also keeps to: a client that heeds it gets its message through where
// that can be, one that does not loses it (ISO 15765-2:2016 clause 9.6.5).
func TestUnitsKeepToTheFlowControlThatTheySend(t *testing.T) {
	t.Run("wait", func(t *testing.T) {
		w := write(t, "flow-control-waits", map[string]any{"times": 2.0}, true)
		assert.Equal(t, [][3]byte{{0x31, 0, 0}, {0x31, 0, 0}, {0x30, 8, 2}}, w.flows)
		assert.True(t, w.left)
		assert.NotEmpty(t, w.answer, "the request came through")
		w = write(t, "flow-control-waits", nil, false)
		assert.Empty(t, w.answer, "frames that come while it waits are lost")
	})
	t.Run("wait for ever", func(t *testing.T) {
		w := write(t, "flow-control-waits", map[string]any{"for-ever": true}, true)
		assert.Greater(t, len(w.flows), 20, "it goes on to say so")
		assert.False(t, w.left)
		assert.Empty(t, w.frames, "a client that heeds it sends nothing")
	})
	t.Run("overflow", func(t *testing.T) {
		w := write(t, "flow-control-overflows", nil, true)
		assert.Equal(t, [][3]byte{{0x32, 0, 0}}, w.flows)
		assert.Equal(t, isotp.BufferOverflow, w.result)
		assert.Empty(t, w.answer)
		w = write(t, "flow-control-overflows", nil, false)
		assert.Empty(t, w.answer, "what was refused is not taken")
	})
	t.Run("block size and separation", func(t *testing.T) {
		w := write(t, "flow-control-odd", nil, true)
		assert.Equal(t, [][3]byte{{0x30, 1, 0xFA}, {0x30, 1, 0xFA}}, w.flows, "one for each block")
		require.Len(t, w.frames, 2)
		assert.True(t, w.left)
		assert.NotEmpty(t, w.answer)
	})
	t.Run("other units", func(t *testing.T) {
		w := write(t, "flow-control-waits", map[string]any{"ids": "7E9"}, true)
		assert.Equal(t, [][3]byte{{0x30, 8, 2}}, w.flows, "are left alone")
		assert.NotEmpty(t, w.answer)
	})
}

func TestFlowControlOfNobodyIsRefused(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	defer b.Close()
	require.ErrorContains(t, b.Hand().SetFault("flow-control-odd", true, map[string]any{"ids": "123"}), "no unit sends such flow control")
}
