package bench_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/dbc"
	"sawhorse/scenarios"
)

// An invented message: two signals in the two byte orders, a counter, a checksum.
const meter = `VERSION ""
NS_ :
BS_:
BU_: Cluster
BO_ 801 METER: 8 Cluster
 SG_ Speed : 0|16@1+ (0.01,0) [0|655] "km/h" Vector__XXX
 SG_ Temp : 23|8@0- (1,0) [-128|127] "degC" Vector__XXX
 SG_ Tick : 48|4@1+ (1,0) [0|15] "" Vector__XXX
 SG_ Sum : 56|8@1+ (1,0) [0|255] "" Vector__XXX
BA_DEF_ SG_ "SawhorseRole" STRING ;
BA_ "SawhorseRole" SG_ 801 Tick "counter";
BA_ "SawhorseRole" SG_ 801 Sum "checksum:crc8-j1850";
`

// The same two signals for the CAN library's decoder, which nobody here wrote.
var (
	speed = &descriptor.Signal{Name: "Speed", Start: 0, Length: 16, Scale: 0.01}
	temp  = &descriptor.Signal{Name: "Temp", Start: 23, Length: 8, IsBigEndian: true, IsSigned: true, Scale: 1}
)

// metered sends the message every 100 ms for 4 s, by a fault from 1 s to 3 s, and
// gives what arrived.
func metered(t *testing.T, id string, params map[string]any) ([]canbus.Frame, *dbc.Message) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "meter.dbc")
	require.NoError(t, os.WriteFile(file, []byte(meter), 0o600))
	network, err := dbc.Load(file)
	require.NoError(t, err)
	require.Empty(t, network.Warnings)
	m, ok := network.MessageNamed("METER")
	require.True(t, ok)
	b, err := bench.New(bench.Settings{Buses: []bench.Bus{{}, {}}, Bridge: true, Seed: chance.Seed(4)})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	loop, hand := b.Loop, b.Hand()
	from, err := b.Buses()[0].Attach("cluster", &clientNode{})
	require.NoError(t, err)
	got := &hearer{}
	_, err = b.Buses()[1].Attach("listener", got)
	require.NoError(t, err)
	for i := range 40 {
		f := m.Codec().Frame()
		m.Codec().SetValue(&f, m.Index("Speed"), 50+float64(i))
		m.Codec().SetValue(&f, m.Index("Temp"), -20)
		m.Codec().Count(&f, uint64(i))
		m.Codec().Seal(&f)
		loop.At(time.Duration(i)*100*time.Millisecond, clock.PriorityECU, func() { require.NoError(t, from.Send(&f)) })
	}
	params["dbc"], params["message"] = file, "METER"
	loop.At(950*time.Millisecond, clock.PriorityFault, func() { require.NoError(t, hand.SetFault(id, true, params)) })
	loop.At(2950*time.Millisecond, clock.PriorityFault, func() { require.NoError(t, hand.SetFault(id, false, nil)) })
	require.NoError(t, b.Run(context.Background(), 10*time.Second))
	require.Len(t, got.frames, 40)
	return got.frames, m
}

type hearer struct{ frames []canbus.Frame }

func (h *hearer) Receive(f *canbus.Frame) { h.frames = append(h.frames, *f) }
func (h *hearer) Sent(*canbus.Frame)      {}

// What each fault of a signal does to frames 10 to 29 of 40, read by the CAN library;
// before and after, and the checksum all along, everything is right.
func TestEveryFaultOfASignalHasItsEffect(t *testing.T) {
	on := func(signal string, more ...any) map[string]any {
		p := map[string]any{"signal": signal}
		for i := 0; i < len(more); i += 2 {
			p[more[i].(string)] = more[i+1]
		}
		return p
	}
	read := func(s *descriptor.Signal, f *canbus.Frame) float64 {
		return s.UnmarshalPhysical(can.Data(f.Data[:8]))
	}
	within := func(s *descriptor.Signal, want func(i int) float64, d float64) func(*testing.T, []canbus.Frame, *dbc.Message) {
		return func(t *testing.T, fs []canbus.Frame, m *dbc.Message) {
			for i := 10; i < 30; i++ {
				assert.InDelta(t, want(i), read(s, &fs[i]), d, "frame %d", i)
				_, _, ok := m.Codec().Verify(&fs[i])
				assert.True(t, ok, "checksum of frame %d", i)
			}
		}
	}
	truth := func(i int) float64 { return 50 + float64(i) }
	for id, c := range map[string]struct {
		params map[string]any
		check  func(*testing.T, []canbus.Frame, *dbc.Message)
	}{
		"signal-set":         {on("Speed", "value", 123.0), within(speed, func(int) float64 { return 123 }, 0.01)},
		"signal-offset":      {on("Temp", "value", 15.0), within(temp, func(int) float64 { return -5 }, 0.01)},
		"signal-scaled":      {on("Speed", "value", 2.0), within(speed, func(i int) float64 { return 2 * truth(i) }, 0.02)},
		"signal-clamped":     {on("Speed", "low", 0.0, "high", 65.0), within(speed, func(i int) float64 { return math.Min(65, truth(i)) }, 0.01)},
		"signal-stuck":       {on("Speed"), within(speed, func(int) float64 { return truth(10) }, 0.01)},
		"signal-inverted":    {on("Speed", "low", 0.0, "high", 200.0), within(speed, func(i int) float64 { return 200 - truth(i) }, 0.01)},
		"signal-drifts":      {on("Speed", "value", 10.0), within(speed, func(i int) float64 { return truth(i) + float64(i-10) }, 0.05)},
		"signals-swapped":    {on("Temp", "other", "Speed"), within(temp, func(i int) float64 { return truth(i) }, 0.5)},
		"signal-bit-flipped": {on("Speed", "bit", 15.0), within(speed, func(i int) float64 { return truth(i) + 327.68 }, 0.01)},
		"signal-noisy": {on("Speed", "value", 5.0), func(t *testing.T, fs []canbus.Frame, _ *dbc.Message) {
			sum := 0.0
			for i := 10; i < 30; i++ {
				d := read(speed, &fs[i]) - truth(i)
				sum += d * d
			}
			assert.InDelta(t, 5, math.Sqrt(sum/20), 3, "standard deviation")
		}},
		"counter-frozen": {map[string]any{}, func(t *testing.T, fs []canbus.Frame, _ *dbc.Message) {
			for i := 10; i < 30; i++ {
				assert.EqualValues(t, 10, fs[i].Data[6]&0x0F)
			}
		}},
		"counter-skips": {map[string]any{"value": 3.0}, func(t *testing.T, fs []canbus.Frame, _ *dbc.Message) {
			for i := 11; i < 30; i++ {
				assert.EqualValues(t, 4, (fs[i].Data[6]-fs[i-1].Data[6])&0x0F, "one more and three too much")
			}
		}},
		"checksum-wrong": {map[string]any{}, func(t *testing.T, fs []canbus.Frame, m *dbc.Message) {
			for i := 10; i < 30; i++ {
				_, _, ok := m.Codec().Verify(&fs[i])
				assert.False(t, ok)
			}
		}},
	} {
		t.Run(id, func(t *testing.T) {
			tested[id] = true
			fs, m := metered(t, id, c.params)
			c.check(t, fs, m)
			for _, i := range []int{0, 9, 30, 39} {
				assert.InDelta(t, truth(i), read(speed, &fs[i]), 0.01, "frame %d", i)
				assert.InDelta(t, -20, read(temp, &fs[i]), 0.01)
				_, _, ok := m.Codec().Verify(&fs[i])
				assert.True(t, ok)
			}
		})
	}
}

