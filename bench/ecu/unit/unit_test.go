package unit

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
	"sawhorse/canbus/wire"
)

// plant is a car made of settable numbers, and the resets that were asked of it.
type plant struct {
	ecutest.Car
	resets []server.ResetKind
}

func (p *plant) Reset(kind server.ResetKind) { p.resets = append(p.resets, kind) }

func loadUnit(t testing.TB, name string) *spec.Unit {
	t.Helper()
	return ecutest.Load(t, name, server.Vocabulary())
}

// network is units with fake cars on an embedded bus, and a tester.
type network struct {
	t      *testing.T
	loop   *clock.Loop
	bus    *wire.Bus
	plants map[string]*plant
	units  map[string]*Unit
	order  []*Unit
	mux    *link.Mux
	shared *link.Link
	links  map[string]*link.Link
	frames []canbus.Frame
	heard  []string
}

func newNetwork(t *testing.T, files ...string) *network {
	t.Helper()
	n := &network{t: t, loop: clock.NewVirtual(), plants: map[string]*plant{}, units: map[string]*Unit{}, links: map[string]*link.Link{}}
	bus, err := wire.New(n.loop, "mem", wire.Config{})
	require.NoError(t, err)
	n.bus = bus
	bus.Tap(func(s canbus.Sighting) { n.frames = append(n.frames, *s.Frame) })
	mux, err := link.Attach(bus, "tester", n.loop, clock.PriorityTool)
	require.NoError(t, err)
	n.mux = mux
	n.shared, err = mux.Open(isotp.Emission(isotp.Functional(0x7DF)), link.Handlers{})
	require.NoError(t, err)
	for _, f := range files {
		n.add(loadUnit(t, f))
	}
	var step func()
	tick := n.loop.NewTimer(clock.PriorityCar, func() { step() })
	step = func() {
		for _, m := range n.order {
			m.Step(n.loop.Now())
		}
		tick.Set(n.loop.Now() + 5*time.Millisecond)
	}
	tick.Set(0)
	return n
}

// add puts one more unit on the bus, and a link of the tester to it.
func (n *network) add(u *spec.Unit) {
	t := n.t
	t.Helper()
	p := &plant{Car: *ecutest.NewCar(u)}
	m, err := New(n.loop, n.bus, u, Parts{Readings: p.Table, Memory: dtc.New(u), NV: nv.New(u, ecutest.Identity()),
		Application: p, Rand: chance.Seed(7).For("ecu/" + u.Name)})
	require.NoError(t, err)
	n.plants[u.Name], n.units[u.Name], n.order = p, m, append(n.order, m)
	a := isotp.Normal(canbus.KeyOf(u.Addresses.Request, u.Addresses.Extended), canbus.KeyOf(u.Addresses.Response, u.Addresses.Extended))
	n.links[u.Name], err = n.mux.Open(isotp.Emission(a), link.Handlers{OnMessage: func(b []byte) {
		n.heard = append(n.heard, u.Name+": "+ecutest.Spaced(b))
	}})
	require.NoError(t, err)
}

// at schedules what the tester or the driver does.
func (n *network) at(d time.Duration, fn func()) { n.loop.At(d, clock.PriorityTool, fn) }

func (n *network) run(until time.Duration) {
	n.t.Helper()
	require.NoError(n.t, n.loop.Run(context.Background(), until))
}

func (n *network) key(on bool) {
	for _, p := range n.plants {
		if on {
			p.KeyOn()
		} else {
			p.Set("key", 0)
			p.Set("powered", 0)
		}
	}
}

func (n *network) send(l *link.Link, req string) {
	require.NoError(n.t, l.Send(ecutest.Bytes(n.t, req)))
}

