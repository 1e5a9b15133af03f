package ecu_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/control"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
	"sawhorse/canbus/wire"
)

// whole is the car with its engine unit and program, and a tester.
type whole struct {
	t      *testing.T
	loop   *clock.Loop
	car    *car.Car
	nv     *ecu.NV
	mem    *ecu.Memory
	tester *link.Link
	heard  []string
}

func newWhole(t *testing.T, fresh bool) *whole {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	specs, err := ecu.LoadSpecs(spec.Dir, spec.ECUFiles)
	require.NoError(t, err)
	w := &whole{t: t, loop: clock.NewVirtual(), car: car.New(spec, 1)}
	w.nv = ecu.NewNV(specs[0], ecu.IdentityOf(&spec.Identity, "engine"))
	w.mem = ecu.NewMemory(specs[0])
	learned, err := control.LearnedValues(spec)
	require.NoError(t, err)
	for _, l := range learned {
		if !fresh || l.Value == "immobiliser_key" {
			w.nv.Set(l.Value, l.Number)
		}
	}
	engine, err := control.NewEngine(w.car, w.mem, w.nv)
	require.NoError(t, err)
	bus, err := wire.New(w.loop, "mem", wire.Config{})
	require.NoError(t, err)
	module, err := ecu.NewModule(w.loop, bus, specs[0], ecu.Parts{Readings: engine.Readings, Memory: w.mem, NV: w.nv,
		Plant: program{engine}, Rand: chance.Seed(1).For("ecu/engine")})
	require.NoError(t, err)
	mux, err := link.Attach(bus, "tester", w.loop, clock.PriorityTool)
	require.NoError(t, err)
	w.tester, err = mux.Open(isotp.Emission(isotp.Normal(canbus.Key(0x7E0), canbus.Key(0x7E8))), link.Handlers{
		OnMessage: func(b []byte) { w.heard = append(w.heard, fmt.Sprintf("% X", b)) }})
	require.NoError(t, err)
	// The other units' programs move too: the body unit frees the immobiliser.
	brake, err := control.NewBrake(w.car, ecu.NewMemory(specs[1]), w.nv)
	require.NoError(t, err)
	body, err := control.NewBody(w.car, ecu.NewMemory(specs[2]), w.nv)
	require.NoError(t, err)
	var step func()
	tick := w.loop.NewTimer(clock.PriorityCar, func() { step() })
	step = func() {
		w.car.Step(5 * time.Millisecond)
		engine.Step(w.loop.Now())
		brake.Step(w.loop.Now())
		body.Step(w.loop.Now())
		module.Step(w.loop.Now())
		tick.Set(w.loop.Now() + 5*time.Millisecond)
	}
	tick.Set(0)
	return w
}

// program joins the unit's program to its server.
type program struct{ *control.Engine }

func (p program) Reset(ecu.ResetKind)    { p.Restart() }
func (p program) Communicate(bool, bool) {}

func (p program) Control(name string, value float64, active bool) {
	if c, ok := any(p.Engine).(interface{ Control(string, float64, bool) }); ok {
		c.Control(name, value, active)
	}
}

func (p program) Boot(on bool) {
	if b, ok := any(p.Engine).(interface{ Boot(bool) }); ok {
		b.Boot(on)
	}
}

func (w *whole) send(at time.Duration, req ...byte) {
	w.loop.At(at, clock.PriorityTool, func() { require.NoError(w.t, w.tester.Send(req)) })
}

func (w *whole) drive(at time.Duration, control, value string) {
	w.loop.At(at, clock.PriorityTool, func() { require.NoError(w.t, w.car.Drive(control, value)) })
}

func (w *whole) run(until time.Duration) {
	require.NoError(w.t, w.loop.Run(context.Background(), until))
}

// A fresh unit: the key is turned and nothing cranks; P080A says why. With the
// pedal fully down and held the learn runs, and then the engine cranks and
// starts (common practice).
func TestTheWholeCarLearnsItsClutch(t *testing.T) {
	w := newWhole(t, true)
	w.drive(0, "key", "on")
	w.send(1*time.Second, 0x03)
	w.send(1200*time.Millisecond, 0x10, 0x03)
	w.send(1400*time.Millisecond, 0x31, 0x01, 0x02, 0x10)
	w.drive(2*time.Second, "clutch", "100")
	w.send(3*time.Second, 0x31, 0x01, 0x02, 0x10)
	w.send(5*time.Second, 0x31, 0x03, 0x02, 0x10)
	w.send(8*time.Second, 0x31, 0x03, 0x02, 0x10)
	w.send(8500*time.Millisecond, 0x31, 0x01, 0x02, 0x11)
	w.run(9 * time.Second)
	require.Len(t, w.heard, 7, "%q", w.heard)
	assert.Contains(t, w.heard[0], "08 0A")
	assert.Equal(t, []string{"50 03 00 32 01 F4", "7F 31 22", "71 01 02 10 01", "71 03 02 10 01 00", "71 03 02 10 00 00", "7F 31 84"}, w.heard[1:])
	pressed, ok := w.nv.Get("clutch_pressed_v")
	require.True(t, ok)
	assert.InDelta(t, 3.86, pressed, 0.05, "the end stop of this car's sensor")
	released, _ := w.nv.Get("clutch_released_v")
	assert.InDelta(t, 0.92, released, 0.05)
}

// The crank variation learn on the whole car: warm engine, parking brake,
// neutral; the throttle is opened until the unit cuts the fuel at 4000 rpm and
// released; the key cycle finishes it (common practice).
func TestTheWholeCarLearnsItsCrankVariation(t *testing.T) {
	w := newWhole(t, false)
	w.nv.Erase("crank_variation")
	w.drive(0, "parking_brake", "true")
	w.drive(0, "clutch", "100")
	w.drive(0, "key", "on")
	w.drive(1*time.Second, "key", "start")
	w.drive(4*time.Second, "key", "on")
	w.drive(6*time.Second, "clutch", "0")
	w.send(8*time.Second, 0x10, 0x03)
	w.send(8200*time.Millisecond, 0x31, 0x01, 0x02, 0x11)
	w.drive(9*time.Second, "accelerator", "60")
	w.drive(13*time.Second, "accelerator", "0")
	w.send(13*time.Second, 0x31, 0x03, 0x02, 0x11)
	w.drive(20*time.Second, "key", "off")
	w.drive(22*time.Second, "key", "on")
	w.send(23*time.Second, 0x10, 0x03)
	w.send(23200*time.Millisecond, 0x31, 0x03, 0x02, 0x11)
	w.run(24 * time.Second)
	assert.Equal(t, []string{"50 03 00 32 01 F4", "71 01 02 11 01", "71 03 02 11 01 00", "50 03 00 32 01 F4", "71 03 02 11 00 00"}, w.heard)
	v, ok := w.nv.Get("crank_variation")
	require.True(t, ok)
	assert.InDelta(t, 0.6, v, 0.3, "the run-out of this car's wheel, in percent")
}
