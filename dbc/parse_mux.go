package dbc

import (
	"regexp"
	"strconv"
)

// muxMark is what stands between a signal's name and its colon: M for a switch, m and a
// value for a signal that the value selects, both for a switch that is selected itself.
type muxMark struct {
	isSwitch, selected bool
	value              uint64
}

// selection is what SG_MUL_VAL_ says of a signal.
type selection struct {
	by     string
	ranges []Range
	at     int
}

var muxWord = regexp.MustCompile(`^m([0-9]+)(M?)$`)

func (p *parser) mark() muxMark {
	if p.failed || p.next() == ':' {
		return muxMark{}
	}
	word, at := p.word(numberStops)
	if word == "M" {
		return muxMark{isSwitch: true}
	}
	if word == "m" {
		rest, _ := p.word(numberStops)
		p.warn(at, "multiplexer value written as %q", "m "+short(rest))
		word += rest
	}
	if parts := muxWord.FindStringSubmatch(word); parts != nil {
		if n, err := strconv.ParseUint(parts[1], 10, 64); err == nil {
			return muxMark{isSwitch: parts[2] != "", selected: true, value: n}
		}
	}
	p.fail(at, "%s, want a colon or a multiplexer mark: M, m and a value, or both", p.found(at))
	return muxMark{}
}

// selectors reads SG_MUL_VAL_ ID SIGNAL SWITCH LOW-HIGH, LOW-HIGH ;
func (p *parser) selectors() {
	r := p.signalRef()
	by, byAt := p.name("multiplexer switch", false)
	var ranges []Range
	for p.more() {
		ranges = append(ranges, p.selectorRange())
		if !p.maybe(',') {
			break
		}
	}
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		if s := p.signalOf(r, "multiplexer values"); s != nil {
			if _, ok := p.extended[s]; ok {
				p.warn(r.at, "multiplexer values of signal %s are given twice; the last count", s.Name)
			}
			p.extended[s] = selection{by, ranges, byAt}
		}
	})
}

func (p *parser) selectorRange() Range {
	word, at := p.word(numberStops)
	for n := 0; n < 2 && p.more() && p.next() != ',' && p.next() != ';'; n++ { // blanks around the dash
		more, _ := p.word(numberStops)
		word += more
	}
	for i := range word {
		if word[i] != '-' {
			continue
		}
		low, err := strconv.ParseUint(word[:i], 10, 64)
		high, err2 := strconv.ParseUint(word[i+1:], 10, 64)
		if err == nil && err2 == nil && low <= high {
			return Range{low, high}
		}
		break
	}
	p.fail(at, "multiplexer values %q, want LOW-HIGH", short(word))
	return Range{}
}

// resolveMux finds the switch of each multiplexed signal of a message.
func (p *parser) resolveMux(m *Message) {
	for _, s := range m.Signals {
		s.Switch = p.muxOf[s].isSwitch
	}
	for _, s := range m.Signals {
		if x, ok := p.extended[s]; ok {
			p.resolveExtended(m, s, p.muxOf[s], x)
		}
	}
	var switches []*Signal
	for _, s := range m.Signals {
		if s.Switch {
			switches = append(switches, s)
		}
	}
	for _, s := range m.Signals {
		if mark := p.muxOf[s]; mark.selected && s.Selectors == nil {
			s.Selectors = []Range{{mark.value, mark.value}}
			s.Under = p.onlySwitch(m, s, switches)
		}
		p.checkSelectors(s)
	}
}

// onlySwitch is the switch of a signal that SG_MUL_VAL_ does not name one for: clear only
// if there is a single one.
func (p *parser) onlySwitch(m *Message, s *Signal, switches []*Signal) (only *Signal) {
	n := 0
	for _, o := range switches {
		if o == s {
			continue
		}
		only = o
		n++
	}
	if n != 1 {
		p.refuse(p.signalAt[s], "signal %s is multiplexed and message %s has %d switches for it, want 1, or SG_MUL_VAL_ that names one", s.Name, m.Name, n)
		p.unclear[s] = true
		return nil
	}
	return only
}

func (p *parser) resolveExtended(m *Message, s *Signal, mark muxMark, x selection) {
	s.Selectors = x.ranges
	by, ok := p.signals[signalName{m.Key, x.by}]
	if !ok {
		p.refuse(x.at, "multiplexer switch %q, want a signal of message %s", short(x.by), m.Name)
		p.unclear[s] = true
		return
	}
	if !by.Switch {
		p.warn(x.at, "multiplexer switch %s is not marked M", by.Name)
		by.Switch = true
	}
	s.Under = by
	if !mark.selected {
		p.warn(x.at, "signal %s has multiplexer values but is not marked m", s.Name)
	} else if !s.selects(mark.value) {
		p.warn(x.at, "signal %s is marked m%d, which is not among its multiplexer values; these count", s.Name, mark.value)
	}
}

func (p *parser) checkSelectors(s *Signal) {
	u := s.Under
	if u == nil || u.Length >= 64 {
		return
	}
	for _, r := range s.Selectors {
		if most := uint64(1)<<u.Length - 1; r.Low > most {
			p.warn(p.signalAt[s], "signal %s is selected by %d, more than switch %s can hold", s.Name, r.Low, u.Name)
			return
		}
	}
}
