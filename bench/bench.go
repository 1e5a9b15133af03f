package bench

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/gateway"
	"sawhorse/bench/judge"
	"sawhorse/bench/metrics"
	"sawhorse/canbus"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

// Settings say what a bench is made of. The zero value is a bare embedded bus in
// virtual time.
type Settings struct {
	// Car is the name of a car, "" for none.
	Car string
	// Seed is the root of all chance.
	Seed chance.Seed
	// Wall runs in wall time; else time jumps.
	Wall bool
	// Buses are those that the bench is on; none stands for an embedded one. A car
	// stands on one, and brings those behind its gateways itself.
	Buses []Bus
	// Bridge joins two buses, so that faults can be put in between; no car then.
	Bridge bool
	// Arm names the physical interfaces that may be sent on.
	Arm []string
	// Networks is the folder in which relative names of .dbc files begin, "" for
	// the present one.
	Networks string
	// Metrics and Log may be nil.
	Metrics *metrics.Set
	Log     *slog.Logger
}

// Bench is one or more buses, with a car on them or none, in one loop. What is
// attached to it (Hand, Script, Judge, Trace, Record, Capture, Play) works in any
// combination. All methods belong to the loop: call them from it, or while it does
// not run. Benches share nothing, so that a process may have many.
type Bench struct {
	Loop *clock.Loop
	// Bus is the first bus, the one at the diagnostic connector, as faults alter it.
	Bus canbus.Bus
	// Car is nil without one.
	Car     *car.Car
	Metrics *metrics.Set
	Log     *slog.Logger

	lines    []*line     // the buses that the bench was asked to be on
	far      []*wire.Bus // the car's other buses, always embedded
	units    []*unit
	gateways []*gateway.Gateway
	bridge   *bridge.Bridge
	network  *network
	networks networks
	faults   *faultBoard
	seed     chance.Seed
	// addresses are where the ECUs are spoken to.
	addresses []address
	cable     *cable // nil unless the first bus is embedded

	watch     *watch
	observers []func(*judge.Observation)
	samples   []func(now time.Duration)
	recorders recorders

	stops stops
	gone  []string
	// unread counts the frames that clients have lost as they did not read in time.
	unread map[string]int
	err    error
	// each is called after every step of the car.
	each []func(now time.Duration)
}

// New makes a bench; its car has the key off. Close it. The error is a usage error,
// or that of a bus which could not be opened.
func New(s Settings) (_ *Bench, err error) {
	b := &Bench{Log: s.Log, Metrics: s.Metrics, seed: s.Seed}
	if b.Log == nil {
		b.Log = slog.New(slog.DiscardHandler)
	}
	if b.Metrics == nil {
		b.Metrics = metrics.New()
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.Close())
		}
	}()
	if err := s.check(); err != nil {
		return nil, err
	}
	if b.Loop, err = newLoop(s.Wall); err != nil {
		return nil, err
	}
	var kit *kit
	if s.Car != "" {
		if kit, err = newKit(s.Car, s.Seed); err != nil {
			return nil, err
		}
		b.Car = kit.car
	}
	names := nodeNames(kit, s.Bridge)
	own := ownNodes(names...)
	if err := b.openLines(s, kit, own); err != nil {
		return nil, err
	}
	b.networks = networks{folder: s.Networks}
	b.network = &network{bench: b, seed: s.Seed, own: own, names: names}
	if kit != nil {
		b.networks.own, b.addresses = kit.bus().Network(), kit.addresses()
	}
	b.watch = newWatch(b.addresses, b.Metrics, own)
	b.watch.observe = b.Observe
	b.tapLines()
	if kit != nil {
		if err := b.stand(kit); err != nil {
			return nil, err
		}
	}
	if s.Bridge {
		if b.bridge, err = bridge.Join(b.Loop, b.lines[0].altered, b.lines[1].altered, bridge.Options{}); err != nil {
			return nil, err
		}
		b.OnClose("bridge", quick, b.bridge.Close)
	}
	b.faults = newFaultBoard(b)
	b.startClock()
	return b, nil
}

