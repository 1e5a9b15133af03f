package bench_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/dbc"
)

// units are the nodes of the Petrel's network that are control units of the car.
var units = map[string]string{"Engine": "engine", "Brake": "brake", "Body": "body"}

func petrelNetwork(t testing.TB) *dbc.Network {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	require.NotNil(t, spec.Buses[0].Network())
	return spec.Buses[0].Network()
}

// listening is a car with somebody who listens, and what it has heard.
type listening struct {
	*testing.T
	b      *bench.Bench
	frames []canbus.Frame
	onEach func(f *canbus.Frame)
}

func listen(t *testing.T) *listening {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(5)})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	l := &listening{T: t, b: b, onEach: func(*canbus.Frame) {}}
	b.Bus.Tap(func(s canbus.Sighting) {
		l.frames = append(l.frames, *s.Frame)
		l.onEach(s.Frame)
	})
	return l
}

func (l *listening) drive(at time.Duration, controls map[string]any) {
	l.b.Loop.At(at, clock.PriorityFault, func() { require.NoError(l, l.b.Hand().Drive(controls)) })
}

// start starts the engine: it runs after some 3 s.
func (l *listening) start() {
	l.drive(0, map[string]any{"key": "on", "clutch": 100.0})
	l.drive(2*time.Second, map[string]any{"key": "start"})
	l.drive(3500*time.Millisecond, map[string]any{"key": "on"})
	l.drive(4*time.Second, map[string]any{"clutch": 0.0})
}

func (l *listening) run(until time.Duration) {
	require.NoError(l, l.b.Run(context.Background(), until))
}

// ids counts the frames of a time by identifier.
func (l *listening) ids(from, to time.Duration) map[canbus.ID]int {
	n := map[canbus.ID]int{}
	for i := range l.frames {
		if f := &l.frames[i]; f.Time >= from && f.Time < to {
			n[f.ID]++
		}
	}
	return n
}

// Each message of the three units comes at the cycle time of the .dbc file, and only
// arbitration moves it: never by more than the frames of a moment take.
func TestMessagesComeAtTheirCycleTimes(t *testing.T) {
	l := listen(t)
	l.start()
	l.run(12 * time.Second)
	last, first, count := map[canbus.Key]time.Duration{}, map[canbus.Key]time.Duration{}, map[canbus.Key]int{}
	net := petrelNetwork(t)
	for i := range l.frames {
		f := &l.frames[i]
		m, ok := net.Message(f.Key())
		require.True(t, ok, "%s is no message of the network", f.Key())
		require.NotEmpty(t, units[m.Sender], "%s is of a node that is no unit of this car", m.Name)
		require.EqualValues(t, m.Length, f.Len, m.Name)
		if was, ok := last[m.Key]; ok {
			require.InDelta(t, m.CycleTime.Seconds(), (f.Time - was).Seconds(), 0.002, "%s at %v", m.Name, f.Time)
		} else {
			first[m.Key] = f.Time
		}
		last[m.Key] = f.Time
		count[m.Key]++
	}
	for _, m := range net.Messages {
		if units[m.Sender] == "" {
			continue
		}
		require.Greater(t, count[m.Key], 10, m.Name)
		mean := (last[m.Key] - first[m.Key]).Seconds() / float64(count[m.Key]-1)
		assert.InEpsilon(t, m.CycleTime.Seconds(), mean, 0.001, m.Name)
	}
	t.Logf("%d frames in 12 s", len(l.frames))
}

// The load lies between what the frames take without a stuff bit, 47 + 8n bits with
// the intermission, and with as many as there can be, (34 + 8n - 1) / 4 more (Davis,
// Burns, Bril, Lukkien: CAN schedulability analysis, Real-Time Systems 35(3), 2007).
func TestTheLoadOfTheBus(t *testing.T) {
	l := listen(t)
	l.start()
	l.run(10 * time.Second)
	least, most := 0.0, 0.0
	for i := range l.frames {
		if f := &l.frames[i]; f.Time >= 5*time.Second {
			n := 8 * float64(f.Len)
			least += 47 + n
			most += 47 + n + math.Floor((34+n-1)/4)
		}
	}
	const bits = 5 * 500_000
	load := l.b.BusLoad()
	t.Logf("load %.1f %%, of %.1f to %.1f %%", 100*load, 100*least/bits, 100*most/bits)
	assert.Greater(t, load, least/bits)
	assert.Less(t, load, most/bits)
	assert.InDelta(t, 0.4, load, 0.06, "the 40 %% that a car's bus usually has (common practice)")
}

