package dbc

import (
	"slices"

	"sawhorse/canbus"
)

// finish does what needs the whole file: references, multiplexing, attributes, codecs.
func (p *parser) finish() {
	p.failed = false
	if len(p.seen) == 0 && len(p.errors) == 0 {
		p.refuse(0, "no statement in the file, want one such as VERSION or BO_")
	}
	for _, k := range []string{"VERSION", "NS_", "BS_", "BU_"} {
		if !p.seen[k] {
			p.warn(0, "no %s in the file", k)
		}
	}
	for _, do := range p.later {
		do()
	}
	if len(p.errors) > 0 { // what failed may be what the rest misses
		return
	}
	for _, m := range p.net.Messages {
		p.resolveMux(m)
	}
	p.useAttributes()
	if len(p.errors) > 0 {
		return
	}
	whole := p.net.Messages[:0:0]
	for _, m := range p.net.Messages {
		p.leaveOut(m)
		p.overlaps(m)
		codec, err := Compile(m)
		if err != nil {
			p.refuse(p.messageAt[m], "%s", err)
			continue
		}
		m.codec, m.names = codec, newNames(m.Signals)
		whole = append(whole, m)
	}
	if len(whole) < len(p.net.Messages) {
		p.keep(whole)
	}
	if p.usable && len(whole) == 0 && len(p.warnings) > 0 {
		p.usable = false
		p.refuse(0, "no message in the file that can be used; %s", p.warnings[len(p.warnings)-1].What)
	}
}

// leaveOut takes out of a message the signals whose meaning is not clear, and those that
// they switch.
func (p *parser) leaveOut(m *Message) {
	for n := -1; n != len(m.Signals); {
		n = len(m.Signals)
		m.Signals = slices.DeleteFunc(m.Signals, func(s *Signal) bool {
			if s.Under != nil && p.unclear[s.Under] {
				p.unclear[s] = true
			}
			return p.unclear[s]
		})
	}
}

// keep has the network hold these messages only.
func (p *parser) keep(whole []*Message) {
	p.net.Messages = whole
	p.net.byKey, p.net.byName, p.net.std = map[canbus.Key]*Message{}, map[string]*Message{}, [canbus.MaxStandardID + 1]uint16{}
	for i, m := range whole {
		p.net.byKey[m.Key] = m
		if p.net.byName[m.Name] == nil {
			p.net.byName[m.Name] = m
		}
		if !m.Key.Extended() {
			p.net.std[m.Key] = uint16(i + 1)
		}
	}
}

// bitmap marks bits of a payload in the order of bytes.
type bitmap [8]uint64

// bit is the place of the i-th bit of a signal in the payload's numbering.
func (s *Signal) bit(i int) int {
	n := s.first() + i
	if s.BigEndian {
		return n/8*8 + 7 - n%8
	}
	return n
}

// overlaps warns of signals that share bits in one frame. Multiplexed signals are
// compared with those that are always there and with those of their first selector.
func (p *parser) overlaps(m *Message) {
	type group struct {
		under *Signal
		low   uint64
	}
	taken := map[group]*bitmap{{}: {}}
	for _, always := range []bool{true, false} {
		for _, s := range m.Signals {
			if (s.Under == nil) != always {
				continue
			}
			g := group{}
			if !always && len(s.Selectors) > 0 {
				g = group{s.Under, s.Selectors[0].Low}
			}
			if taken[g] == nil {
				taken[g] = &bitmap{}
			}
			shared := false
			for i := range s.Length {
				b := s.bit(i)
				word, mask := b/64, uint64(1)<<(b%64)
				shared = shared || (taken[g][word]|taken[group{}][word])&mask != 0
				taken[g][word] |= mask
			}
			if shared {
				p.warn(p.signalAt[s], "signal %s shares bits with another one", s.Name)
			}
		}
	}
}
