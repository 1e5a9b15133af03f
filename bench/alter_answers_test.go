package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
)

// heard is one message that a client got, or the failure of one.
type heard struct {
	at     time.Duration
	data   []byte
	failed isotp.Result
}

// conversation has a client ask the engine ECU the same each half second from 1 s to
// 6 s, by a fault from 1.9 s to 3.9 s, and gives what it heard.
func conversation(t *testing.T, request []byte, id string, params map[string]any) []heard {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	mux, err := link.Attach(b.Bus, "client-1", b.Loop, clock.PriorityTool)
	require.NoError(t, err)
	var got []heard
	l, err := mux.Open(isotp.Emission(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
		OnMessage: func(p []byte) { got = append(got, heard{at: b.Loop.Now(), data: append([]byte{}, p...)}) },
		OnFailed:  func(r isotp.Result, _ bool) { got = append(got, heard{at: b.Loop.Now(), failed: r}) },
	})
	require.NoError(t, err)
	desk := b.Hand()
	require.NoError(t, desk.Drive(map[string]any{"key": "on"}))
	for i := range 10 {
		b.Loop.At(time.Second+time.Duration(i)*500*time.Millisecond, clock.PriorityTool, func() { _ = l.Send(request) })
	}
	b.Loop.At(1900*time.Millisecond, clock.PriorityFault, func() { require.NoError(t, desk.SetFault(id, true, params)) })
	b.Loop.At(3900*time.Millisecond, clock.PriorityFault, func() { require.NoError(t, desk.SetFault(id, false, nil)) })
	require.NoError(t, b.Run(context.Background(), 8*time.Second))
	return got
}

// count tells what a client heard in a time: whole messages that begin with a byte,
// and failures.
func count(hs []heard, from, to float64, first byte) (messages, failures int) {
	for _, h := range hs {
		s := h.at.Seconds()
		switch {
		case s < from || s >= to:
		case h.data == nil:
			failures++
		case h.data[0] == first:
			messages++
		}
	}
	return messages, failures
}

var readVIN = []byte{0x22, 0xF1, 0x90}

