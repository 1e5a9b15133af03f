package bench

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/api"
	"sawhorse/bench/chance"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/scenarios"
)

// Lanes are buses whose frames can be altered, with no car of ours behind: the two of
// a bridge, or the one that a recording is played on. All methods belong to the loop.
type Lanes struct {
	// BitRate is that of the last bus in bit/s, 0 if it is not known: faults that
	// load it need it.
	BitRate int
	// Another, if set, opens the last bus once more: a connection to another
	// process's bus has place for one node, and a fault may bring a second.
	Another func() (canbus.Bus, func(), error)

	loop     *clock.Loop
	buses    []*alter.Bus
	senders  []string
	seed     chance.Seed
	rules    int
	networks networks
	faults   []*fault.Fault
	times    times
	err      error
}

func newLanes(loop *clock.Loop, seed chance.Seed, senders []string, buses ...canbus.Bus) *Lanes {
	l := &Lanes{loop: loop, senders: senders, seed: seed}
	for _, b := range buses {
		l.buses = append(l.buses, alter.Wrap(loop, b))
	}
	l.times = times{loop: loop, seed: seed, fail: l.fail}
	return l
}

// NewLane is the bus that a recording is played on; what a replay attached to Bus
// sends is altered.
func NewLane(loop *clock.Loop, bus canbus.Bus, seed chance.Seed) *Lanes {
	return newLanes(loop, seed, []string{replay.NodeName}, bus)
}

// Bus is the first bus, as faults alter it.
func (l *Lanes) Bus() canbus.Bus { return l.buses[0] }

// Err is the first mistake that showed when a fault came.
func (l *Lanes) Err() error { return l.err }

func (l *Lanes) fail(err error) {
	if err != nil && l.err == nil {
		l.err = err
		l.loop.Stop()
	}
}

// Altered counts what the faults did to frames, over all buses.
func (l *Lanes) Altered() alter.Stats {
	var sum alter.Stats
	for _, b := range l.buses {
		s := b.Stats()
		sum.Touched += s.Touched
		sum.Dropped += s.Dropped
		sum.Lost += s.Lost
		sum.Held += s.Held
	}
	return sum
}

// drainFor bounds how long frames that were held back may take to leave.
const drainFor = time.Second

// Drain ends all faults and calls done when the frames that they held back have
// left, or after a second at which a bus has not taken them.
func (l *Lanes) Drain(done func()) {
	for _, f := range l.faults {
		f.Off()
	}
	until := l.loop.Now() + drainFor
	var look *clock.Timer
	look = l.loop.NewTimer(clock.PriorityJudge, func() {
		if l.Altered().Held == 0 || l.loop.Now() >= until {
			done()
			return
		}
		look.Set(l.loop.Now() + time.Millisecond)
	})
	look.Set(l.loop.Now())
}

// Tap adds a listener to all buses; frames of the second have 1 in Bus.
func (l *Lanes) Tap(fn func(canbus.Sighting)) {
	for i, b := range l.buses {
		if i == 0 {
			b.Tap(fn)
			continue
		}
		b.Tap(func(s canbus.Sighting) {
			f := *s.Frame
			f.Bus = uint8(i)
			s.Frame = &f
			fn(s)
		})
	}
}

// Schedule has the faults come and go at their moments, counted from the loop's
// start. Relative names of .dbc files begin in folder.
func (l *Lanes) Schedule(list []scenarios.Fault, folder string) error {
	if len(list) == 0 {
		return nil
	}
	l.networks = networks{folder: folder}
	for i := range list {
		f := &list[i]
		if _, err := l.entry(f.Fault); err != nil {
			return err
		}
		x, err := fault.New(f.Fault, f.Params)
		if err != nil {
			return err
		}
		if err := x.Check(l.target()); err != nil {
			return err
		}
		l.faults = append(l.faults, x)
		l.times.add(f, func(on bool) error {
			if !on {
				x.Off()
				return nil
			}
			return x.On(l.target())
		})
	}
	return nil
}

// Alter implements fault.Network: a rule works on all buses.
func (l *Lanes) Alter(r alter.Alteration) (func(), error) {
	l.rules++
	var undo []func()
	all := func() {
		for _, fn := range undo {
			fn()
		}
	}
	for i, b := range l.buses {
		fn, err := b.Add(r, l.seed.For(fmt.Sprintf("rule %d bus %d %s", l.rules, i, r.Name)))
		if err != nil {
			all()
			return nil, err
		}
		undo = append(undo, fn)
	}
	return all, nil
}

