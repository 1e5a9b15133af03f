package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/chance"
	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/wire"
)

// network is the bench's buses as faults alter them (fault.Network).
type network struct {
	bench *Bench
	seed  chance.Seed
	own   func(string) bool
	// names are the bench's own nodes.
	names []string
	rules int // counts rules, so that equal ones have chance of their own
}

// outsiders is the sender's name that stands for whoever is not of the bench.
const outsiders = "tool"

// rule is the name by which a rule on a bus has its chance.
func (n *network) rule(bus int, name string) string {
	if bus == 0 {
		return fmt.Sprintf("rule %d %s", n.rules, name)
	}
	return fmt.Sprintf("rule %d bus %d %s", n.rules, bus, name)
}

// Alter implements fault.Network: a rule works on all buses. On a bridge it is done to
// what crosses, once, and not to what a node of this process sends on one of the buses
// before that.
func (n *network) Alter(r alter.Alteration) (func(), error) {
	n.rules++
	if n.bench.bridge != nil && r.Match.Sender == nil {
		r.Match.Sender = n.own
	}
	return n.onLines(func(i int, l *line) (func(), error) {
		return l.altered.Add(r, n.seed.For(n.rule(i, r.Name)))
	})
}

// onLines does something to all buses, or to none if one refuses.
func (n *network) onLines(do func(i int, l *line) (func(), error)) (func(), error) {
	var undo []func()
	all := func() {
		for _, fn := range undo {
			fn()
		}
	}
	for i, l := range n.bench.lines {
		fn, err := do(i, l)
		if err != nil {
			all()
			return nil, err
		}
		undo = append(undo, fn)
	}
	return all, nil
}

// last is the bus where a tool is: the only one, or the far one of a bridge.
func (n *network) last() *line { return n.bench.lines[len(n.bench.lines)-1] }

// Babble implements fault.Network: straight onto the last bus, as no rule is for a node
// that has none.
func (n *network) Babble(b alter.Babble) (func(), error) {
	l := n.last()
	if l.opened.Again == nil {
		return b.Start(n.bench.Loop, l.altered)
	}
	more, err := l.opened.Again()
	if err != nil {
		return nil, err
	}
	stop, err := b.Start(n.bench.Loop, more)
	if err != nil {
		return nil, errors.Join(err, more.Close())
	}
	return func() { stop(); _ = more.Close() }, nil
}

// Sender implements fault.Network.
func (n *network) Sender(name string) (func(string) bool, error) {
	names := slices.Clone(n.names)
	if !n.last().joined {
		names = append(names, outsiders)
	}
	switch {
	case !slices.Contains(names, name):
		last := len(names) - 1
		want := names[last]
		if last > 0 {
			want = strings.Join(names[:last], ", ") + " or " + want
		}
		return nil, fmt.Errorf("node %q: want %s", name, want)
	case name == outsiders:
		return func(sender string) bool { return !n.own(sender) }, nil
	}
	return func(sender string) bool { return sender == name }, nil
}

// FrameTime implements fault.Network.
func (n *network) FrameTime(f *canbus.Frame) time.Duration {
	l := n.last()
	if l.rate == 0 {
		return 0
	}
	return frameTime(f, l.rate, l.dataRate)
}

// frameTime is how long a frame and the gap behind it occupy a bus; rates in bit/s.
func frameTime(f *canbus.Frame, rate, dataRate int) time.Duration {
	nominal, data := wire.Bits(f)
	const intermission = 3 // bits, ISO 11898-1
	t := time.Duration(nominal+intermission) * time.Second / time.Duration(rate)
	if data > 0 {
		t += time.Duration(data) * time.Second / time.Duration(max(dataRate, rate))
	}
	return t
}

var errRealBus = errors.New("only an embedded bus (mem: or unix:) has copper that can be altered")

// BusOff implements fault.Network.
func (n *network) BusOff(node string) error {
	if n.bench.lines[0].wire == nil {
		return errRealBus
	}
	p, ok := n.bench.port(node)
	if !ok {
		return fmt.Errorf("node %q is not on the bus now", node)
	}
	p.ForceBusOff()
	return nil
}

// BitErrors implements fault.Network.
func (n *network) BitErrors(name string, m alter.Match, bit int) (func(), error) {
	if n.bench.lines[0].wire == nil {
		return nil, errRealBus
	}
	n.rules++
	return n.onLines(func(i int, l *line) (func(), error) {
		if l.wire == nil {
			return func() {}, nil
		}
		chosen, err := alter.NewChoice(m, n.seed.For(n.rule(i, name)))
		if err != nil {
			return nil, err
		}
		return l.wire.Disturb(func(t wire.Try) (wire.Hit, bool) {
			if !chosen.Wants(n.bench.Loop.Now(), t.Sender, t.Frame) {
				return wire.Hit{}, false
			}
			return wire.Hit{Bit: bit, Note: fmt.Sprintf("%s: bit %d inverted in try %d", name, bit, t.Attempt)}, true
		}), nil
	})
}
