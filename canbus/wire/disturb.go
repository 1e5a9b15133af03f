package wire

import (
	"slices"
	"time"

	"sawhorse/canbus"
)

// Try is one attempt at sending a frame, about to be put on the wire.
type Try struct {
	Frame   *canbus.Frame // valid during the call
	Sender  string
	Attempt int           // 1 for the first
	Start   time.Duration // of the start bit
	Bits    int           // length from SOF to the end of EOF
}

// Hit is one bit of a try that is read inverted.
type Hit struct {
	// Bit counts stuffed bits from 0, the start bit; one beyond the frame does
	// nothing.
	Bit int
	// At names the one receiver that reads the bit so; "" means everybody, as
	// when the wire itself is disturbed.
	At string
	// Note says what was done; it goes with the frame when it has passed, and
	// with the reports of its errors.
	Note string
}

type hook struct {
	fn func(Try) (Hit, bool)
}

// Disturb has fn look at every try and falsify a bit of it; of several the first
// that hits counts. Call remove to end it.
//
// What follows is the standard's business: the nodes that see the error send
// error flags, the counters change, the frame is repeated. A bit of the
// identifier read dominant makes the sender lose arbitration; the last bit of EOF
// falsified lets the receivers have the frame twice; a node alone with its error
// counts more than the others.
func (b *Bus) Disturb(fn func(Try) (Hit, bool)) (remove func()) {
	h := &hook{fn}
	b.hooks = append(slices.Clone(b.hooks), h)
	return func() {
		b.hooks = slices.DeleteFunc(slices.Clone(b.hooks), func(o *hook) bool { return o == h })
	}
}

func (s *segment) disturb(p *Port) {
	try := Try{Frame: &s.frame, Sender: p.name, Attempt: p.q.slots[p.cur.at].tries, Start: s.start, Bits: s.length}
	for _, h := range s.b.hooks {
		hit, ok := h.fn(try)
		if ok && hit.Bit >= 0 && hit.Bit < s.length {
			s.strike(p, hit)
			return
		}
	}
}

// strike foresees what the hit does to the frame of p.
func (s *segment) strike(p *Port, hit Hit) {
	var st stream
	st.encode(&s.frame)
	i := hit.Bit
	b := st.bits[i]
	ack := st.n - 1 - afterAck
	if i >= ack && !s.heard() {
		return // it never comes to that bit
	}
	if hit.At != "" {
		s.strikeOne(&st, hit)
		return
	}
	o := &s.out
	o.kind, o.place, o.bit, o.touched = bitError, b.place, i, hit.Note
	o.detail = protBit0
	if b.level == 1 {
		o.detail = protBit1
	}
	flag := uint8(0)
	if p.state == ErrorPassive {
		flag = 1
	}
	onBus := 1 - b.level
	if i == ack {
		onBus = 1 // the acknowledgement that the sender does not see
	}
	o.end = s.errorEnd(&st, i, onBus, flag)
	switch {
	case b.arb && b.level == 1 && b.stuff:
		o.detail, o.lenient = protStuff, true
	case b.arb && b.level == 1:
		// The sender steps back for a node that does not exist; six recessive
		// bits later everybody sees a stuff error.
		o.kind = lostError
		nominal, data := st.upTo(i + 1)
		o.end = s.start + s.b.span(nominal, data) + s.b.nominal.span(flagBits+flagBits+delimBits)
	case i == ack:
		o.kind, o.detail = ackError, 0
		o.passed = p.state == ErrorPassive // its flag is as recessive as what follows
	case i == st.n-1:
		o.passed = true // valid for receivers one bit earlier (clause 10.9)
	}
}

// strikeOne is a hit that one receiver alone sees.
func (s *segment) strikeOne(st *stream, hit Hit) {
	victim, ok := s.b.names[hit.At]
	if !ok || !victim.hears(s) || hit.Bit == st.n-1 {
		return
	}
	o := &s.out
	o.victim, o.touched = victim, hit.Note
	if victim.state == ErrorPassive {
		return // its flag changes nothing; it goes without the frame
	}
	o.kind, o.detail, o.place, o.bit = bitError, protBit1, st.bits[hit.Bit].place, hit.Bit
	o.end = s.errorEnd(st, hit.Bit, st.bits[hit.Bit].level, 0)
}