// Babble implements fault.Network: on the last bus, where the tool is.
func (l *Lanes) Babble(b alter.Babble) (func(), error) {
	if l.Another == nil {
		return b.Start(l.loop, l.buses[len(l.buses)-1])
	}
	bus, hangUp, err := l.Another()
	if err != nil {
		return nil, err
	}
	stop, err := b.Start(l.loop, bus)
	if err != nil {
		hangUp()
		return nil, err
	}
	return func() { stop(); hangUp() }, nil
}

// Sender implements fault.Network.
func (l *Lanes) Sender(name string) (func(string) bool, error) {
	if !slices.Contains(l.senders, name) {
		return nil, fmt.Errorf("node %q: want %s", name, strings.Join(l.senders, " or "))
	}
	return func(sender string) bool { return sender == name }, nil
}

// FrameTime implements fault.Network.
func (l *Lanes) FrameTime(f *canbus.Frame) time.Duration {
	if l.BitRate == 0 {
		return 0
	}
	return frameTime(f, l.BitRate, l.BitRate)
}

// BusOff implements fault.Network.
func (l *Lanes) BusOff(string) error { return errRealBus }

// BitErrors implements fault.Network.
func (l *Lanes) BitErrors(string, alter.Match, int) (func(), error) { return nil, errRealBus }

func (l *Lanes) target() *fault.Target {
	return &fault.Target{Network: l, Chance: l.seed.For, DBC: l.networks.load}
}

// FrameFaults are the faults of the catalogue that frames can have where no car of
// ours is.
func FrameFaults() []scenarios.FaultKind {
	return faultKinds((*fault.Entry).OnFrames)
}

func (l *Lanes) entry(id string) (*fault.Entry, error) {
	var known []string
	for _, e := range fault.Catalogue() {
		if !e.OnFrames() {
			continue
		}
		if e.ID == id {
			return e, nil
		}
		known = append(known, e.ID)
	}
	return nil, fmt.Errorf("fault %q: %w where no car of ours is; want %s", id, api.ErrUnknown, strings.Join(known, ", "))
}

// Faults implements api.Desk: the faults that frames can have.
func (l *Lanes) Faults() []api.FaultState {
	var list []api.FaultState
	for _, e := range fault.Catalogue() {
		if !e.OnFrames() {
			continue
		}
		s := api.FaultState{ID: e.ID, Title: e.Title}
		for _, f := range l.faults {
			if f.Entry() == e && f.Active() {
				s.On, s.Params = true, f.Params()
			}
		}
		list = append(list, s)
	}
	return list
}

// SetFault implements api.Desk.
func (l *Lanes) SetFault(id string, on bool, params map[string]any) error {
	if _, err := l.entry(id); err != nil {
		return err
	}
	var next *fault.Fault
	if on {
		var err error
		if next, err = fault.New(id, params); err != nil {
			return err
		}
		if err := next.Check(l.target()); err != nil {
			return err
		}
	}
	l.faults = slices.DeleteFunc(l.faults, func(f *fault.Fault) bool {
		if f.Entry().ID != id {
			return false
		}
		f.Off()
		return true
	})
	if next == nil {
		return nil
	}
	l.faults = append(l.faults, next)
	return next.On(l.target())
}

// Middle is the bench between two buses: a bridge whose frames can be altered, and
// no car.
type Middle struct {
	*Lanes
	bridge *bridge.Bridge
}

// NewMiddle joins two buses. Faults are done to the frames that cross.
func NewMiddle(loop *clock.Loop, near, far canbus.Bus, seed chance.Seed) (*Middle, error) {
	m := &Middle{Lanes: newLanes(loop, seed, []string{bridge.Near, bridge.Far}, near, far)}
	var err error
	m.bridge, err = bridge.Join(loop, m.buses[0], m.buses[1], bridge.Options{})
	return m, err
}

// Stats are what went from the near bus to the far one, and back.
func (m *Middle) Stats() (there, back bridge.Stats) { return m.bridge.Stats() }

// Close takes the bridge off both buses.
func (m *Middle) Close() error { return m.bridge.Close() }

// Car implements api.Desk: there is no car, the numbers are the bridge's.
func (m *Middle) Car() (time.Duration, map[string]any) {
	there, back := m.Stats()
	return m.loop.Now(), map[string]any{
		"passed_near_to_far": there.Passed, "passed_far_to_near": back.Passed,
		"lost_near_to_far": there.Lost, "lost_far_to_near": back.Lost,
		"added_p50_s": there.P50.Seconds(), "added_p99_s": there.P99.Seconds(),
	}
}

// Drive implements api.Desk.
func (m *Middle) Drive(map[string]any) error {
	return fmt.Errorf("there is no car here, only two buses")
}