// bounds are the least and the greatest value of a true signal in the last moments.
type bounds struct {
	ref    signal.Ref
	recent [8]float64
	n      int
}

func (b *bounds) see(v float64) {
	b.recent[b.n%len(b.recent)] = v
	b.n++
}

func (b *bounds) of() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, v := range b.recent[:min(b.n, len(b.recent))] {
		lo, hi = min(lo, v), max(hi, v)
	}
	return lo, hi
}

// What an independent decoder (go.einride.tech/can) makes of the frames is what the car
// does, within a step of the signal and what a sensor may err.
func TestAnotherDecoderReadsWhatTheCarDoes(t *testing.T) {
	checks := []struct {
		message, signal, truth string
		errs                   float64 // what the sensor may be off, beside the step
	}{
		{"EngineSpeed", "EngineSpeed", "engine_rpm", 12},
		{"EngineSpeed", "AcceleratorPedal", "accelerator_pct", 1},
		{"RoadSpeed", "VehicleSpeed", "vehicle_kmh", 0.3},
		{"WheelFrontLeft", "SpeedFrontLeft", "vehicle_kmh", 0.3},
		{"WheelRearRight", "SpeedRearRight", "vehicle_kmh", 0.3},
		{"EngineTemperatures", "Coolant", "coolant_c", 1.5},
		{"EngineTemperatures", "BatteryVoltage", "battery_v", 0.3},
		{"EngineTemperatures", "Outside", "ambient_c", 1},
		{"EngineClutch", "ClutchPedal", "clutch_pct", 2.5},
		{"Driveline", "Gear", "gear", 0},
		{"BodyLights", "KeyPosition", "key", 0},
	}
	l := listen(t)
	net, truth := petrelNetwork(t), l.b.Car.Truth
	seen := make([]bounds, len(checks))
	peers := make([]*descriptor.Signal, len(checks))
	keys := make([]canbus.Key, len(checks))
	met, moved := make([]int, len(checks)), make([]float64, len(checks))
	for i, c := range checks {
		m, ok := net.MessageNamed(c.message)
		require.True(t, ok, c.message)
		s, ok := m.Signal(c.signal)
		require.True(t, ok, c.signal)
		keys[i] = m.Key
		peers[i] = &descriptor.Signal{Name: s.Name, Start: uint8(s.Start), Length: uint8(s.Length), IsBigEndian: s.BigEndian,
			IsSigned: s.Encoding == dbc.Signed, Scale: s.Factor, Offset: s.Offset}
		seen[i].ref, ok = truth.Lookup(c.truth)
		require.True(t, ok, c.truth)
	}
	var sample *clock.Timer
	next := time.Duration(0)
	sample = l.b.Loop.NewTimer(clock.PriorityJudge, func() {
		for i := range seen {
			seen[i].see(truth.Get(seen[i].ref))
		}
		next += car.StepTime
		sample.Set(next)
	})
	sample.Set(0)
	l.onEach = func(f *canbus.Frame) {
		if f.Time < time.Second {
			return // sensors and units wake
		}
		var data can.Data
		copy(data[:], f.Payload())
		for i, c := range checks {
			if f.Key() != keys[i] {
				continue
			}
			got := peers[i].UnmarshalPhysical(data)
			lo, hi := seen[i].of()
			off := math.Abs(peers[i].Scale) + c.errs
			if got < lo-off || got > hi+off {
				t.Errorf("%s.%s at %v is %g, the car has %g to %g", c.message, c.signal, f.Time, got, lo, hi)
			}
			met[i]++
			moved[i] = max(moved[i], math.Abs(got))
		}
	}
	l.start()
	l.drive(6*time.Second, map[string]any{"parking_brake": false, "clutch": 100.0, "gear": 1})
	l.drive(7*time.Second, map[string]any{"accelerator": 25.0, "clutch": 60.0})
	for k := range 12 {
		l.drive(7500*time.Millisecond+time.Duration(k)*300*time.Millisecond, map[string]any{"clutch": 55.0 - 5*float64(k)})
	}
	l.run(16 * time.Second)
	for i, c := range checks {
		assert.Greater(t, met[i], 20, c.signal)
		assert.Greater(t, moved[i], 0.9, "%s was never anything but 0", c.signal)
	}
}