func TestSeveralUnitsAnswerOneFunctionalRequest(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml", "ecu-brake.yaml", "ecu-body.yaml")
	n.at(10*time.Millisecond, func() { n.key(true) })
	n.at(time.Second, func() { n.send(n.shared, "01 00") })
	n.at(1100*time.Millisecond, func() { n.send(n.shared, "09 0A") })
	n.at(1200*time.Millisecond, func() { n.send(n.shared, "01 0C") })
	n.at(1300*time.Millisecond, func() { n.send(n.shared, "03") })
	n.at(1400*time.Millisecond, func() { n.send(n.links["body"], "22 F1 86") })
	n.run(2 * time.Second)
	assert.ElementsMatch(t, []string{
		"engine: 41 00 FF BF B9 93", "brake: 41 00 80 08 00 11",
		"engine: 49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00",
		"brake: 49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00",
		"engine: 41 0C 00 00", // the brake unit has no engine speed and keeps silent
		"engine: 43 00", "brake: 43 00", "body: 62 F1 86 01",
	}, n.heard)
	for _, f := range n.frames {
		assert.EqualValues(t, 8, f.Len, "ISO 15765-4: the data length is always 8: %v", &f)
	}
}

func TestAUnitWithoutSupplyIsSilent(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	n.at(10*time.Millisecond, func() { n.send(n.shared, "01 00") })
	n.at(500*time.Millisecond, func() { n.key(true) })
	n.at(700*time.Millisecond, func() { n.send(n.shared, "01 00") }) // booting
	n.at(1*time.Second, func() { n.send(n.shared, "01 00") })
	n.at(1500*time.Millisecond, func() { n.key(false) })
	n.at(1600*time.Millisecond, func() { n.send(n.shared, "01 00") })
	n.run(2 * time.Second)
	assert.Equal(t, []string{"engine: 41 00 FF BF B9 93"}, n.heard)
}

// P2CAN of ISO 15765-4: 0 to 50 ms from the end of the request to the start of
// each answer.
func TestAnswersStartWithinP2(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml", "ecu-brake.yaml")
	n.key(true)
	for i := range 50 {
		n.at(time.Second+time.Duration(i)*100*time.Millisecond, func() { n.send(n.shared, "01 0D") })
	}
	n.run(7 * time.Second)
	var asked time.Duration
	answers := 0
	for _, f := range n.frames {
		switch f.ID {
		case 0x7DF:
			asked = f.Time
		case 0x7E8, 0x7E9:
			answers++
			assert.Greater(t, f.Time-asked, time.Duration(0))
			assert.Less(t, f.Time-asked, 50*time.Millisecond)
		}
	}
	assert.Equal(t, 100, answers)
}

func TestResetAnswersThenBootsThenIsBack(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	n.key(true)
	e := n.links["engine"]
	n.at(1000*time.Millisecond, func() { n.send(e, "10 03") })
	n.at(1100*time.Millisecond, func() { n.send(e, "11 01") })
	n.at(1300*time.Millisecond, func() { n.send(e, "22 F1 86") }) // booting: silent
	n.at(1600*time.Millisecond, func() { n.send(e, "22 F1 86") })
	n.run(2 * time.Second)
	assert.Equal(t, []string{"engine: 50 03 00 32 01 F4", "engine: 51 01", "engine: 62 F1 86 01"}, n.heard)
	assert.Equal(t, []server.ResetKind{server.PowerUp, server.HardReset}, n.plants["engine"].resets)
}

func TestAPulledCableDoesNotStopTheUnit(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml", "ecu-brake.yaml")
	n.key(true)
	port, ok := n.bus.Port("tester")
	require.True(t, ok)
	// Gone in the middle of a long answer: the flow control never comes and the
	// unit gives up after N_Bs (ISO 15765-4: 75 ms).
	n.at(1000*time.Millisecond, func() { n.send(n.links["engine"], "19 0A") })
	n.at(1004*time.Millisecond, port.Unplug)
	n.at(2000*time.Millisecond, port.Plug)
	n.at(2100*time.Millisecond, func() { n.send(n.links["engine"], "01 0D") })
	n.run(3 * time.Second)
	assert.Contains(t, n.heard, "engine: 41 0D 00")
}

