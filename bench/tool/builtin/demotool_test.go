package builtin

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
	"sawhorse/bench/tool"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
	"sawhorse/cmd/demotool/tester"
)

// controlUnit answers single frames with single frames, 5 ms later. The frames
// are worked examples of SAE J1979 services 01, 03, 07 and 0A.
type controlUnit struct {
	loop    *clock.Loop
	port    canbus.Port
	answers map[[3]byte][8]byte
	silent  bool
}

func (c *controlUnit) Receive(f *canbus.Frame) {
	if f.ID != 0x7DF && f.ID != 0x7E0 || c.silent {
		return
	}
	n := f.Data[0]
	key := [3]byte{n, f.Data[1]}
	if n > 1 {
		key[2] = f.Data[2]
	}
	if a, ok := c.answers[key]; ok {
		out := canbus.New(0x7E8, a[:]...)
		c.loop.At(c.loop.Now()+5*time.Millisecond, clock.PriorityECU, func() { _ = c.port.Send(&out) })
	}
}

func (c *controlUnit) Sent(*canbus.Frame) {}

func newControlUnit(t testing.TB, loop *clock.Loop, bus canbus.Bus) *controlUnit {
	t.Helper()
	c := &controlUnit{loop: loop, answers: map[[3]byte][8]byte{
		{2, 0x01, 0x00}: {6, 0x41, 0x00, 0x88, 0x18, 0x00, 0x00}, // 01 05 0C 0D
		{2, 0x01, 0x01}: {6, 0x41, 0x01, 0x82, 0x07, 0x65, 0x01},
		{4, 0x01, 0x05}: {7, 0x41, 0x0C, 0x09, 0x70, 0x05, 0x7B}, // too short for 0D as well
		{1, 0x03}:       {6, 0x43, 0x02, 0x08, 0x0A, 0x03, 0x35},
		{1, 0x07}:       {2, 0x47, 0x00},
	}}
	port, err := bus.Attach("engine", c)
	require.NoError(t, err)
	c.port = port
	return c
}

// seat runs one task of the demo's tool inside the bench.
func seat(t *testing.T, task string, limit time.Duration, prepare func(*clock.Loop, *wire.Bus, *controlUnit)) (status int, r tool.Report, lines []string) {
	t.Helper()
	loop := clock.NewVirtual()
	bus, err := wire.New(loop, "main", wire.Config{})
	require.NoError(t, err)
	unit := newControlUnit(t, loop, bus)
	m, err := tester.Start(task, nil)
	require.NoError(t, err)
	p, err := Profile(Default)
	require.NoError(t, err)
	e, ok := p.Entry(task, nil)
	require.True(t, ok)
	done := false
	_, err = tool.Sit(loop, bus, "tool", m, func(l string) { lines = append(lines, l) }, tool.Ends{Done: func(s int, out []byte) {
		done, status = true, s
		r, err = p.Extract(e, out)
		assert.NoError(t, err)
		loop.Stop()
	}})
	require.NoError(t, err)
	if prepare != nil {
		prepare(loop, bus, unit)
	}
	require.NoError(t, loop.Run(context.Background(), limit))
	require.True(t, done, "not done within %v: %q", limit, lines)
	return status, r, lines
}

// TestDemotoolInsideTheBench: the tester on a bit-exact wire in virtual time,
// its document read through the profile that a process has, too.
func TestDemotoolInsideTheBench(t *testing.T) {
	status, r, lines := seat(t, "read-codes", 20*time.Second, nil)
	assert.Equal(t, tester.StatusDone, status, lines)
	assert.Equal(t, []tool.ECU{{Name: "7E0", Address: "7E0"}}, r.ECUs)
	assert.Equal(t, []tool.Code{{Code: "P080A", ECU: "7E0"}, {Code: "P0335", ECU: "7E0"}}, r.Stored)
	assert.Equal(t, []tool.Code{}, r.Pending)
	assert.Nil(t, r.Permanent, "no answer to 0A: not read")
	require.NotNil(t, r.MIL)
	assert.True(t, *r.MIL)
	assert.Contains(t, r.Readiness, tool.Monitor{ECU: "7E0", Name: "catalyst", Ready: false})
	assert.Contains(t, r.Readiness, tool.Monitor{ECU: "7E0", Name: "evaporative", Ready: true})
	assert.Nil(t, r.Live, "not asked for")
	assert.Nil(t, r.FreezeFrames)
}