// With the key off the body unit goes on for a while, then the network sleeps. A door
// that opens wakes the body unit.
func TestTheNetworkSleepsAfterKeyOff(t *testing.T) {
	l := listen(t)
	l.start()
	l.drive(6*time.Second, map[string]any{"key": "off"})
	l.drive(20*time.Second, map[string]any{"door_open": true})
	l.drive(22*time.Second, map[string]any{"door_open": false})
	l.run(40 * time.Second)
	net := petrelNetwork(t)
	for id := range l.ids(6500*time.Millisecond, 10*time.Second) {
		m, _ := net.Message(canbus.KeyOf(id, false))
		assert.Equal(t, "Body", m.Sender)
	}
	assert.NotEmpty(t, l.ids(10*time.Second, 11*time.Second))
	assert.Empty(t, l.ids(11100*time.Millisecond, 20*time.Second))
	assert.NotEmpty(t, l.ids(20100*time.Millisecond, 20200*time.Millisecond), "the door wakes it")
	assert.NotEmpty(t, l.ids(26500*time.Millisecond, 27*time.Second))
	assert.Empty(t, l.ids(27100*time.Millisecond, 40*time.Second))
}

// Service 28 stops the normal messages and nothing else; they come back with the end
// of the session that stopped them (ISO 14229-1 clauses 9.2 and 9.5). A reset stops them
// while the unit boots.
func TestWhoMustNotSendIsSilent(t *testing.T) {
	l := listen(t)
	client := &clientNode{}
	var err error
	client.port, err = l.b.Bus.Attach("client-1", client)
	require.NoError(t, err)
	ask := func(at time.Duration, data ...byte) {
		l.b.Loop.At(at, clock.PriorityTool, func() {
			f := canbus.New(0x7E0, append(data, bytes.Repeat([]byte{0xCC}, 8-len(data))...)...)
			require.NoError(l, client.port.Send(&f))
		})
	}
	l.drive(0, map[string]any{"key": "on"})
	ask(2*time.Second, 2, 0x10, 0x03)
	ask(2100*time.Millisecond, 3, 0x28, 0x01, 0x01)
	ask(4*time.Second, 2, 0x3E, 0x00)
	ask(5*time.Second, 2, 0x10, 0x01)
	ask(7*time.Second, 2, 0x11, 0x01)
	l.run(9 * time.Second)
	const speed, wheels = 160, 176
	sends := func(from, to time.Duration) (engine, brake int) {
		n := l.ids(from, to)
		return n[speed], n[wheels]
	}
	for _, c := range []struct {
		what     string
		from, to time.Duration
		talks    bool
	}{
		{"as always", 1000 * time.Millisecond, 2100 * time.Millisecond, true},
		{"told to be silent", 2150 * time.Millisecond, 4900 * time.Millisecond, false},
		{"the session has ended", 5100 * time.Millisecond, 6900 * time.Millisecond, true},
		{"it boots", 7100 * time.Millisecond, 7350 * time.Millisecond, false},
		{"it has booted", 7500 * time.Millisecond, 9000 * time.Millisecond, true},
	} {
		engine, brake := sends(c.from, c.to)
		want := int((c.to - c.from) / (10 * time.Millisecond))
		assert.InDelta(t, want, brake, 2, c.what)
		if c.talks {
			assert.InDelta(t, want, engine, 2, c.what)
		} else {
			assert.Zero(t, engine, c.what)
		}
	}
	require.Len(t, client.answers, 5, "it answers all the same")
}

// tshark counts the same frames of the same identifiers in a recording of the car.
func TestTsharkReadsTheCarsBus(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing")
		}
		t.Skip("tshark is missing: the recording of the car's bus is not read by it")
	}
	dir := t.TempDir()
	res := execute(t, planOf(t, "healthy", 3), dir)
	out, err := exec.Command("tshark", "-r", res.Capture, "-T", "fields", "-e", "can.id", "-e", "can.len").Output()
	require.NoError(t, err)
	count := map[string]int{}
	total := 0
	for line := range strings.Lines(string(out)) {
		count[strings.TrimSpace(line)]++
		total++
	}
	assert.Equal(t, res.Frames, total)
	for _, m := range petrelNetwork(t).Messages {
		if units[m.Sender] == "" {
			continue
		}
		want := res.Length.Seconds() / m.CycleTime.Seconds()
		assert.InDelta(t, want, count[idAndLength(m)], 0.05*want+3, m.Name)
	}
	require.FileExists(t, filepath.Join(dir, run.PlanName))
}

func idAndLength(m *dbc.Message) string {
	return strconv.Itoa(int(m.Key.ID())) + "\t" + strconv.Itoa(m.Length)
}