func TestAChecksumIsKeptOrMadeWrongWhereAskedFor(t *testing.T) {
	for _, how := range []string{"keep", "wrong"} {
		fs, m := metered(t, "signal-set", map[string]any{"signal": "Speed", "value": 1.0, "checksum": how})
		_, _, ok := m.Codec().Verify(&fs[15])
		assert.False(t, ok, how)
	}
}

func TestMistakesOfSignalFaults(t *testing.T) {
	file := filepath.Join(t.TempDir(), "meter.dbc")
	require.NoError(t, os.WriteFile(file, []byte(meter), 0o600))
	broken := filepath.Join(t.TempDir(), "broken.dbc")
	require.NoError(t, os.WriteFile(broken, []byte("VERSION \"\"\nBO_ x METER: 8 Cluster\n"), 0o600))
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	defer b.Close()
	for want, params := range map[string]map[string]any{
		"want one of BodyDoors, ": {"message": "METER", "signal": "Speed"}, // the car's own network
		"nowhere.dbc":             {"dbc": "nowhere.dbc", "message": "METER", "signal": "Speed"},
		"broken.dbc:2:5":          {"dbc": broken, "message": "METER", "signal": "Speed"},
		"want one of METER":       {"dbc": file, "message": "MOTOR", "signal": "Speed"},
		"Speed, Sum, Temp, Tick":  {"dbc": file, "message": "METER", "signal": "Spede"},
	} {
		require.ErrorContains(t, b.Hand().SetFault("signal-set", true, params), want)
	}
}

// A frame fault chooses frames by the name of a message; a scenario's .dbc file is
// found beside the scenario, and the plan holds its digest.
func TestAScenarioNamesMessages(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "net.dbc"), []byte(`VERSION ""
NS_ :
BS_:
BU_: Car
BO_ 160 WHEEL: 8 Car
 SG_ Speed : 7|16@0+ (0.01,0) [0|655] "km/h" Vector__XXX
`), 0o600))
	text := head + `
background: {capture: workshop-drive.pcapng.gz, loop: true}
faults:
  - {fault: frames-lost, params: {dbc: net.dbc, message: WHEEL}, from: 2s, for: 2s}
  - {fault: signal-set, params: {dbc: net.dbc, message: WHEEL, signal: Speed, value: 99}, from: 5s, for: 2s}
expect:
  - {id: lost, says: The message is lost, from: 2020ms, until: 4s, never: event.kind == "frame" && event.id == 0xA0}
  - {id: set, says: The signal is set, from: 5020ms, until: 7s, while: event.kind == "frame" && event.id == 0xA0, always: event.kind == "frame" && event.data.at(0) == 0x26 && event.data.at(1) == 0xAC}
  - {id: before, says: It is there before, until: 2s, count: {of: event.kind == "frame" && event.id == 0xA0, at-least: 150}}
`
	file := filepath.Join(dir, "when.yaml")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	sc, err := scenarios.Load(file, bench.Vocabulary())
	require.NoError(t, err)
	sc.Duration = 10 * time.Second
	p := planOfText(t, sc)
	p.Duration = plan.Duration(10 * time.Second)
	require.Len(t, p.Networks, 1)
	requirePass(t, execute(t, p, t.TempDir()))

	require.NoError(t, os.WriteFile(filepath.Join(dir, "net.dbc"), []byte("changed"), 0o600))
	r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: inBench})
	require.NoError(t, err)
	_, err = r.Execute(context.Background())
	require.ErrorContains(t, err, "has changed since")
}