func TestDemotoolCablePulledAndPutBack(t *testing.T) {
	pull := func(back time.Duration) func(*clock.Loop, *wire.Bus, *controlUnit) {
		return func(loop *clock.Loop, bus *wire.Bus, _ *controlUnit) {
			port, ok := bus.Port("tool")
			require.True(t, ok)
			loop.At(170*time.Millisecond, clock.PriorityFault, port.Unplug)
			if back > 0 {
				loop.At(back, clock.PriorityFault, port.Plug)
			}
		}
	}
	status, r, lines := seat(t, "read-codes", 60*time.Second, pull(4*time.Second))
	assert.Equal(t, tester.StatusDone, status, lines)
	assert.Len(t, r.Stored, 2)
	status, _, lines = seat(t, "read-codes", 60*time.Second, pull(0))
	assert.Contains(t, []int{tester.StatusLost, tester.StatusNoCar}, status, lines)
}

func TestDemotoolAloneOnTheBus(t *testing.T) {
	status, r, _ := seat(t, "health-check", 60*time.Second, func(_ *clock.Loop, _ *wire.Bus, c *controlUnit) { c.silent = true })
	assert.Equal(t, tester.StatusNoCar, status)
	assert.Equal(t, []tool.ECU{}, r.ECUs)
}

// TestProfileAndDocumentFit: every part of a full document reaches the report.
func TestProfileAndDocumentFit(t *testing.T) {
	p, err := Profile(Default)
	require.NoError(t, err)
	e, _ := p.Entry("learn", map[string]string{"position": "clutch"})
	r, err := p.Extract(e, []byte(`{
	 "task": "learn", "status": 1, "reason": "because", "vin": "TESTCAR0123456789", "cleared": true, "problems": ["odd"],
	 "learn": {"position": "clutch", "routine": "0210", "outcome": "aborted", "reason": "pedal", "attempts": 3},
	 "ecus": [{"name": "ECM", "listens": "7E0", "answers": "7E8", "protocol": "obd", "vin": "TESTCAR0123456789",
	   "calibrations": null, "verifications": null, "identifiers": null,
	   "readiness": {"mil": false, "count": 0, "monitors": [{"name": "misfire", "ready": true}]},
	   "stored": [], "pending": null, "permanent": [{"code": "U0100", "failure_type": "8F"}],
	   "freeze_frame": {"code": "P080A", "values": [{"name": "engine_rpm", "value": 604, "unit": "rpm"}]},
	   "live": [{"name": "battery_v", "value": 14.3, "unit": "V"}]}]}`))
	require.NoError(t, err)
	require.Len(t, r.Told, 2)
	assert.Equal(t, "ECM", r.Told[1].ECU)
	for field, want := range map[task.Fields]task.State{
		task.Stored: task.Empty, task.Pending: task.Unknown, task.Permanent: task.Said, task.Lamp: task.Said, task.Output: task.NotSaid,
	} {
		assert.Equal(t, want, r.Told[1].States.Of(field), "field %b", field)
	}
	r.Told = nil
	no, yes := false, true
	assert.Equal(t, tool.Report{
		VIN: "TESTCAR0123456789", HasVIN: true, MIL: &no, Cleared: &yes, Count: new(int),
		ECUs:         []tool.ECU{{Name: "ECM", Address: "7E0", VIN: "TESTCAR0123456789"}},
		Stored:       []tool.Code{},
		Permanent:    []tool.Code{{Code: "U0100", FailureType: "8F", ECU: "ECM"}},
		Live:         []tool.Value{{ECU: "ECM", Signal: "battery_v", Value: 14.3, Unit: "V"}},
		Readiness:    []tool.Monitor{{ECU: "ECM", Name: "misfire", Ready: true}},
		FreezeFrames: []tool.FreezeFrame{{ECU: "ECM", Code: "P080A", Values: []tool.Value{{ECU: "ECM", Signal: "engine_rpm", Value: 604, Unit: "rpm"}}}},
		Learn:        &tool.LearnResult{Position: "clutch", Outcome: "aborted", Reason: "pedal"},
		Extra:        []tool.Extra{{Name: "reason", Value: "because"}, {Name: "problems", Value: []any{"odd"}}},
	}, r)
}

func BenchmarkReadCodesInsideTheBench(b *testing.B) {
	for b.Loop() {
		loop := clock.NewVirtual()
		bus, err := wire.New(loop, "main", wire.Config{})
		if err != nil {
			b.Fatal(err)
		}
		newControlUnit(b, loop, bus)
		m, err := tester.Start("read-codes", nil)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := tool.Sit(loop, bus, "tool", m, nil, tool.Ends{Done: func(int, []byte) { loop.Stop() }}); err != nil {
			b.Fatal(err)
		}
		if err := loop.Run(context.Background(), time.Minute); err != nil {
			b.Fatal(err)
		}
	}
}
