package bench_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// auklets are the control units of the car with a gateway.
var auklets = []string{"engine", "gearbox", "brake", "gateway", "body", "cluster"}

// asked keeps what a tool at the connector hears.
type asked struct {
	port canbus.Port
	got  []canbus.Frame
}

func (a *asked) Receive(f *canbus.Frame) { a.got = append(a.got, *f) }
func (a *asked) Sent(*canbus.Frame)      {}

// from are the frames of an identifier.
func (a *asked) from(id canbus.ID) (list []canbus.Frame) {
	for _, f := range a.got {
		if f.ID == id {
			list = append(list, f)
		}
	}
	return list
}

// A request to a unit behind the gateway goes there and its answer comes back. On the
// classical bus the answer is a first frame and consecutive frames of eight bytes, on
// the body's bus one CAN FD frame: a single frame of more than eight bytes has 00 in
// its first byte and its length in the second (ISO 15765-2:2016 clause 9.6.2, table 12),
// and 20 bytes of payload and 2 of control fill a frame of 24 (ISO 11898-1:2015 table 5).
func TestDiagnosticsGoThroughTheGateway(t *testing.T) {
	dir := t.TempDir()
	b, err := bench.New(bench.Settings{Car: "auklet-18", Seed: 3})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	w, err := capture.Create(filepath.Join(dir, "both.pcapng"), capture.Options{Buses: []string{"can0", "can1"}})
	require.NoError(t, err)
	b.Record(w, nil)
	tool := &asked{}
	tool.port, err = b.Bus.Attach("tool", tool)
	require.NoError(t, err)
	ask := func(at time.Duration, data ...byte) {
		b.Loop.At(at, 0, func() {
			f := canbus.Frame{ID: 0x18DA40F1, Flags: canbus.Extended, Len: 8}
			copy(f.Data[:], data)
			require.NoError(t, tool.port.Send(&f))
		})
	}
	require.NoError(t, b.Hand().Drive(map[string]any{"key": "on"}))
	ask(2*time.Second, 0x03, 0x22, 0xF1, 0x90)
	ask(2*time.Second+60*time.Millisecond, 0x30, 0, 0)
	ask(3*time.Second, 0x03, 0x22, 0xF1, 0x86)
	require.NoError(t, b.Run(context.Background(), 4*time.Second))
	require.NoError(t, w.Close())

	vin := b.Car.Spec().Identity.VIN
	near := tool.from(0x18DAF140)
	require.Len(t, near, 4, "first frame, two consecutive ones, and the single one of the second answer")
	for _, f := range near {
		assert.EqualValues(t, 8, f.Len)
		assert.Zero(t, f.Flags&canbus.FD)
	}
	assert.Equal(t, append([]byte{0x10, 20, 0x62, 0xF1, 0x90}, vin[:3]...), near[0].Payload())
	assert.Equal(t, append([]byte{0x21}, vin[3:10]...), near[1].Payload())
	assert.Equal(t, []byte{0x04, 0x62, 0xF1, 0x86, 0x01}, near[3].Payload()[:5])

	data, err := os.Open(filepath.Join(dir, "both.pcapng"))
	require.NoError(t, err)
	defer data.Close()
	r, err := capture.NewReader(data, "both.pcapng")
	require.NoError(t, err)
	var far []canbus.Frame
	var f canbus.Frame
	for r.Next(&f) == nil {
		if f.Bus == 1 && f.ID == 0x18DAF140 {
			far = append(far, f)
		}
	}
	require.NotEmpty(t, far)
	assert.NotZero(t, far[0].Flags&canbus.FD)
	assert.NotZero(t, far[0].Flags&canbus.BitRateSwitch)
	assert.EqualValues(t, 24, far[0].Len)
	assert.Equal(t, append([]byte{0x00, 20, 0x62, 0xF1, 0x90}, vin...), far[0].Payload()[:22])
}

// What the body says reaches the engine through the gateway only: the key starts the
// engine, and a body's unit off its bus is missed by every unit that listens to it, at
// either side, while the gateway's silence is the silence of all that lies behind it.
func TestSilenceGoesThroughTheGateway(t *testing.T) {
	running := func(g *garage) bool { return g.b.Car.Truth.Is(must(g.b.Car.Truth.Lookup("engine_running"))) }
	for _, c := range []struct {
		silent string
		misses map[string][]string
		starts bool
	}{
		{"", nil, true},
		{"body", map[string][]string{"engine": {"U0140"}, "brake": {"U0140"}, "gateway": {"U0140"}, "cluster": {"U0140"}}, false},
		{"gateway", map[string][]string{"engine": {"U0140"}, "brake": {"U0140"}, "body": {"U0100", "U0121"}, "cluster": {"U0100", "U0101", "U0121"}}, false},
		{"gearbox", map[string][]string{"engine": {"U0101"}, "gateway": {"U0101"}, "cluster": {"U0101"}}, true},
		{"brake", map[string][]string{"engine": {"U0121"}, "gearbox": {"U0121"}, "gateway": {"U0121"}, "body": {"U0121"}, "cluster": {"U0121"}}, true},
	} {
		t.Run("without-"+c.silent, func(t *testing.T) {
			g := newGarageOf(t, "auklet-18", auklets...)
			if c.silent != "" {
				g.then(func() {
					cable, err := bench.CutOff(g.b, c.silent)
					require.NoError(t, err)
					cable.Pull()
				})
			}
			g.drive(map[string]any{"key": "on"})
			g.wait(4 * time.Second)
			g.drive(map[string]any{"key": "start"})
			g.wait(2 * time.Second)
			g.drive(map[string]any{"key": "on"})
			g.wait(6 * time.Second)
			g.then(func() {
				assert.Equal(t, c.starts, running(g), "the engine runs")
				for _, u := range auklets {
					if u != c.silent {
						var missed []string
						for _, code := range g.codes(u, confirmedBit) {
							if code[0] == 'U' {
								missed = append(missed, code)
							}
						}
						assert.ElementsMatch(t, c.misses[u], missed, u)
					}
				}
			})
			g.run()
		})
	}
}

