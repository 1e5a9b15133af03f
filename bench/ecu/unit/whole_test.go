package unit_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/unit"
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
	nv     *nv.Memory
	mem    *dtc.Memory
	tester *link.Link
	heard  []string
}

func newWhole(t *testing.T, fresh bool) *whole {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	specs, err := unit.Specs(spec)
	require.NoError(t, err)
	w := &whole{t: t, loop: clock.NewVirtual(), car: car.New(spec, 1)}
	w.nv = nv.New(specs[0], specs[0].IdentityOf(&spec.Identity))
	w.mem = dtc.New(specs[0])
	learned, err := app.LearnedValues(spec)
	require.NoError(t, err)
	for _, l := range learned {
		if !fresh || l.Value == "immobiliser_key" {
			w.nv.Set(l.Value, l.Number)
		}
	}
	engine, err := app.NewEngine(w.car, w.mem, w.nv)
	require.NoError(t, err)
	bus, err := wire.New(w.loop, "mem", wire.Config{})
	require.NoError(t, err)
	module, err := unit.New(w.loop, bus, specs[0], unit.Parts{Readings: engine.Readings(), Memory: w.mem, NV: w.nv,
		Application: program{engine}, Rand: chance.Seed(1).For("ecu/engine")})
	require.NoError(t, err)
	mux, err := link.Attach(bus, "tester", w.loop, clock.PriorityTool)
	require.NoError(t, err)
	w.tester, err = mux.Open(isotp.Emission(isotp.Normal(canbus.Key(0x7E0), canbus.Key(0x7E8))), link.Handlers{
		OnMessage: func(b []byte) { w.heard = append(w.heard, fmt.Sprintf("% X", b)) }})
	require.NoError(t, err)
	// The other units' programs move too: the body unit frees the immobiliser.
	brake, err := app.NewBrake(w.car, dtc.New(specs[1]), w.nv)
	require.NoError(t, err)
	bodyNV := nv.New(specs[2], nil)
	for _, l := range learned {
		if l.ECU == "body" {
			bodyNV.Set(l.Value, l.Number)
		}
	}
	body, err := app.NewBody(w.car, dtc.New(specs[2]), bodyNV)
	require.NoError(t, err)
	line := app.Line(engine, brake, body, nil)
	var step func()
	tick := w.loop.NewTimer(clock.PriorityCar, func() { step() })
	step = func() {
		w.car.Step(5 * time.Millisecond)
		engine.Step(w.loop.Now())
		brake.Step(w.loop.Now())
		body.Step(w.loop.Now())
		line()
		module.Step(w.loop.Now())
		tick.Set(w.loop.Now() + 5*time.Millisecond)
	}
	tick.Set(0)
	return w
}

// program joins the unit's program to its server.
type program struct{ *app.Engine }

func (p program) Reset(server.ResetKind) { p.Restart() }
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

// truth is a signal of the car itself.
func (w *whole) truth(name string) float64 {
	r, ok := w.car.Truth.Lookup(name)
	require.True(w.t, ok, name)
	return w.car.Truth.Get(r)
}

// The throttle rest learn on the whole car: the springs hold the plate at 5.5 % of
// the sensor's 0.5 to 4.5 V, which is 0.72 V.
func TestTheWholeCarLearnsItsThrottleRest(t *testing.T) {
	w := newWhole(t, false)
	w.nv.Erase("throttle_rest_v")
	w.drive(0, "key", "on")
	w.send(1*time.Second, 0x10, 0x03)
	w.send(1500*time.Millisecond, 0x31, 0x01, 0x02, 0x12)
	w.send(5*time.Second, 0x31, 0x03, 0x02, 0x12)
	w.run(6 * time.Second)
	assert.Equal(t, []string{"50 03 00 32 01 F4", "71 01 02 12 01", "71 03 02 12 00 00"}, w.heard)
	v, ok := w.nv.Get("throttle_rest_v")
	require.True(t, ok)
	assert.InDelta(t, 0.72, v, 0.03)
}

