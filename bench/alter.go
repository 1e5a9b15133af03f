package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/chance"
	"sawhorse/bench/ecu"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/wire"
)

// alteration is the bus as faults alter it (fault.Network).
type alteration struct {
	rig  *Rig
	seed chance.Seed
	own  func(string) bool
	// names are the bench's own nodes.
	names []string
	rules int // counts rules, so that equal ones have chance of their own
}

// outsiders is the sender's name that stands for whoever is not of the bench.
const outsiders = "tool"

// Alter implements fault.Network.
func (s *alteration) Alter(r alter.Alteration) (func(), error) {
	s.rules++
	return s.rig.altered.Add(r, s.seed.For(fmt.Sprintf("rule %d %s", s.rules, r.Name)))
}

// Babble implements fault.Network.
func (s *alteration) Babble(b alter.Babble) (func(), error) {
	// Straight onto the bus behind: no rule is for a node that has none.
	return b.Start(s.rig.Loop, s.rig.altered)
}

// Sender implements fault.Network.
func (s *alteration) Sender(name string) (func(string) bool, error) {
	switch {
	case name == outsiders:
		return func(sender string) bool { return !s.own(sender) }, nil
	case slices.Contains(s.names, name):
		return func(sender string) bool { return sender == name }, nil
	}
	return nil, fmt.Errorf("node %q: want %s or %s", name, strings.Join(s.names, ", "), outsiders)
}

// FrameTime implements fault.Network.
func (s *alteration) FrameTime(f *canbus.Frame) time.Duration {
	if s.rig.wire == nil {
		return 0
	}
	cfg := s.rig.wire.Config()
	return frameTime(f, cfg.BitRate, cfg.DataBitRate)
}

// frameTime is how long a frame and the gap behind it occupy a bus; rates in bit/s.
func frameTime(f *canbus.Frame, rate, dataRate int) time.Duration {
	nominal, data := wire.Bits(f)
	const intermission = 3 // bits, ISO 11898-1
	t := time.Duration(nominal+intermission) * time.Second / time.Duration(rate)
	if data > 0 {
		t += time.Duration(data) * time.Second / time.Duration(dataRate)
	}
	return t
}

var errRealBus = errors.New("only an embedded bus (mem: or unix:) has copper that can be altered")

// BusOff implements fault.Network.
func (s *alteration) BusOff(node string) error {
	if s.rig.wire == nil {
		return errRealBus
	}
	p, ok := s.rig.port(node)
	if !ok {
		return fmt.Errorf("node %q is not on the bus now", node)
	}
	p.ForceBusOff()
	return nil
}

// BitErrors implements fault.Network.
func (s *alteration) BitErrors(name string, m alter.Match, bit int) (func(), error) {
	if s.rig.wire == nil {
		return nil, errRealBus
	}
	s.rules++
	chosen, err := alter.NewChoice(m, s.seed.For(fmt.Sprintf("rule %d %s", s.rules, name)))
	if err != nil {
		return nil, err
	}
	return s.rig.wire.Disturb(func(t wire.Try) (wire.Hit, bool) {
		if !chosen.Wants(s.rig.Loop.Now(), t.Sender, t.Frame) {
			return wire.Hit{}, false
		}
		return wire.Hit{Bit: bit, Note: fmt.Sprintf("%s: bit %d inverted in try %d", name, bit, t.Attempt)}, true
	}), nil
}

// units finds ECUs for faults of their answers (fault.Target).
func (s *alteration) units(name string) ([]fault.Unit, error) {
	var list []fault.Unit
	var names []string
	for _, u := range s.rig.units {
		names = append(names, u.module.Name())
		if name == "" || u.module.Name() == name {
			list = append(list, alteredUnit{u.module})
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("ECU %q: want %s", name, strings.Join(names, ", "))
	}
	return list, nil
}

// alteredUnit is an ECU whose answers faults alter (fault.Unit).
type alteredUnit struct{ *ecu.Module }

// Alter implements fault.Unit.
func (u alteredUnit) Alter(fn func(now time.Duration, answer []byte) ([]fault.Late, bool)) func() {
	return u.AlterAnswers(func(now time.Duration, answer []byte) ([]ecu.Answer, bool) {
		late, ok := fn(now, answer)
		var out []ecu.Answer
		for _, l := range late {
			out = append(out, ecu.Answer{Data: l.Data, Wait: l.Wait})
		}
		return out, ok
	})
}
