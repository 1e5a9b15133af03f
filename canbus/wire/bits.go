package wire

import "sawhorse/canbus"

// Bits returns how many bits the frame occupies on the wire, stuff bits and
// checksum included, from its start bit to the end of EOF: those at the nominal
// bit rate and those at the data bit rate, which only a CAN FD frame with bit rate
// switch has. The intermission of 3 bits that follows is not in it, and an Error
// report has no bits at all.
//
// The bit rate changes inside two bits, at the sample points of BRS and of the
// CRC delimiter (ISO 11898-1:2015 clause 11.3.2.2); their four parts add up to one
// nominal and one data bit, so BRS counts as the one and the delimiter as the other.
func Bits(f *canbus.Frame) (nominal, data int) {
	switch {
	case f.Flags&canbus.Error != 0:
		return 0, 0
	case f.Flags&canbus.FD != 0:
		return bitsFD(f)
	}
	return bitsClassic(f), 0
}

// Fields of fixed length, in bits.
const (
	headBase    = 19 // SOF to DLC, 11-bit identifier
	headExt     = 39 // SOF to DLC, 29-bit identifier
	tail        = 9  // ACK slot, ACK delimiter, EOF
	switchBase  = 17 // SOF to BRS
	switchExt   = 36
	fdControl   = 5          // ESI, DLC
	fdCheck16   = 4 + 17 + 6 // stuff bit count, CRC-17, fixed stuff bits
	fdCheck64   = 4 + 21 + 7 // the same with CRC-21
	afterAck    = 8          // ACK delimiter and EOF: recessive
	interFrame  = 3          // intermission
	suspendBits = 8          // suspend transmission of an error-passive sender
	flagBits    = 6          // an error flag
	delimBits   = 8          // an error delimiter
	idleBits    = 8 + 3      // the recessive bits that mean an idle bus
	recoverRuns = 128        // runs of idleBits that end bus-off
)

// A stuffing state is the level of the last bit and how often it came in a row,
// 1 to 4, as a run of 5 ends at once in the stuff bit. stuffTable takes eight bits
// at once: the low bits of an entry are the next state as an index, the rest is
// the number of stuff bits inserted.
const (
	stuffShift = 11
	stuffMask  = 7 << 8
	// afterOne is the state behind a single 1, behind which a frame may start:
	// its dominant start bit begins a run of its own.
	afterOne = 4 << 8
)

var stuffTable = func() (t [8 << 8]uint16) {
	for i := range t {
		level, run, count := i>>10, i>>8&3+1, 0
		for k := 7; k >= 0; k-- {
			bit := i >> k & 1
			if bit == level {
				run++
			} else {
				level, run = bit, 1
			}
			if run == 5 {
				level, run = 1-bit, 1
				count++
			}
		}
		t[i] = uint16(count<<stuffShift | level<<10 | (run-1)<<8)
	}
	return t
}()

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

// dlcOf is the data length code as sent.
func dlcOf(f *canbus.Frame) uint64 {
	switch {
	case f.Flags&canbus.FD != 0:
		return uint64(canbus.DLC(int(f.Len)))
	case f.RawDLC != 0:
		return uint64(f.RawDLC)
	}
	return uint64(f.Len)
}

// headClassic is the frame from SOF to DLC as a number of headBase or headExt
// bits.
func headClassic(f *canbus.Frame) uint64 {
	id, rtr := uint64(f.ID), bit(f.Flags&canbus.Remote != 0)
	if f.Flags&canbus.Extended == 0 {
		return id<<7 | rtr<<6 | dlcOf(f)
	}
	return id>>18<<27 | 3<<25 | id&0x3FFFF<<7 | rtr<<6 | dlcOf(f)
}

