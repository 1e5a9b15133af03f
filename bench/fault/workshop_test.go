package fault_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	ecu "sawhorse/bench/ecu/unit"
	"sawhorse/bench/fault"
	"sawhorse/bench/signal"
)

// plug is a tool's cable that remembers where it is.
type plug struct{ out bool }

func (p *plug) Pull()    { p.out = true }
func (p *plug) PutBack() { p.out = false }

// unit is one ECU of the workshop: program, code memory, learned values.
type unit struct {
	spec     *spec.Unit
	mem      *dtc.Memory
	nv       *nv.Memory
	readings *signal.Table
	step     func(now time.Duration)
	on       bool

	powered, key, kmh, runs, coolant, pedal, ambient, baro func() float64
}

// bind finds the readings that the memory needs once.
func (u *unit) bind() {
	get := func(name string) func() float64 {
		r, ok := u.readings.Lookup(name)
		if !ok {
			return func() float64 { return 0 }
		}
		return func() float64 { return u.readings.Get(r) }
	}
	u.powered, u.key, u.kmh, u.runs = get("powered"), get("key"), get("vehicle_kmh"), get("engine_running")
	u.coolant, u.pedal = get("coolant_c"), get("pedal_pct")
	u.ambient, u.baro = get("ambient_c"), get("baro_kpa")
	if _, ok := u.readings.Lookup("baro_kpa"); !ok {
		u.baro = func() float64 { return 101 } // it has no reading of the outside
	}
}

// workshop is a car with its ECUs, driven through whole cycles.
type workshop struct {
	t     testing.TB
	car   *car.Car
	units []*unit
	cable plug
	line  func() // carries what the ECUs tell each other
	now   time.Duration
	watch func()
	ran   bool // the engine, in the drive

	running signal.Ref
}

func newWorkshop(t testing.TB) *workshop {
	t.Helper()
	return newWorkshopWith(t, car.Default)
}

// home is a workshop with the first car, by default the Petrel, that has all that a
// fault needs.
func home(t testing.TB, e *fault.Entry) *workshop {
	t.Helper()
	var why error
	for _, name := range []string{car.Default, "auklet-18"} {
		w := newWorkshopWith(t, name)
		f, err := fault.New(e.ID, nil)
		require.NoError(t, err)
		if why = f.Check(w.target()); why == nil {
			return w
		}
	}
	require.NoError(t, why, "no car has what the fault needs")
	return nil
}

func newWorkshopWith(t testing.TB, name string) *workshop {
	t.Helper()
	spec, err := car.BuiltIn(name)
	require.NoError(t, err)
	specs, err := ecu.Specs(spec)
	require.NoError(t, err)
	w := &workshop{t: t, car: car.New(spec, chance.Seed(1)), watch: func() {}}
	for _, s := range specs {
		w.units = append(w.units, &unit{spec: s, mem: dtc.New(s), nv: nv.New(s, nil)})
	}
	w.learn()
	of := func(name string) (*unit, *dtc.Memory, *nv.Memory) {
		u := w.unit(name)
		require.NotNil(t, u)
		return u, u.mem, u.nv
	}
	u, mem, nv := of("engine")
	engine, err := app.NewEngine(w.car, mem, nv)
	require.NoError(t, err)
	u.readings, u.step = engine.Readings(), engine.Step
	u, mem, nv = of("brake")
	brake, err := app.NewBrake(w.car, mem, nv)
	require.NoError(t, err)
	u.readings, u.step = brake.Readings(), brake.Step
	u, mem, nv = of("body")
	body, err := app.NewBody(w.car, mem, nv)
	require.NoError(t, err)
	u.readings, u.step = body.Readings(), body.Step
	var gearbox *app.Gearbox
	if spec.Automatic() {
		u, mem, nv = of("gearbox")
		gearbox, err = app.NewGearbox(w.car, mem, nv)
		require.NoError(t, err)
		u.readings, u.step = gearbox.Readings(), gearbox.Step
	}
	if w.unit("gateway") != nil {
		u, mem, nv = of("gateway")
		between, err := app.NewGateway(w.car, mem, nv)
		require.NoError(t, err)
		u.readings, u.step = between.Readings(), between.Step
	}
	if w.unit("cluster") != nil {
		u, mem, nv = of("cluster")
		shows, err := app.NewCluster(w.car, mem, nv)
		require.NoError(t, err)
		u.readings, u.step = shows.Readings(), shows.Step
	}
	w.line = app.Line(engine, brake, body, gearbox)
	for _, u := range w.units {
		u.bind()
	}
	var ok bool
	w.running, ok = w.car.Truth.Lookup("engine_running")
	require.True(t, ok)
	return w
}

func (w *workshop) unit(name string) *unit {
	for _, u := range w.units {
		if u.spec.Name == name {
			return u
		}
	}
	return nil
}

// learn puts back what a finished car has learned, as the routines leave it.
func (w *workshop) learn() {
	spec := w.car.Spec()
	learned, err := app.LearnedValues(spec)
	require.NoError(w.t, err)
	for _, l := range learned {
		w.unit(l.ECU).nv.Set(l.Value, l.Number)
	}
	for _, u := range w.units {
		for name, v := range u.spec.IdentityOf(&spec.Identity) {
			u.nv.SetText(name, v)
		}
	}
}

