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
	"sawhorse/canbus/bend"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
)

// Middle is the bench between two buses: a bridge whose frames can be spoilt, and
// no car.
type Middle struct {
	loop      *clock.Loop
	near, far *bend.Bus
	bridge    *bridge.Bridge
	seed      chance.Seed
	rules     int
	networks  networks
	faults    []*fault.Fault
}

// NewMiddle joins two buses. Faults are done to the frames that cross.
func NewMiddle(loop *clock.Loop, near, far canbus.Bus, seed chance.Seed) (*Middle, error) {
	m := &Middle{loop: loop, near: bend.Wrap(loop, near), far: bend.Wrap(loop, far), seed: seed}
	var err error
	m.bridge, err = bridge.Join(loop, m.near, m.far, bridge.Options{})
	return m, err
}

// Stats are what went from the near bus to the far one, and back.
func (m *Middle) Stats() (there, back bridge.Stats) { return m.bridge.Stats() }

// Tap adds a listener to both sides; the far bus's frames have 1 in Bus.
func (m *Middle) Tap(fn func(canbus.Sighting)) {
	m.near.Tap(fn)
	m.far.Tap(func(s canbus.Sighting) {
		f := *s.Frame
		f.Bus = 1
		s.Frame = &f
		fn(s)
	})
}

// Close takes the bridge off both buses.
func (m *Middle) Close() error { return m.bridge.Close() }

// Spoil implements fault.Network: a rule works on both sides.
func (m *Middle) Spoil(r bend.Rule) (func(), error) {
	m.rules++
	one, err := m.near.Add(r, m.seed.For(fmt.Sprintf("rule %d near %s", m.rules, r.Name)))
	if err != nil {
		return nil, err
	}
	two, err := m.far.Add(r, m.seed.For(fmt.Sprintf("rule %d far %s", m.rules, r.Name)))
	if err != nil {
		one()
		return nil, err
	}
	return func() { one(); two() }, nil
}

// Babble implements fault.Network: on the far bus, where the tool is.
func (m *Middle) Babble(b bend.Babble) (func(), error) { return b.Start(m.loop, m.far) }

// Sender implements fault.Network: near is what comes from the near bus.
func (m *Middle) Sender(name string) (func(string) bool, error) {
	if name != bridge.Near && name != bridge.Far {
		return nil, fmt.Errorf("node %q: want near (what comes from the near bus) or far", name)
	}
	return func(sender string) bool { return sender == name }, nil
}

// FrameTime implements fault.Network.
func (m *Middle) FrameTime(*canbus.Frame) time.Duration { return 0 }

// BusOff implements fault.Network.
func (m *Middle) BusOff(string) error { return errRealBus }

// BitErrors implements fault.Network.
func (m *Middle) BitErrors(string, bend.Match, int) (func(), error) { return nil, errRealBus }

func (m *Middle) target() *fault.Target {
	return &fault.Target{Network: m, Chance: m.seed.For, DBC: m.networks.load}
}

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

// Faults implements api.Desk: the faults that frames can have.
func (m *Middle) Faults() []api.FaultState {
	var list []api.FaultState
	for _, e := range fault.Catalogue() {
		if !e.OnFrames() {
			continue
		}
		s := api.FaultState{ID: e.ID, Title: e.Title}
		for _, f := range m.faults {
			if f.Entry() == e {
				s.On, s.Params = true, f.Params()
			}
		}
		list = append(list, s)
	}
	return list
}

// SetFault implements api.Desk.
func (m *Middle) SetFault(id string, on bool, params map[string]any) error {
	i := slices.IndexFunc(fault.Catalogue(), func(e *fault.Entry) bool { return e.ID == id && e.OnFrames() })
	if i < 0 {
		var known []string
		for _, s := range m.Faults() {
			known = append(known, s.ID)
		}
		return fmt.Errorf("fault %q: %w between two buses; want %s", id, api.ErrUnknown, strings.Join(known, ", "))
	}
	var next *fault.Fault
	if on {
		var err error
		if next, err = fault.New(id, params); err != nil {
			return err
		}
		if err := next.Check(m.target()); err != nil {
			return err
		}
	}
	m.faults = slices.DeleteFunc(m.faults, func(f *fault.Fault) bool {
		if f.Entry().ID != id {
			return false
		}
		f.Off()
		return true
	})
	if next == nil {
		return nil
	}
	m.faults = append(m.faults, next)
	return next.On(m.target())
}