// A recording that plays behind the car steps past what the car sends itself: its messages
// come at their own periods, and what else the recording holds is there. The one that comes
// with the program has nothing but messages of this network.
func TestARecordingStepsPastTheCarsOwnMessages(t *testing.T) {
	p := planOf(t, "real-drive", 2)
	digest, err := plan.Digest("../testdata/captures/workshop-drive.pcapng.gz")
	require.NoError(t, err)
	p.Background = digest
	res := execute(t, p, t.TempDir())
	require.NotNil(t, res.Replay)
	r, err := capture.Open(res.Capture)
	require.NoError(t, err)
	defer r.Close()
	count := map[canbus.Key]int{}
	var f canbus.Frame
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(t, err)
		}
		count[f.Key()]++
	}
	foreign := 0
	for _, m := range petrelNetwork(t).Messages {
		if units[m.Sender] == "" {
			foreign += count[m.Key]
			continue
		}
		most := int(res.Length/m.CycleTime) + 1
		assert.LessOrEqual(t, count[m.Key], most, m.Name)
		assert.GreaterOrEqual(t, count[m.Key], most*9/10-2, m.Name)
	}
	assert.Greater(t, foreign, 500)
}

// Nothing on the way of a frame allocates, from the reading to those who hear it. What is
// left comes with the model's own steps, not with frames.
func TestFramesOfTheCarAllocateNothing(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(5)})
	require.NoError(t, err)
	defer b.Close()
	frames := uint64(0)
	b.Bus.Tap(func(canbus.Sighting) { frames++ })
	require.NoError(t, b.Hand().Drive(map[string]any{"key": "on"}))
	var before, after runtime.MemStats
	b.Loop.At(4*time.Second, clock.PriorityJudge, func() {
		frames = 0
		runtime.ReadMemStats(&before)
	})
	b.Loop.At(9*time.Second, clock.PriorityJudge, func() { runtime.ReadMemStats(&after) })
	require.NoError(t, b.Run(context.Background(), 9*time.Second))
	require.Greater(t, frames, uint64(7000))
	allocated := after.Mallocs - before.Mallocs
	t.Logf("%d allocations for %d frames", allocated, frames)
	assert.Less(t, allocated, frames/10)
}

// What a unit knows to be a broken sensor's it does not hand on: all bits are set, "not
// available" as commercial vehicles have it (SAE J1939-71), or what the file calls unknown.
// Mended, the value is there again.
func TestABrokenSensorIsNotHandedOn(t *testing.T) {
	l := listen(t)
	net := petrelNetwork(t)
	of := func(message, name string) (canbus.Key, *descriptor.Signal) {
		m, ok := net.MessageNamed(message)
		require.True(t, ok)
		s, ok := m.Signal(name)
		require.True(t, ok)
		return m.Key, &descriptor.Signal{Name: s.Name, Start: uint8(s.Start), Length: uint8(s.Length), IsBigEndian: s.BigEndian}
	}
	temperatures, coolant := of("EngineTemperatures", "Coolant")
	_, oil := of("EngineTemperatures", "Oil")
	driveline, gear := of("Driveline", "Gear")
	last := map[string]uint64{}
	l.onEach = func(f *canbus.Frame) {
		var data can.Data
		copy(data[:], f.Payload())
		switch f.Key() {
		case temperatures:
			last["coolant"], last["oil"] = coolant.UnmarshalUnsigned(data), oil.UnmarshalUnsigned(data)
		case driveline:
			last["gear"] = gear.UnmarshalUnsigned(data)
		}
	}
	l.drive(0, map[string]any{"key": "on"})
	check := func(at time.Duration, broken bool) {
		l.b.Loop.At(at, clock.PriorityJudge, func() {
			if broken {
				assert.EqualValues(t, 0xFF, last["coolant"])
				assert.EqualValues(t, 7, last["gear"])
			} else {
				assert.InDelta(t, 80, last["coolant"], 15)
				assert.EqualValues(t, 0, last["gear"])
			}
			assert.Less(t, last["oil"], uint64(200), "a sound sensor beside it")
			assert.Greater(t, last["oil"], uint64(60))
		})
	}
	faults := func(at time.Duration, on bool) {
		l.b.Loop.At(at, clock.PriorityFault, func() {
			for _, id := range []string{"coolant-sensor-open", "gear-sensor-open"} {
				require.NoError(t, l.b.Hand().SetFault(id, on, nil))
			}
		})
	}
	check(3*time.Second, false)
	faults(3*time.Second+time.Millisecond, true)
	check(5*time.Second, true)
	faults(5*time.Second+time.Millisecond, false)
	check(7*time.Second, false)
	l.run(8 * time.Second)
}