// What each fault of the answers does, seen by a client that speaks ISO 15765-2 as
// the standard has it: the results are those of its clause 9.7 and tables.
func TestEveryFaultOfTheAnswersHasItsEffect(t *testing.T) {
	failsWith := func(want isotp.Result) func(*testing.T, []heard) {
		return func(t *testing.T, hs []heard) {
			whole, failed := count(hs, 1.9, 3.99, 0x62)
			assert.Zero(t, whole)
			assert.GreaterOrEqual(t, failed, 3)
			for _, h := range hs {
				if h.data == nil {
					assert.Equal(t, want, h.failed)
				}
			}
		}
	}
	negative := func(code byte) func(*testing.T, []heard) {
		return func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x7F)
			assert.Equal(t, 4, n)
			for _, h := range hs {
				if h.data[0] == 0x7F {
					assert.Equal(t, []byte{0x7F, 0x22, code}, h.data)
				}
			}
		}
	}
	one := func(want func(data []byte) bool) func(*testing.T, []heard) {
		return func(t *testing.T, hs []heard) {
			n := 0
			for _, h := range hs {
				if h.data != nil && want(h.data) {
					n++
				}
			}
			assert.Equal(t, 4, n, "%v", hs)
		}
	}
	ids := map[string]any{"ids": "7E8"}
	for id, c := range map[string]struct {
		request []byte
		params  map[string]any
		check   func(t *testing.T, hs []heard)
	}{
		"answer-late": {readVIN, map[string]any{"delay": 300.0}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 2.0, 2.3, 0x62)
			assert.Zero(t, n, "not before")
			n, _ = count(hs, 2.3, 2.5, 0x62)
			assert.Equal(t, 1, n, "but then")
		}},
		"answer-missing": {readVIN, nil, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x62)
			assert.Zero(t, n)
		}},
		"answer-pending": {readVIN, map[string]any{"times": 2.0, "delay": 100.0}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x7F)
			assert.Equal(t, 8, n)
			n, _ = count(hs, 1.9, 3.9, 0x62)
			assert.Equal(t, 4, n)
		}},
		"request-refused":           {readVIN, map[string]any{"code": "21", "service": "22"}, negative(0x21)},
		"answer-of-another-service": {readVIN, nil, one(func(d []byte) bool { return d[0] == 0x63 })},
		"answer-of-another-item":    {readVIN, nil, one(func(d []byte) bool { return d[1] == 0xF0 })},
		"answer-cut":                {readVIN, map[string]any{"bytes": 4.0}, one(func(d []byte) bool { return len(d) == 16 })},
		"answer-too-long":           {readVIN, map[string]any{"bytes": 5.0}, one(func(d []byte) bool { return len(d) == 25 })},
		"code-count-wrong":          {[]byte{0x03}, map[string]any{"more": 2.0}, one(func(d []byte) bool { return d[0] == 0x43 && d[1] == 2 })},
		"answered-twice": {readVIN, map[string]any{"delay": 50.0, "item": "F1 90"}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x62)
			assert.Equal(t, 8, n)
		}},
		"voltage-dip": {readVIN, map[string]any{"ecu": "engine", "lasting": 900.0}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 2.8, 0x62)
			assert.Zero(t, n, "without supply")
		}},
		"consecutive-frame-lost":    {readVIN, map[string]any{"ids": "7E8", "every": 2.0}, failsWith(isotp.TimeoutCr)},
		"consecutive-frame-doubled": {readVIN, ids, failsWith(isotp.WrongSN)},
		"consecutive-frames-swapped": {readVIN, ids, func(t *testing.T, hs []heard) {
			whole, failed := count(hs, 1.9, 3.99, 0x62)
			assert.Equal(t, 4, whole+failed, "in order by chance, or wrong")
		}},
		"sequence-number-wrong":      {readVIN, ids, failsWith(isotp.WrongSN)},
		"first-frame-announces-more": {readVIN, ids, failsWith(isotp.TimeoutCr)},
		"flow-control-waits": {readVIN, map[string]any{"sender": "tool"}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x62)
			assert.Zero(t, n)
		}},
		"flow-control-overflows": {readVIN, map[string]any{"sender": "tool"}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x62)
			assert.Zero(t, n)
		}},
		"flow-control-odd": {readVIN, map[string]any{"sender": "tool"}, func(t *testing.T, hs []heard) {
			n, _ := count(hs, 1.9, 3.9, 0x62)
			assert.LessOrEqual(t, n, 4)
			assert.NotEmpty(t, hs)
		}},
	} {
		t.Run(id, func(t *testing.T) {
			tested[id] = true
			hs := conversation(t, c.request, id, c.params)
			n, failed := count(hs, 1, 1.9, c.request[0]+0x40)
			assert.Equal(t, 2, n, "before")
			assert.Zero(t, failed, "before")
			c.check(t, hs)
			n, _ = count(hs, 4.4, 8, c.request[0]+0x40)
			assert.GreaterOrEqual(t, n, 3, "after")
		})
	}
}

// tested are the faults that the test above covers, for the one that looks for gaps.
var tested = map[string]bool{"session-lost": true}

// A session that is lost refuses what it allowed before: routine control is for the
// extended session only.
func TestALostSessionRefusesWhatItAllowed(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	defer b.Close()
	mux, err := link.Attach(b.Bus, "client-1", b.Loop, clock.PriorityTool)
	require.NoError(t, err)
	var got [][]byte
	l, err := mux.Open(isotp.Emission(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
		OnMessage: func(p []byte) { got = append(got, append([]byte{}, p...)) },
	})
	require.NoError(t, err)
	require.NoError(t, b.Hand().Drive(map[string]any{"key": "on"}))
	at := func(ms int, fn func()) {
		b.Loop.At(time.Duration(ms)*time.Millisecond, clock.PriorityTool, fn)
	}
	read := []byte{0x31, 0x03, 0x02, 0x10}
	at(1000, func() { require.NoError(t, l.Send([]byte{0x10, 0x03})) })
	at(1200, func() { require.NoError(t, l.Send(read)) })
	at(1400, func() { require.NoError(t, b.Hand().SetFault("session-lost", true, nil)) })
	at(1500, func() { require.NoError(t, l.Send(read)) })
	require.NoError(t, b.Run(context.Background(), 3*time.Second))
	require.Len(t, got, 3)
	assert.Equal(t, byte(0x50), got[0][0])
	assert.Equal(t, byte(0x71), got[1][0])
	assert.Equal(t, []byte{0x7F, 0x31, 0x7F}, got[2], "ISO 14229-1: service not in this session")
}
