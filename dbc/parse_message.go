package dbc

import (
	"strconv"
	"strings"

	"sawhorse/canbus"
)

// Bits of an identifier in the file above the 29 of CAN.
const (
	extendedFlag = 1 << 31
	// pseudoID is the identifier of the message that holds signals of no message.
	pseudoID   = 0xC0000000
	pseudoName = "VECTOR__INDEPENDENT_SIG_MSG"
)

func (p *parser) tryUint() (uint64, bool) {
	s, at := p.word(numberStops)
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil {
		p.at = at
	}
	return n, err == nil
}

// id reads an identifier. declared says that this is the message itself: only there is
// what is odd worth a warning.
func (p *parser) id(declared bool) (key canbus.Key, at int) {
	n, at := p.count("identifier")
	switch {
	case p.failed:
	case n == pseudoID, n == pseudoID&^extendedFlag: // some writers leave the flag out
		return canbus.Key(pseudoID), at
	case n&^extendedFlag > uint64(canbus.MaxExtendedID):
		p.fail(at, "identifier %d has more than 29 bits, want at most %d, or that plus 2147483648", n, canbus.MaxExtendedID)
	case n&extendedFlag != 0:
		return canbus.KeyOf(canbus.ID(n&^extendedFlag), true), at
	case n > uint64(canbus.MaxStandardID):
		if declared {
			p.warn(at, "identifier %d has 29 bits but not the flag for it", n)
		}
		return canbus.KeyOf(canbus.ID(n), true), at
	}
	return canbus.KeyOf(canbus.ID(n), false), at
}

// messageLine reads BO_ ID NAME: LENGTH SENDER.
func (p *parser) messageLine() {
	m := &Message{}
	// Signals of a message that fails are read for their own errors, then forgotten.
	p.message, p.away = m, true
	key, at := p.id(true)
	m.Key = key
	if !p.failed {
		defer func() { // what refers to a message that is refused is no surprise
			if p.away && p.net.byKey[key] == nil {
				p.leftOut[key] = true
			}
		}()
	}
	var nameAt int
	m.Name, nameAt = p.name("message", true)
	p.punct(':')
	length, lengthAt := p.count("length")
	p.sender(m)
	if p.failed || p.leftAside(m, at, length) {
		return
	}
	if length > canbus.MaxClassicData {
		m.FD = true
		if whole := canbus.LengthOf(canbus.DLC(int(length))); whole != int(length) {
			p.warn(lengthAt, "length %d is none of CAN FD; read as %d", length, whole)
			length = uint64(whole)
		}
	}
	m.Length = int(length)
	if other, ok := p.net.byKey[key]; ok {
		line, _ := p.place(p.messageAt[other])
		p.refuse(at, "identifier %s is that of message %s in line %d, want another", key, other.Name, line)
		return
	}
	if other, ok := p.net.byName[m.Name]; ok {
		line, _ := p.place(p.messageAt[other])
		p.warn(nameAt, "name %s is that of another message in line %d", m.Name, line)
	} else {
		p.net.byName[m.Name] = m
	}
	p.away = false
	p.messageAt[m], m.At = at, p.placeOf(at)
	p.net.byKey[key] = m
	p.net.Messages = append(p.net.Messages, m)
	if !key.Extended() {
		p.net.std[key] = uint16(len(p.net.Messages)) // there are no more than identifiers
	}
}

// sender reads the last word of a BO_ line, which may be missing.
func (p *parser) sender(m *Message) {
	p.blank()
	at := p.at
	if p.failed || !p.more() || p.text[at] == '\n' {
		p.warn(at, "message %s without a sender", m.Name)
		return
	}
	name, at := p.name("node", false)
	if p.failed || nobody(name) {
		return
	}
	m.Sender, m.Senders = name, []string{name}
	p.known(name, at)
}

// leftAside reports whether a message is none that a frame carries, and says so.
func (p *parser) leftAside(m *Message, at int, length uint64) bool {
	switch {
	case uint32(m.Key) == pseudoID || m.Name == pseudoName:
		p.warn(at, "message %s holds signals of no message; left out", m.Name)
	case length > canbus.MaxData:
		p.warn(at, "message %s has %d bytes, more than a frame; left out", m.Name, length)
	default:
		return false
	}
	p.leftOut[m.Key] = true
	return true
}

// signalLine reads SG_ NAME [MUX] : START|LENGTH@ORDER SIGN (FACTOR,OFFSET) [MIN|MAX]
// "UNIT" RECEIVERS.
func (p *parser) signalLine() {
	s := &Signal{}
	name, at := p.name("signal", true)
	s.Name = name
	if p.message == nil {
		p.fail(at, "signal %s outside of a message, want it after its BO_", s.Name)
		return
	}
	left := signalName{p.message.Key, name}
	defer func() { // the same of a signal
		if p.failed && p.signals[left] == nil {
			p.leftSignals[left] = true
		}
	}()
	mark := p.mark()
	p.punct(':')
	start, startAt := p.count("start bit")
	p.punct('|')
	length, _ := p.count("length")
	p.punct('@')
	p.orderAndSign(s)
	p.scale(s)
	p.limits(s)
	if p.next() == '"' {
		s.Unit = p.quoted("unit", true, false)
	} else {
		p.warn(p.at, "signal %s without a unit", s.Name)
	}
	p.receivers(s)
	if p.failed {
		return
	}
	p.fit(s, start, length, at, startAt, mark)
}

