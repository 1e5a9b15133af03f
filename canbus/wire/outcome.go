package wire

import (
	"slices"
	"time"

	"sawhorse/canbus"
)

// errorKind is what went wrong with a frame.
type errorKind uint8

const (
	noError errorKind = iota
	bitError
	stuffError
	ackError
	lostError // arbitration lost to nobody: the wire falls silent
)

// outcome is how the frame on the wire will end, foreseen when it starts and
// changed when something happens to the wire meanwhile.
type outcome struct {
	end     time.Duration
	kind    errorKind
	detail  byte  // of an error report
	place   place // where the error struck
	bit     int
	passed  bool  // receivers take the frame although its sender repeats it
	lenient bool  // no penalty for the sender: exception 3b, see spares
	unseen  bool  // no receiver sees anything of it
	victim  *Port // the one receiver that saw the error first, or alone
	touched string
}

func (o *outcome) clean() bool { return o.kind == noError }

// spares reports whether the sender's counter stays: an error-passive node whose
// frame lacks acknowledgement (exception a to rule 3 of ISO 11898-1:2015 clause
// 12.1.4.2), and a recessive stuff bit overridden during arbitration (exception b).
func (o *outcome) spares(p *Port) bool {
	return o.lenient || o.kind == ackError && p.state == ErrorPassive
}

// fail ends an error frame: counters, and the frame back into the queues.
func (s *segment) fail() {
	o := s.out
	if s == s.b.main {
		s.b.stats.Errors++
	}
	if o.passed {
		s.deliver(o.touched, false)
	} else if !o.unseen {
		for _, p := range s.ports {
			if p.hears(s) {
				p.stats.RxErrors++
				p.count(0, o.receiverPenalty(p))
			}
		}
	}
	for _, p := range s.senders {
		p.failed(s, &o)
	}
	s.failLeavers()
}

// receiverPenalty is rule 1, and for the receiver that began the error frame and
// sees the others' flags behind its own rule 2 as well.
func (o *outcome) receiverPenalty(p *Port) int {
	if p == o.victim {
		return 1 + 8
	}
	return 1
}

// failLeavers is for error-passive senders whose bit error nobody else saw.
func (s *segment) failLeavers() {
	o := outcome{kind: bitError, detail: protBit1, place: placeData}
	for _, p := range s.leavers {
		p.failed(s, &o)
	}
	s.leavers = s.leavers[:0]
}

// unheard is a frame that nobody acknowledges: the sender's error flag follows the
// ACK slot.
func (s *segment) unheard(nominal, data int) {
	s.out.kind, s.out.place = ackError, placeAck
	s.out.end = s.start + s.b.span(nominal-afterAck, data) + s.b.nominal.span(flagBits+delimBits)
}

// shorted is every sender's start bit on a bus that cannot become dominant.
func (s *segment) shorted() {
	s.senders = s.senders[:0]
	for _, p := range s.ports {
		if p.ready(s.start) {
			p.cur, p.sending = p.q.take(), true
			p.q.slots[p.cur.at].tries++
			s.senders = append(s.senders, p)
		}
	}
	s.out = outcome{
		kind: bitError, detail: protBit0, place: placeSOF, unseen: true,
		end: s.start + s.b.nominal.span(1+flagBits+delimBits),
	}
	s.occupy(s.out.end)
}

// collide sorts out several senders with equal arbitration fields. Equal frames
// pass as one. Else, at the first bit that differs, those that send recessive read
// dominant: a bit error. An error-active one destroys the frame for all (true is
// returned); error-passive ones fall out unnoticed.
func (s *segment) collide() bool {
	frames := make([]canbus.Frame, len(s.senders))
	streams := make([]stream, len(s.senders))
	for i, p := range s.senders {
		s.load(p, &frames[i])
		streams[i].encode(&frames[i])
	}
	alive := make([]int, len(s.senders))
	for i := range alive {
		alive[i] = i
	}
	for {
		at, low := firstDifference(streams, alive)
		if at < 0 {
			break
		}
		for _, i := range alive {
			if streams[i].bits[at].level == 1 && s.senders[i].state != ErrorPassive {
				s.leavers = s.leavers[:0]
				s.out.kind, s.out.detail, s.out.place, s.out.bit = bitError, protBit1, streams[low].bits[at].place, at
				s.out.end = s.errorEnd(&streams[low], at, 0, 0)
				return true
			}
		}
		alive = slices.DeleteFunc(alive, func(i int) bool {
			if streams[i].bits[at].level == 0 {
				return false
			}
			s.leavers = append(s.leavers, s.senders[i])
			return true
		})
	}
	kept := make([]*Port, len(alive))
	for k, i := range alive {
		kept[k] = s.senders[i]
	}
	s.senders = append(s.senders[:0], kept...)
	return false
}

// firstDifference finds the first bit in which the streams differ, and one of
// those that send it dominant; -1 if they are equal.
func firstDifference(streams []stream, alive []int) (at, low int) {
	first := &streams[alive[0]]
	for at := range first.n {
		low, differ := alive[0], false
		for _, i := range alive[1:] {
			if streams[i].bits[at].level != first.bits[at].level {
				differ = true
				if streams[i].bits[at].level == 0 {
					low = i
				}
			}
		}
		if differ {
			return at, low
		}
	}
	return -1, 0
}

// errorEnd is when an error frame is over that starts behind bit i, which has the
// level onBus on the wire; flag is the level of the first error flag. The other
// nodes add their flags when they have found out.
func (s *segment) errorEnd(st *stream, i int, onBus, flag uint8) time.Duration {
	nominal, data := st.upTo(i + 1)
	flags := st.discovered(i, onBus, flag) - i + flagBits
	return s.start + s.b.span(nominal, data) + s.b.nominal.span(flags+delimBits)
}

// discovered is the bit at which receivers see a frame broken off behind bit i:
// the sixth equal bit where stuff bits are dynamic, a fixed stuff bit like the one
// before it, a dominant delimiter or EOF.
func (s *stream) discovered(i int, onBus, flag uint8) int {
	run, prev := s.runBefore(i, onBus), 1-onBus
	if run > 0 {
		prev = onBus
	}
	last := min(i+flagBits, s.n-1)
	for q, level := i, onBus; q < last; q, level = q+1, flag {
		if level != prev {
			run = 0
		}
		run++
		same := level == prev
		prev = level
		switch b := s.bits[q]; {
		case b.place == placeAck: // either level is right
		case !stuffed(b.place):
			if level == 0 {
				return q
			}
		case s.fd && b.place == placeCRC:
			if b.stuff && same {
				return q
			}
		case run >= flagBits:
			return q
		}
	}
	return last
}

func stuffed(p place) bool {
	switch p {
	case placeCRCDelim, placeAck, placeAckDelim, placeEOF:
		return false
	}
	return true
}

// failed takes the frame back for another try.
func (p *Port) failed(s *segment, o *outcome) {
	p.sending = false
	p.stats.TxErrors++
	if p.closed {
		p.q.release(p.cur.at)
		return
	}
	if o.touched != "" {
		p.q.slots[p.cur.at].note = o.touched
	}
	p.q.restore(p.cur)
	switch {
	case o.kind == lostError: // from here on it was a receiver
		p.stats.LostArbitration++
		p.stats.RxErrors++
		p.count(0, 1)
	case !o.spares(p):
		p.count(8, 0)
	}
	p.settle(s)
	p.reportError(o)
}