// check finds what does not go together.
func (s *Settings) check() error {
	switch n := len(s.Buses); {
	case s.Bridge && s.Car != "":
		return fmt.Errorf("car %s: want none on a bridge, which has two buses and nothing more", s.Car)
	case s.Bridge && n != 2:
		return fmt.Errorf("a bridge of %d buses, want two", n)
	case s.Car != "" && n > 1:
		return fmt.Errorf("car %s on %d buses, want one: those behind its gateways it brings itself", s.Car, n)
	case s.Car != "" && n == 1 && s.Buses[0].Join:
		return fmt.Errorf("car %s on the bus %s of somebody else: there is place for one node", s.Car, s.Buses[0].URL)
	}
	return nil
}

func newLoop(wall bool) (*clock.Loop, error) {
	if !wall {
		return clock.NewVirtual(), nil
	}
	return clock.NewWall()
}

// Run runs the loop until a time, until it is stopped, or until ctx ends. The error is
// what Fail was told first, or the loop's. Call it once.
func (b *Bench) Run(ctx context.Context, until time.Duration) error {
	if b.err != nil {
		return b.err
	}
	err := b.Loop.Run(ctx, until)
	if b.err != nil {
		return b.err
	}
	return err
}

// Fail ends the run for a fault of the bench itself; nil is none. The first counts.
func (b *Bench) Fail(err error) {
	if err != nil && b.err == nil {
		b.err = err
		b.Loop.Stop()
	}
}

// Err is the first that Fail was told; nil if nothing has failed.
func (b *Bench) Err() error { return b.err }

// Gone are the buses, by URL, that were somebody else's and have ended.
func (b *Bench) Gone() []string { return b.gone }

// Frames is how many frames have gone by so far on the bench's first bus, and on the
// others while they are recorded; observations are numbered so.
func (b *Bench) Frames() int { return b.watch.count }

// Observe hands an observation to all that is attached. Whoever makes something happen
// on a bench tells it so.
func (b *Bench) Observe(o *judge.Observation) {
	for _, fn := range b.observers {
		fn(o)
	}
}

// OnObservation has fn called with every observation, in the order of attaching.
func (b *Bench) OnObservation(fn func(*judge.Observation)) { b.observers = append(b.observers, fn) }

// sampleStep is how often conditions on signals are looked at.
const sampleStep = 20 * time.Millisecond

// OnSample has fn called every 20 ms, after all else of that moment, in the order of
// attaching.
func (b *Bench) OnSample(fn func(now time.Duration)) {
	b.samples = append(b.samples, fn)
	if len(b.samples) > 1 {
		return
	}
	next := b.Loop.Now() + sampleStep
	var t *clock.Timer
	t = b.Loop.NewTimer(clock.PriorityJudge, func() {
		for _, fn := range b.samples {
			fn(b.Loop.Now())
		}
		next += sampleStep
		t.Set(next)
	})
	t.Set(next)
}

// Saw makes an observation of this moment.
func (b *Bench) Saw(kind judge.Kind) judge.Observation { return judge.Saw(kind, b.Loop.Now()) }

// loadStep is how often the bus load is published.
const loadStep = 100 * time.Millisecond

// rest is how long in wall time a car may be left alone whose buses sleep: nobody looks
// at it before then but in an event of its own, which has it caught up first.
const rest = 4 * car.StepTime

// startClock sets the car going.
func (b *Bench) startClock() {
	if b.Car != nil {
		var step *clock.Timer
		next := car.StepTime
		step = b.Loop.NewTimer(clock.PriorityCar, func() {
			b.step()
			next += car.StepTime
			step.Set(next)
		})
		step.SetSlack(rest)
		step.Set(next)
	}
	if b.lines[0].wire == nil {
		return
	}
	var load *clock.Timer
	load = b.Loop.NewTimer(clock.PriorityJudge, func() {
		b.Metrics.Load(b.BusLoad())
		load.Set(b.Loop.Now() + loadStep)
	})
	load.SetSlack(rest)
	load.Set(b.Loop.Now() + loadStep)
}

// step is one step of the car and its units.
func (b *Bench) step() {
	now := b.Loop.Now()
	b.Car.Step(car.StepTime)
	for _, u := range b.units {
		u.program.Step(now)
		u.module.Step(now)
	}
	for _, fn := range b.each {
		fn(now)
	}
}