// An exchanged engine unit: it starts nothing until the ten minutes and the key cycle
// are over (common practice). The engine starts in the end.
func TestTheWholeCarTakesAnExchangedUnit(t *testing.T) {
	w := newWhole(t, false)
	w.nv.Erase("immobiliser_key")
	w.drive(0, "clutch", "100")
	w.drive(0, "key", "on")
	w.drive(2*time.Second, "key", "start")
	w.drive(4*time.Second, "key", "on")
	var before float64
	w.loop.At(4*time.Second, clock.PriorityJudge, func() { before = w.truth("engine_rpm") })
	w.send(5*time.Second, 0x10, 0x03)
	w.send(5200*time.Millisecond, 0x27, 0x01)
	w.loop.At(5500*time.Millisecond, clock.PriorityTool, func() {
		var seed [4]byte
		_, err := fmt.Sscanf(w.heard[1], "67 01 %X %X %X %X", &seed[0], &seed[1], &seed[2], &seed[3])
		require.NoError(t, err, w.heard[1])
		key := server.SecurityKey(0x48E0C0DE, seed)
		require.NoError(t, w.tester.Send(append([]byte{0x27, 0x02}, key[:]...)))
	})
	w.send(6*time.Second, 0x31, 0x01, 0x02, 0x20)
	lamp := 0.0
	w.loop.At(5*time.Minute, clock.PriorityJudge, func() { lamp = w.truth("security_lamp") })
	w.drive(10*time.Minute+10*time.Second, "key", "off")
	w.drive(10*time.Minute+20*time.Second, "key", "on")
	w.drive(10*time.Minute+22*time.Second, "key", "start")
	w.drive(10*time.Minute+25*time.Second, "key", "on")
	w.run(10*time.Minute + 30*time.Second)
	assert.Zero(t, before, "locked: no crank")
	assert.EqualValues(t, 1, lamp, "the security lamp is lit during the wait")
	assert.Equal(t, "71 01 02 20 01", w.heard[3])
	assert.Greater(t, w.truth("engine_rpm"), 400.0)
	assert.Zero(t, w.truth("security_lamp"))
}

// Cylinder 3 kept shut at idle is missed by the engine; the fan turns on command and
// returns with the session.
func TestTheWholeCarObeysOutputs(t *testing.T) {
	w := newWhole(t, false)
	w.drive(0, "clutch", "100")
	w.drive(0, "key", "on")
	w.drive(1*time.Second, "key", "start")
	w.drive(4*time.Second, "key", "on")
	w.drive(6*time.Second, "clutch", "0")
	w.send(14*time.Second, 0x10, 0x03)
	w.send(14200*time.Millisecond, 0x2F, 0x04, 0x13, 0x03, 0x00)
	w.send(14400*time.Millisecond, 0x2F, 0x04, 0x00, 0x03, 0x01)
	var held, after bool
	var off uint16
	w.loop.At(16*time.Second, clock.PriorityJudge, func() { held, off = w.car.Actuators.Fan, w.car.Actuators.InjectorOff })
	w.loop.At(25*time.Second, clock.PriorityJudge, func() { after = w.car.Actuators.Fan })
	w.run(26 * time.Second)
	require.Equal(t, []string{"50 03 00 32 01 F4", "6F 04 13 03 00", "6F 04 00 03 01"}, w.heard)
	assert.True(t, held)
	assert.EqualValues(t, 1<<2, off)
	assert.False(t, after)
	assert.Zero(t, w.car.Actuators.InjectorOff)
}

// With no whole program the car does not start, and its lamp and pump are dark.
func TestTheWholeCarWithoutAProgram(t *testing.T) {
	w := newWhole(t, false)
	w.nv.Set("program_invalid", 1)
	w.drive(0, "clutch", "100")
	w.drive(0, "key", "on")
	w.drive(1*time.Second, "key", "start")
	w.send(3*time.Second, 0x22, 0xF1, 0x80)
	w.send(3200*time.Millisecond, 0x19, 0x02, 0xFF)
	w.run(4 * time.Second)
	assert.Less(t, w.truth("engine_rpm"), 1.0)
	assert.False(t, w.car.Actuators.FuelPump)
	require.Len(t, w.heard, 2)
	assert.Equal(t, "7F 19 11", w.heard[1])
}