// bitsClassic walks the frame byte by byte. Before SOF stand recessive and
// dominant bits in turn, ending recessive, to fill the first byte without adding a
// stuff bit; behind the 15 bits of the checksum stands the inverse of its last
// bit, for the same reason.
func bitsClassic(f *canbus.Frame) int {
	var (
		head  = headClassic(f)
		crc   uint16
		state = uint(afterOne)
		count uint
	)
	size, pad, top := headBase, uint64(0b10101)<<headBase, 16
	if f.Flags&canbus.Extended != 0 {
		size, pad, top = headExt, 1<<headExt, 32
	}
	padded := head | pad
	for i := top; i >= 0; i -= 8 {
		crc = crc15Byte(crc, byte(head>>i))
		e := uint(stuffTable[state|uint(byte(padded>>i))])
		state, count = e&stuffMask, count+e>>stuffShift
	}
	n := 0
	if f.Flags&canbus.Remote == 0 {
		n = min(int(f.Len), canbus.MaxClassicData)
	}
	for _, b := range f.Data[:n] {
		crc = crc15Byte(crc, b)
		e := uint(stuffTable[state|uint(b)])
		state, count = e&stuffMask, count+e>>stuffShift
	}
	last := uint(crc)<<1 | uint(^crc&1)
	e := uint(stuffTable[state|last>>8])
	state, count = e&stuffMask, count+e>>stuffShift
	count += uint(stuffTable[state|last&0xFF]) >> stuffShift
	return size + 8*n + width15 + 1 + tail + int(count)
}

// headFD is the frame from SOF to DLC, of 22 or 41 bits.
func headFD(f *canbus.Frame) uint64 {
	end := 1<<7 | bit(f.Flags&canbus.BitRateSwitch != 0)<<5 | bit(f.Flags&canbus.ErrorPassive != 0)<<4 | dlcOf(f)
	id := uint64(f.ID)
	if f.Flags&canbus.Extended == 0 {
		return id<<10 | end
	}
	return id>>18<<29 | 3<<27 | id&0x3FFFF<<9 | end
}

// bitsFD needs no checksum: behind the data its stuff bits have fixed places. The
// stuff bits up to IDE or RRS lie in whole bytes before FDF, and none can follow
// FDF, res or a recessive BRS directly, so those bytes hold the ones sent at the
// nominal rate.
func bitsFD(f *canbus.Frame) (nominal, data int) {
	padded, top, before := headFD(f)|0b01<<22, 16, switchBase
	if f.Flags&canbus.Extended != 0 {
		padded, top, before = headFD(f)|0b1010101<<41, 40, switchExt
	}
	state, count := uint(afterOne), uint(0)
	for i := top; i > 0; i -= 8 {
		e := uint(stuffTable[state|uint(byte(padded>>i))])
		state, count = e&stuffMask, count+e>>stuffShift
	}
	nominal, count = before+int(count), 0
	last := byte(padded)
	e := uint(stuffTable[state|uint(last)])
	state, count = e&stuffMask, count+e>>stuffShift
	n := min(int(f.Len), canbus.MaxData)
	if n > 0 {
		last = f.Data[n-1]
	}
	state, stuff := stuffBits(state, f.Data[:n])
	count += stuff
	if state>>10 != uint(last&1) {
		count-- // a stuff bit behind the last bit gives way to the fixed one
	}
	data = fdControl + 8*n + fdCheck16 + 1 + int(count)
	if n > 16 {
		data += fdCheck64 - fdCheck16
	}
	if f.Flags&canbus.BitRateSwitch == 0 {
		return nominal + data + tail, 0
	}
	return nominal + tail, data
}

// stuffBits takes data from a stuffing state on: the next state, and how many stuff bits
// there are.
func stuffBits(state uint, data []byte) (next, count uint) {
	if len(data) >= 32 {
		return stuffHalves(state, data)
	}
	for _, b := range data {
		e := uint(stuffTable[state|uint(b)])
		state, count = e&stuffMask, count+e>>stuffShift
	}
	return state, count
}

// stuffHalves takes the two halves of long data side by side, as a processor can: each
// look-up waits for the one before it. The second half begins with a guess, from the
// bytes before it alone; where that was wrong it is taken again until it comes to the
// same state, mostly within a byte.
func stuffHalves(state uint, data []byte) (next, count uint) {
	half := len(data) / 2
	first, second := data[:half], data[half:2*half]
	guess := uint(afterOne)
	for _, b := range first[half-2:] {
		guess = uint(stuffTable[guess|uint(b)]) & stuffMask
	}
	var after [canbus.MaxData / 2]uint16 // the entries of the second half
	other := guess
	for i, b := range first {
		e := uint(stuffTable[state|uint(b)])
		state, count = e&stuffMask, count+e>>stuffShift
		g := stuffTable[other|uint(second[i])]
		after[i] = g
		other, count = uint(g)&stuffMask, count+uint(g)>>stuffShift
	}
	for i, b := range second {
		if state == guess {
			return other, count
		}
		e, g := uint(stuffTable[state|uint(b)]), uint(after[i])
		state, guess = e&stuffMask, g&stuffMask
		count += e>>stuffShift - g>>stuffShift
	}
	return state, count
}
