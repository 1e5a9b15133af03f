package wire

import "sawhorse/canbus"

// place is a field of the frame as error reports number it (data[3] of a protocol
// error, Linux can/error.h).
type place uint8

const (
	placeSOF      place = 0x03
	placeID28     place = 0x02 // ID28 to ID21, the first eight of a base frame
	placeID20     place = 0x06
	placeSRR      place = 0x04 // RTR of a base frame, too
	placeIDE      place = 0x05
	placeID17     place = 0x07
	placeID12     place = 0x0F
	placeID4      place = 0x0E
	placeRTR      place = 0x0C
	placeRes1     place = 0x0D
	placeRes0     place = 0x09
	placeDLC      place = 0x0B
	placeData     place = 0x0A
	placeCRC      place = 0x08
	placeCRCDelim place = 0x18
	placeAck      place = 0x19
	placeAckDelim place = 0x1B
	placeEOF      place = 0x1A
)

// maxStream holds the longest frame: CAN FD, 29-bit identifier, 64 bytes.
const maxStream = 768

// streamBit is one bit as its sender puts it on the wire.
type streamBit struct {
	level uint8 // 0 is dominant
	stuff bool  // a dynamic or fixed stuff bit
	fast  bool  // at the data bit rate
	arb   bool  // in the arbitration field
	place place
}

// stream is a frame bit by bit. Only what goes wrong needs it; what goes well is
// measured by Bits.
type stream struct {
	n    int
	bits [maxStream]streamBit

	now      streamBit // field marks for the next bits
	run      int       // equal levels up to here
	fd       bool
	crc      uint32
	poly     uint32
	width    uint
	stuffing bool
	inserted uint32 // dynamic stuff bits
}

func (s *stream) emit(level uint8, stuff bool) {
	if s.n > 0 && s.bits[s.n-1].level == level {
		s.run++
	} else {
		s.run = 1
	}
	b := s.now
	b.level, b.stuff = level, stuff
	s.bits[s.n] = b
	s.n++
}

// put sends the low n bits of v as part of the given field. In the stuffed part
// a run of five is broken, and both rules of the checksum hold: classical CRC
// leaves stuff bits out, CAN FD's takes them in.
func (s *stream) put(v uint64, n int, p place) {
	s.now.place = p
	for i := n - 1; i >= 0; i-- {
		b := uint8(v >> i & 1)
		if s.stuffing {
			s.crc = crcBit(s.crc, uint32(b), s.poly, s.width)
		}
		s.emit(b, false)
		if s.stuffing && s.run == 5 {
			s.inserted++
			s.emit(1-b, true)
			if s.fd {
				s.crc = crcBit(s.crc, uint32(1-b), s.poly, s.width)
			}
		}
	}
}

// encode sets the stream to the bits of a frame from SOF to EOF (ISO 11898-1:2015
// clause 10.4.2).
func (s *stream) encode(f *canbus.Frame) {
	*s = stream{fd: f.Flags&canbus.FD != 0, stuffing: true, poly: poly15, width: width15}
	if s.fd {
		s.crc, s.poly, s.width = start17, poly17, width17
		if f.Len > 16 {
			s.crc, s.poly, s.width = start21, poly21, width21
		}
	}
	s.arbitration(f)
	if s.fd {
		s.put(1, 1, placeRes0) // FDF
		s.put(0, 1, placeRes0)
		brs := bit(f.Flags&canbus.BitRateSwitch != 0)
		s.put(brs, 1, placeRes0)
		s.now.fast = brs == 1
		s.put(bit(f.Flags&canbus.ErrorPassive != 0), 1, placeRes0)
	} else if f.Flags&canbus.Extended != 0 {
		s.put(0, 1, placeRes1)
		s.put(0, 1, placeRes0)
	} else {
		s.put(0, 1, placeRes0)
	}
	s.put(dlcOf(f), 4, placeDLC)
	for _, b := range f.Payload() {
		s.put(uint64(b), 8, placeData)
	}
	s.check()
	s.put(1, 1, placeCRCDelim)
	s.now.fast = false
	s.put(1, 1, placeAck)
	s.put(1, 1, placeAckDelim)
	s.put(0x7F, 7, placeEOF)
}

func (s *stream) arbitration(f *canbus.Frame) {
	id, rtr := uint64(f.ID), bit(f.Flags&canbus.Remote != 0)
	s.now.arb = true
	s.put(0, 1, placeSOF)
	if f.Flags&canbus.Extended == 0 {
		s.put(id>>3, 8, placeID28)
		s.put(id, 3, placeID20)
		s.put(rtr, 1, placeSRR)
		s.put(0, 1, placeIDE)
	} else {
		s.put(id>>21, 8, placeID28)
		s.put(id>>18, 3, placeID20)
		s.put(1, 1, placeSRR)
		s.put(1, 1, placeIDE)
		s.put(id>>13, 5, placeID17)
		s.put(id>>5, 8, placeID12)
		s.put(id, 5, placeID4)
		s.put(rtr, 1, placeRTR)
	}
	s.now.arb = false
}

// check sends the checksum. In CAN FD a fixed stuff bit stands first, in place of
// a dynamic one if the data end in a run of five, then behind every fourth bit
// (clause 10.4.2.6); the count of dynamic stuff bits goes before, Gray coded with
// even parity.
func (s *stream) check() {
	if !s.fd {
		s.put(uint64(s.crc), int(s.width), placeCRC)
		s.stuffing = false
		return
	}
	s.stuffing = false
	if last := s.n - 1; s.bits[last].stuff {
		// The checksum has taken in the stuff bit that now is not sent: take the
		// bits again without it.
		s.n, s.inserted = last, s.inserted-1
		s.crc = s.recheck()
	}
	gray := s.inserted & 7
	gray ^= gray >> 1
	sbc := gray<<1 | (gray^gray>>1^gray>>2)&1
	for i := 3; i >= 0; i-- {
		s.crc = crcBit(s.crc, sbc>>i&1, s.poly, s.width)
	}
	s.now.place = placeCRC
	word, n := uint64(sbc)<<s.width|uint64(s.crc), int(s.width)+4
	for i := n - 1; i >= 0; i-- {
		if (n-1-i)%4 == 0 {
			s.emit(1-s.bits[s.n-1].level, true)
		}
		s.emit(uint8(word>>i&1), false)
	}
}

func (s *stream) recheck() uint32 {
	r := uint32(1) << (s.width - 1)
	for i := range s.n {
		r = crcBit(r, uint32(s.bits[i].level), s.poly, s.width)
	}
	return r
}

// upTo counts the bits before bit i by bit rate.
func (s *stream) upTo(i int) (nominal, data int) {
	for _, b := range s.bits[:i] {
		if b.fast {
			data++
		} else {
			nominal++
		}
	}
	return nominal, data
}

// runBefore counts the bits of a level that stand directly before bit i.
func (s *stream) runBefore(i int, level uint8) int {
	n := 0
	for i--; i >= 0 && s.bits[i].level == level; i-- {
		n++
	}
	return n
}