func (w *workshop) target() *fault.Target {
	return &fault.Target{Car: w.car, Cable: &w.cable, NV: func(name string) (fault.Memory, bool) {
		if u := w.unit(name); u != nil {
			return u.nv, true
		}
		return nil, false
	}}
}

// run lets time pass. An ECU's operation cycle is from key on to key off; what the
// memory must know of the car it takes from its ECU's readings, as the ECU does.
func (w *workshop) run(d time.Duration) {
	for end := w.now + d; w.now < end; {
		w.car.Step(car.StepTime)
		w.now += car.StepTime
		for _, u := range w.units {
			u.step(w.now)
			u.cycle(w.now)
		}
		w.line()
		w.watch()
		w.ran = w.ran || w.car.Truth.Is(w.running)
	}
}

func (u *unit) cycle(now time.Duration) {
	on := u.powered() == 1 && u.key() >= 2
	if on != u.on {
		u.on = on
		if on {
			u.mem.BeginCycle()
		} else {
			u.mem.EndCycle()
		}
	}
	if !on || now%(20*time.Millisecond) != 0 {
		return
	}
	kmh := u.kmh()
	v := dtc.Vehicle{Kmh: kmh, Running: u.runs() == 1, CoolantC: u.coolant()}
	v.AmbientC, v.BaroKPa = u.ambient(), u.baro()
	if u.spec.Name == "gearbox" {
		v.AmbientC, v.BaroKPa = 15, 101 // it has no reading of the outside
	}
	if u.spec.Name == "brake" {
		v.Running = kmh > 5
	}
	v.Idle = v.Running && kmh < 1.6 && u.pedal() < 3
	u.mem.Observe(now, v)
}

// meter measures a symptom.
type meter struct {
	get         func() float64
	n           int
	sum, lo, hi float64
}

func (w *workshop) meter(s *fault.Symptom) *meter {
	table := w.car.Truth
	if s.Of != "car" {
		table = w.unit(s.Of).readings
	}
	ref, ok := table.Lookup(s.Signal)
	require.True(w.t, ok, "no signal %s of %s", s.Signal, s.Of)
	return &meter{get: func() float64 { return table.Get(ref) }, lo: math.Inf(1), hi: math.Inf(-1)}
}

func (m *meter) see() {
	v := m.get()
	m.n, m.sum, m.lo, m.hi = m.n+1, m.sum+v, min(m.lo, v), max(m.hi, v)
}

func (m *meter) value(is string) float64 {
	switch is {
	case "lowest":
		return m.lo
	case "highest":
		return m.hi
	case "spread":
		return m.hi - m.lo
	}
	return m.sum / float64(m.n)
}

// drive takes the car through one drive and measures a symptom, if there is one.
func (w *workshop) drive(d *fault.Drive, s *fault.Symptom) float64 {
	w.t.Helper()
	if s == nil {
		w.measure(d)
		return 0
	}
	return w.measure(d, s)[0]
}

// measure drives and measures several symptoms at once.
func (w *workshop) measure(d *fault.Drive, symptoms ...*fault.Symptom) []float64 {
	w.t.Helper()
	meters := make([]*meter, len(symptoms))
	for i, s := range symptoms {
		meters[i] = w.meter(s)
	}
	if d.CoolantC != nil {
		w.car.Soak(*d.AmbientC, *d.CoolantC)
	}
	w.ran = false
	for i := range d.Steps {
		leg := &d.Steps[i]
		require.NoError(w.t, leg.Do(w.car))
		var now []*meter
		for j, s := range symptoms {
			if leg.Where == s.Where {
				now = append(now, meters[j])
			}
		}
		w.watch = func() {
			for _, m := range now {
				m.see()
			}
		}
		w.run(leg.Takes())
	}
	w.watch = func() {}
	values := make([]float64, len(symptoms))
	for i, s := range symptoms {
		require.NotZero(w.t, meters[i].n, "no part %q of the drive %s", s.Where, d.Name)
		values[i] = meters[i].value(s.Is)
	}
	return values
}

// Bits of the status byte, ISO 14229-1 annex D.
const (
	pendingBit   = 0x04
	confirmedBit = 0x08
)

// codes are the codes with a bit set, over all ECUs, each once.
func (w *workshop) codes(bit byte) []string {
	var list []string
	for _, u := range w.units {
		for i := range u.spec.Codes {
			c := u.spec.Codes[i].Code
			if u.mem.Status(i)&bit != 0 && !slices.Contains(list, c) {
				list = append(list, c)
			}
		}
	}
	return list
}

// trips is how many driving cycles a code needs: the least of the ECUs that know it.
func (w *workshop) trips(code string) int {
	least := 99
	for _, u := range w.units {
		if i, ok := u.spec.Code(code); ok {
			least = min(least, max(u.spec.Codes[i].Trips, 1))
		}
	}
	return least
}

func (w *workshop) permanent() bool {
	for _, u := range w.units {
		if len(u.mem.Permanent(nil)) > 0 {
			return true
		}
	}
	return false
}

func (w *workshop) clear() {
	for _, u := range w.units {
		require.True(w.t, u.mem.Clear(0xFFFFFF))
	}
}