// A frame whose checksum is wrong is not passed on, nor one that is not in the car's
// list of routes.
func TestTheGatewayPassesOnWhatItShouldOnly(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "auklet-18", Seed: 3})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	tool := &asked{}
	tool.port, err = b.Bus.Attach("tool", tool)
	require.NoError(t, err)
	cable, err := bench.CutOff(b, "body")
	require.NoError(t, err)
	cable.Pull()
	stranger := &asked{}
	stranger.port, err = bench.FarBus(b, 0).Attach("stranger", stranger)
	require.NoError(t, err)
	send := func(at time.Duration, f canbus.Frame) {
		b.Loop.At(at, 0, func() { require.NoError(t, stranger.port.Send(&f)) })
	}
	spec := b.Car.Spec()
	body, _ := spec.Bus("body")
	m, ok := body.Network().MessageNamed("BodyKey")
	require.True(t, ok)
	good := m.Codec().Frame()
	m.Codec().SetValue(&good, m.Index("KeyCode"), 4711)
	m.Codec().Seal(&good)
	bad := good
	bad.Data[0] ^= 1
	other := good
	other.ID = 0x123
	require.NoError(t, b.Hand().Drive(map[string]any{"key": "on"}))
	send(1*time.Second, bad)
	send(2*time.Second, other)
	send(3*time.Second, good)
	require.NoError(t, b.Run(context.Background(), 4*time.Second))
	keys := tool.from(214)
	require.Len(t, keys, 1)
	assert.Equal(t, []byte{0x67, 0x12, 0, 0}, keys[0].Payload()[:4], "4711, the least significant byte first")
	assert.Empty(t, tool.from(0x123))
	drive, _ := spec.Bus("drive")
	there, ok := drive.Network().MessageNamed("BodyKey")
	require.True(t, ok)
	_, _, sound := there.Codec().Verify(&keys[0])
	assert.True(t, sound, "with a checksum of its own")
	stats := bench.GatewayStats(b)
	assert.Equal(t, 1, stats.Refused)
	// The engine's speed goes the other way, as CAN FD.
	speeds := stranger.from(200)
	require.NotEmpty(t, speeds)
	assert.NotZero(t, speeds[0].Flags&canbus.FD)
}

// The instruments get the road speed over two buses, and what they show is never less
// than it, and at most a tenth and 4 km/h more (UN Regulation 39, 5.4; from memory).
func TestTheSpeedometerKeepsTheRegulation(t *testing.T) {
	g := newGarageOf(t, "auklet-18", auklets...)
	g.drive(map[string]any{"key": "on"})
	g.wait(2 * time.Second)
	g.drive(map[string]any{"key": "start"})
	g.wait(1500 * time.Millisecond)
	g.drive(map[string]any{"key": "on", "brake": 100.0, "parking_brake": false})
	g.wait(time.Second)
	g.drive(map[string]any{"selector": "D"})
	g.wait(time.Second)
	g.drive(map[string]any{"brake": 0.0, "accelerator": 30.0})
	g.wait(20 * time.Second)
	g.drive(map[string]any{"accelerator": 15.0})
	g.wait(12 * time.Second)
	g.then(func() {
		kmh := g.b.Car.Truth.Get(must(g.b.Car.Truth.Lookup("vehicle_kmh")))
		shown := g.reading("cluster", "shown_kmh")
		require.Greater(t, kmh, 40.0)
		assert.GreaterOrEqual(t, shown, kmh)
		assert.LessOrEqual(t, shown, 1.1*kmh+4)
		assert.EqualValues(t, 3, g.reading("cluster", "shown_lever"), "D")
		assert.InDelta(t, g.b.Car.Truth.Get(must(g.b.Car.Truth.Lookup("engine_rpm"))), g.reading("cluster", "shown_rpm"), 60)
	})
	g.run()
}

func must[T any](v T, ok bool) T {
	if !ok {
		panic("not there")
	}
	return v
}

// The faults of the network that the catalogue has find the second car as well.
func TestFaultsOfTheNetworkOnTheOtherCar(t *testing.T) {
	for _, e := range fault.Catalogue() {
		if e.Group != "network" || !e.OnBus() || e.Symptom == nil {
			continue
		}
		t.Run(e.ID, func(t *testing.T) {
			g := newGarageOf(t, "auklet-18", auklets...)
			f, err := fault.New(e.ID, nil)
			require.NoError(t, err)
			if e.ID == "network-open" {
				err := g.b.Hand().SetFault(e.ID, true, nil)
				assert.EqualError(t, err, `fault network-open: the car auklet-18 has no ECU "body" on the bus with the diagnostic connector`)
				return
			}
			g.fault(e.ID, true, nil)
			g.legs("idle", "", nil)
			g.then(func() {
				got := g.all(confirmedBit)
				for _, c := range f.Codes() {
					assert.Contains(t, got, c)
				}
			})
			g.fault(e.ID, false, nil)
			g.then(g.clear)
			g.legs("idle", "", nil)
			g.then(func() { assert.Empty(t, g.all(confirmedBit|pendingBit)) })
			g.run()
		})
	}
}