// fit puts a signal into its message if it has room.
func (p *parser) fit(s *Signal, start, length uint64, at, startAt int, mark muxMark) {
	m := p.message
	switch {
	case p.away:
		return
	case m.Length == 0:
		p.warn(at, "signal %s in a message without payload; left out", s.Name)
	case start >= 8*uint64(m.Length):
		p.refuse(startAt, "signal %s starts at bit %d of a payload of %d bits", s.Name, start, 8*m.Length)
	case length > 64 && length <= 8*canbus.MaxData:
		p.warn(at, "signal %s has %d bits, more than a number of 64; left out", s.Name, length)
	default:
		s.Start, s.Length = int(start), int(min(length, 1<<20))
		if err := s.check(m); err != nil {
			p.refuse(startAt, "signal %s: %s", s.Name, err)
			break
		}
		p.join(m, s, at, mark)
		return
	}
	p.leftSignals[signalName{m.Key, s.Name}] = true
}

func (p *parser) join(m *Message, s *Signal, at int, mark muxMark) {
	name := signalName{m.Key, s.Name}
	if other, ok := p.signals[name]; ok {
		line, _ := p.place(p.signalAt[other])
		if layoutOf(other) == layoutOf(s) && p.muxOf[other] == mark {
			p.warn(at, "signal %s is given twice in one way, first in line %d", s.Name, line)
			return
		}
		p.refuse(at, "signal %s is another one in line %d, want another name", s.Name, line)
		return
	}
	if len(m.Signals) == maxSignals {
		p.refuse(at, "more than %d signals in message %s", maxSignals, m.Name)
		return
	}
	m.Signals = append(m.Signals, s)
	p.signals[name] = s
	p.signalAt[s], s.At = at, p.placeOf(at)
	p.muxOf[s] = mark
}

// layout is what makes two signals of one name the same.
type layout struct {
	start, length                  int
	big                            bool
	encoding                       Encoding
	factor, offset, minimum, limit float64
}

func layoutOf(s *Signal) layout {
	return layout{s.Start, s.Length, s.BigEndian, s.Encoding, s.Factor, s.Offset, s.Min, s.Max}
}

func (p *parser) orderAndSign(s *Signal) {
	word, at := p.word(numberStops)
	if len(word) == 1 && (word == "0" || word == "1") {
		var sign string
		sign, at = p.word(numberStops)
		word += sign
	}
	switch word {
	case "0+":
		s.BigEndian = true
	case "0-":
		s.BigEndian, s.Encoding = true, Signed
	case "1+":
	case "1-":
		s.Encoding = Signed
	default:
		p.fail(at, "byte order and sign %q, want 0 or 1 and + or -", short(word))
	}
}

func (p *parser) scale(s *Signal) {
	p.punct('(')
	p.space()
	at := p.at
	s.Factor = p.number("factor")
	p.punct(',')
	s.Offset = p.number("offset")
	p.punct(')')
	if s.Factor == 0 {
		p.fail(at, "factor 0, want another: no value could be told from the next")
	}
}

func (p *parser) limits(s *Signal) {
	if p.next() != '[' {
		p.warn(p.at, "signal %s without minimum and maximum", s.Name)
		return
	}
	p.punct('[')
	at := p.at
	if p.next() == ']' {
		p.warn(at, "signal %s without minimum and maximum", s.Name)
		p.at++
		return
	}
	s.Min = p.number("minimum")
	p.punct('|')
	s.Max = p.number("maximum")
	p.punct(']')
	switch {
	case s.Min != s.Min || s.Max != s.Max: // NaN: no limit on one side is none of use
		s.Min, s.Max = 0, 0
	case s.Min > s.Max:
		p.warn(at, "minimum %g is more than maximum %g; read as no limits", s.Min, s.Max)
		s.Min, s.Max = 0, 0
	}
}

// receivers reads the names to the end of the line; a comma at its end goes on.
func (p *parser) receivers(s *Signal) {
	comma := true
	for n := 0; p.more(); n++ {
		p.blank()
		if !p.more() || p.text[p.at] == '\n' && (!comma || n == 0) {
			if n == 0 {
				p.warn(p.at, "signal %s without receivers", s.Name)
			}
			return
		}
		if comma && n > 0 && isKeyword(firstWord(strings.TrimLeft(p.text[p.at:], " \t\n"))) {
			p.warn(p.at, "comma after the last receiver of signal %s", s.Name)
			return
		}
		if p.text[p.at] == ';' {
			p.warn(p.at, "semicolon after signal %s", s.Name)
			p.at++
			return
		}
		name, at := p.name("node", false)
		if !p.failed && !nobody(name) {
			s.Receivers = append(s.Receivers, name)
			p.known(name, at)
		}
		p.blank()
		if comma = p.more() && p.text[p.at] == ','; comma {
			p.at++
		}
	}
}
