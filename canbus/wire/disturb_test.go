package wire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// vector is 0x123 11 22 33 44: 77 bits with one stuff bit. With the stuff bit
// behind r0, the DLC is bits 16 to 19 (counting SOF as 0), data 20 to 51.
func vector() canbus.Frame { return canbus.New(0x123, 0x11, 0x22, 0x33, 0x44) }

// bitOf finds the first bit of a field in the vector's stream.
func bitOf(f canbus.Frame, p place) int {
	var s stream
	s.encode(&f)
	for i := range s.n {
		if s.bits[i].place == p && !s.bits[i].stuff {
			return i
		}
	}
	return -1
}

// One falsified bit, anywhere: what the nodes count and how often the frame comes
// through. Rules and exceptions as in ISO 11898-1:2015 clause 12.1.4.2.
func TestWhereTheErrorStrikes(t *testing.T) {
	f := vector()
	recessiveID := 3 // 0x123 is 00100100011: bit 3 is the first 1
	for _, c := range []struct {
		name      string
		bit       int
		tec, rec  int // just behind the error frame
		received  int // by the listener in the end
		lost      uint64
		senderRec int
		report    byte // place in the error report; 0: none of a protocol error
	}{
		{name: "start bit", bit: 0, tec: 8, rec: 1, received: 1, report: 0x03},
		{name: "dominant identifier bit", bit: 1, tec: 8, rec: 1, received: 1, report: 0x02},
		{name: "recessive identifier bit", bit: recessiveID, rec: 1, received: 1, lost: 1, senderRec: 1},
		{name: "data", bit: bitOf(f, placeData), tec: 8, rec: 1, received: 1, report: 0x0A},
		{name: "checksum", bit: bitOf(f, placeCRC), tec: 8, rec: 1, received: 1, report: 0x08},
		{name: "CRC delimiter", bit: bitOf(f, placeCRCDelim), tec: 8, rec: 1, received: 1, report: 0x18},
		{name: "ACK slot", bit: bitOf(f, placeAck), tec: 8, rec: 1, received: 1},
		{name: "ACK delimiter", bit: bitOf(f, placeAckDelim), tec: 8, rec: 1, received: 1, report: 0x1B},
		{name: "end of frame", bit: 76 - 1, tec: 8, rec: 1, received: 1, report: 0x1A},
		{name: "last bit of EOF: valid for receivers", bit: 76, tec: 8, received: 2, report: 0x1A},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, Config{ReportErrors: true})
			a, b := r.node("a"), r.node("b")
			r.bus.Disturb(always("a", c.bit, 1))
			r.bus.Disturb(func(tr Try) (Hit, bool) {
				if tr.Attempt == 2 {
					tec, sr := a.counters()
					_, rec := b.counters()
					assert.Equal(t, []int{c.tec, c.rec, c.senderRec}, []int{tec, rec, sr})
				}
				return Hit{}, false
			})
			a.send(f)
			r.run(time.Second)
			assert.Len(t, a.sent, 1)
			assert.Len(t, b.received, c.received)
			assert.Equal(t, c.lost, a.p.Stats().LostArbitration)
			assert.Equal(t, uint64(1), r.bus.Stats().Errors)
			var e canbus.Frame
			for _, f := range r.taps {
				if f.Flags&canbus.Error != 0 {
					e = f
				}
			}
			if c.report != 0 {
				assert.Equal(t, c.report, e.Data[3])
				assert.NotZero(t, e.ID&classProtocol)
			}
			if c.lost != 0 {
				assert.NotZero(t, e.ID&classLostArbitration)
				assert.Equal(t, byte(c.bit), e.Data[0])
			}
		})
	}
}

// An error frame is 14 to 20 bits and starts behind the falsified bit.
func TestErrorFrameLength(t *testing.T) {
	f := vector()
	n, _ := Bits(&f)
	for bit := range n {
		r := newRig(t, Config{})
		a := r.node("a")
		r.node("b")
		r.bus.Disturb(always("a", bit, 1))
		a.send(f)
		r.run(time.Second)
		var s stream
		s.encode(&f)
		again := a.sent[0].Time - time.Duration(n+3)*tbit // start of the second try, less intermission
		frame := int(again/tbit) - (bit + 1)
		if s.bits[bit].arb && s.bits[bit].level == 1 && !s.bits[bit].stuff {
			assert.Equal(t, 6+6+8, frame, "silence, flags, delimiter at bit %d", bit)
			continue
		}
		assert.GreaterOrEqual(t, frame, 14, "bit %d", bit)
		assert.LessOrEqual(t, frame, 20, "bit %d", bit)
		switch s.bits[bit].place {
		case placeAck:
			assert.Equal(t, 15, frame, "receivers see the sender's flag at the ACK delimiter")
		case placeCRCDelim, placeAckDelim, placeEOF:
			assert.Equal(t, 14, frame, "all see a form error at once at bit %d", bit)
		}
	}
}