// A request of several frames: the unit sends flow control with the values of
// its spec, and the VIN is written.
func TestASegmentedRequestWritesTheVIN(t *testing.T) {
	s := *loadUnit(t, "ecu-engine.yaml")
	s.Timing.BlockSize, s.Timing.STmin = 1, 5
	n := newNetwork(t)
	n.add(&s)
	n.key(true)
	e := n.links["engine"]
	n.at(1000*time.Millisecond, func() { n.send(e, "10 03") })
	n.at(1100*time.Millisecond, func() { n.send(e, "27 01") })
	n.at(1200*time.Millisecond, func() {
		seed := ecutest.Bytes(t, strings.TrimPrefix(n.heard[1], "engine: "))
		key := server.SecurityKey(s.Security[0].Secret, [4]byte(seed[2:]))
		n.send(e, "27 02"+ecutest.Spaced(key[:]))
	})
	n.at(1300*time.Millisecond, func() { n.send(e, "2E F1 90 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 39 39") })
	n.run(2 * time.Second)
	assert.Equal(t, []string{"engine: 67 02", "engine: 7F 2E 78", "engine: 6E F1 90"}, n.heard[2:])
	vin, _ := n.units["engine"].NV().Text("vin")
	assert.Equal(t, "0PT48VM60R1000099", vin)
	flows := 0
	for _, f := range n.frames {
		if f.ID == 0x7E8 && f.Data[0] == 0x30 {
			flows++
			assert.Equal(t, [3]byte{0x30, 1, 5}, [3]byte(f.Data[:3]))
		}
	}
	assert.Equal(t, 2, flows, "after the first frame and after the first block of one")
}

// 29-bit identifiers of ISO 15765-4: 18DB33F1 functional, 18DAxxF1 and 18DAF1xx.
func TestAUnitWithLongIdentifiers(t *testing.T) {
	s := *loadUnit(t, "ecu-engine.yaml")
	functional := canbus.ID(0x18DB33F1)
	s.Addresses = spec.Addresses{Request: 0x18DA10F1, Response: 0x18DAF110, Functional: &functional, Extended: true}
	n := newNetwork(t)
	n.add(&s)
	n.key(true)
	all, err := n.mux.Open(isotp.Emission(isotp.NormalFixedFunctional(0xF1, 0x33)), link.Handlers{})
	require.NoError(t, err)
	n.at(1000*time.Millisecond, func() { n.send(n.shared, "01 00") }) // 7DF is not for it
	n.at(1100*time.Millisecond, func() { n.send(all, "09 02") })
	n.run(2 * time.Second)
	assert.Equal(t, []string{"engine: 49 02 01 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 34 38"}, n.heard)
}

// Frames of another length than eight bytes are ignored (ISO 15765-4).
func TestShortFramesAreIgnored(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	n.key(true)
	n.at(time.Second, func() {
		f := canbus.New(0x7DF, 0x02, 0x01, 0x00)
		require.NoError(t, n.mux.Port().Send(&f))
	})
	n.run(2 * time.Second)
	assert.Empty(t, n.heard)
}

func BenchmarkUnitStep(b *testing.B) {
	loop := clock.NewVirtual()
	bus, err := wire.New(loop, "mem", wire.Config{})
	require.NoError(b, err)
	spec := loadUnit(b, "ecu-engine.yaml")
	p := ecutest.NewCar(spec)
	p.KeyOn()
	m, err := New(loop, bus, spec, Parts{Readings: p.Table, Memory: dtc.New(spec), NV: nv.New(spec, nil), Rand: chance.Seed(1).For("x")})
	require.NoError(b, err)
	b.ReportAllocs()
	var now time.Duration
	for range b.N {
		now += 5 * time.Millisecond
		m.Step(now)
	}
}