// The flags, bit by bit, with every node's view: the sender starts its flag behind
// the falsified bit, receivers start theirs when they see that something is wrong.
func TestErrorFrameLengthBitByBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := anyFrame(t)
		f.Flags &^= canbus.BitRateSwitch // bits of one length
		o := encodeNaive(&f)
		delim := len(o.wire) - 10
		bit := rapid.IntRange(0, delim-1).Draw(t, "bit")
		dynamic := delim // where bits are stuffed by runs
		if o.fd {
			in, _ := stuffNaive(o.before, false)
			dynamic = len(in)
		}
		line := []byte(o.wire[:bit+1])
		line[bit] = '0' + '1' - line[bit]
		wrong := func() bool {
			i := len(line) - 1
			switch {
			case i == delim:
				return line[i] == '0'
			case i >= dynamic:
				return (i-dynamic)%5 == 0 && line[i] == line[i-1]
			}
			return sixEqual(line)
		}
		sender, receivers, seen := 6, 0, false // bits of flag to go
		if wrong() {
			receivers, seen = 6, true
		}
		for sender > 0 || receivers > 0 || !seen {
			line = append(line, '0')
			sender--
			if seen {
				receivers--
			} else if wrong() {
				receivers, seen = 6, true
			}
		}
		var s stream
		s.encode(&f)
		seg := &segment{b: &Bus{nominal: newRate(500_000)}}
		got := int(seg.errorEnd(&s, bit, 1-s.bits[bit].level, 0) / tbit)
		if got != len(line)+8 {
			t.Fatalf("%s, bit %d: error frame ends after %d bits, bit by bit %d", f.String(), bit, got, len(line)+8)
		}
	})
}

func sixEqual(line []byte) bool {
	if len(line) < 6 {
		return false
	}
	for _, c := range line[len(line)-6:] {
		if c != line[len(line)-1] {
			return false
		}
	}
	return true
}

// A recessive stuff bit of the arbitration field read dominant costs its sender
// nothing (exception b to rule 3).
func TestStuffErrorDuringArbitration(t *testing.T) {
	r := newRig(t, Config{ReportErrors: true})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x000, 1)
	var s stream
	s.encode(&f)
	require.True(t, s.bits[5].stuff && s.bits[5].arb && s.bits[5].level == 1)
	r.bus.Disturb(always("a", 5, 1))
	r.bus.Disturb(func(tr Try) (Hit, bool) {
		if tr.Attempt == 2 {
			tec, _ := a.counters()
			_, rec := b.counters()
			assert.Equal(t, []int{0, 1}, []int{tec, rec})
		}
		return Hit{}, false
	})
	a.send(f)
	r.run(time.Second)
	assert.Equal(t, byte(protStuff|protOnSender), r.taps[0].Data[2])
	assert.Len(t, b.received, 1)
}

// What one receiver alone sees: error-active it destroys the frame for all and
// counts 9; error-passive it goes without.
func TestErrorAtOneReceiver(t *testing.T) {
	r := newRig(t, Config{})
	a, b, c := r.node("a"), r.node("b"), r.node("c")
	r.bus.Disturb(func(tr Try) (Hit, bool) {
		return Hit{Bit: 30, At: "b", Note: "b misread a bit"}, tr.Attempt <= 20
	})
	a.send(vector())
	r.run(time.Second)
	// 15 times 9 is 135: from then on b is error-passive and the frame passes.
	assert.Empty(t, b.received)
	assert.Len(t, c.received, 1)
	assert.Equal(t, uint64(15), a.p.Stats().TxErrors)
	_, rec := b.counters()
	assert.Equal(t, 15*9+1, rec)
	_, rec = c.counters()
	assert.Equal(t, 15-1, rec)
	assert.Contains(t, r.log[len(r.log)-1], "tap a 123 [4] 11 22 33 44 (b misread a bit)")
}

// The only other node misreads and is error-passive: nobody acknowledges.
func TestOnlyReceiverWithoutTheFrame(t *testing.T) {
	r := newRig(t, Config{ReportErrors: true})
	a, b := r.node("a"), r.node("b")
	r.bus.Disturb(func(tr Try) (Hit, bool) { return Hit{Bit: 30, At: "b"}, tr.Attempt <= 16 })
	a.send(vector())
	r.run(time.Second)
	assert.Equal(t, uint64(16), a.p.Stats().TxErrors)
	assert.Len(t, b.received, 1)
	assert.Contains(t, r.reports(), "20000220 / 00 00 00 00 00 00 80 00")
}

// An error-passive sender whose acknowledgement is falsified sends a flag nobody
// sees: the receivers have the frame, and get it again.
func TestPassiveSenderWithoutAcknowledgement(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	f := vector()
	r.bus.Disturb(always("a", 30, 16))
	r.bus.Disturb(func(tr Try) (Hit, bool) { return Hit{Bit: bitOf(f, placeAck)}, tr.Attempt == 17 })
	a.send(f)
	r.run(time.Second)
	assert.Len(t, b.received, 2)
	assert.Len(t, a.sent, 1)
	tec, _ := a.counters()
	assert.Equal(t, 128-1, tec)
}

func TestDisturbingEnds(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	tries := 0
	remove := r.bus.Disturb(func(tr Try) (Hit, bool) {
		tries++
		assert.Equal(t, "a", tr.Sender)
		assert.Equal(t, 77, tr.Bits)
		return Hit{Bit: 9999}, true // beyond the frame: nothing
	})
	a.onSent = func(*canbus.Frame) { remove() }
	a.send(vector())
	r.at(time.Millisecond, func() { a.send(vector()) })
	r.run(time.Second)
	assert.Equal(t, 1, tries)
	assert.Len(t, b.received, 2)
}

// What was done to a frame goes with it, once.
func TestTouchedFramesSaySo(t *testing.T) {
	r := newRig(t, Config{})
	a := r.node("a")
	r.node("b")
	r.bus.Disturb(func(tr Try) (Hit, bool) {
		return Hit{Bit: 30, Note: "disturbed"}, tr.Attempt == 1 && tr.Start == 0
	})
	a.send(canbus.New(0x10, 1))
	a.send(canbus.New(0x20, 2))
	r.run(time.Second)
	require.Len(t, r.log, 2)
	assert.Contains(t, r.log[0], "010 [1] 01 (disturbed)")
	assert.Contains(t, r.log[1], "020 [1] 02")
	assert.NotContains(t, r.log[1], "disturbed")
}
