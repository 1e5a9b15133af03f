package canbus

import (
	"errors"
	"fmt"
	"strconv"
	"time"
)

// MaxData is the largest payload of a frame in bytes (CAN FD, ISO 11898-1:2015
// clause 10.4.2.4); a classical frame carries at most MaxClassicData.
const (
	MaxData        = 64
	MaxClassicData = 8
)

// ID is a bare CAN identifier: 11 bits, or 29 bits where the frame carries
// [Extended]. The format bit lives in [Flags], so 0x123 in the two formats is
// told apart by [Frame.Key].
type ID uint32

// Largest identifiers of the two formats (ISO 11898-1:2015 clause 10.4.2.2).
const (
	MaxStandardID ID = 0x7FF
	MaxExtendedID ID = 0x1FFFFFFF
)

// Flags says what kind of frame it is.
type Flags uint8

// The kinds combine: an FD frame may be Extended with BRS; Remote excludes FD.
const (
	// Extended marks a 29-bit identifier (IDE recessive).
	Extended Flags = 1 << iota
	// Remote marks a remote frame: no data, Len is the length asked for.
	Remote
	// Error marks a report of the controller, not a frame of the wire: ID holds
	// the error classes and Data the details, as in Linux can/error.h.
	Error
	// FD marks a CAN FD frame (FDF recessive).
	FD
	// BitRateSwitch marks an FD frame whose data phase has its own bit rate.
	BitRateSwitch
	// ErrorPassive marks an FD frame whose sender is error-passive (ESI).
	ErrorPassive
)

// Frame is one frame of a CAN bus. It is a plain value without pointers, so
// it can be copied, compared and kept in rings without allocation.
type Frame struct {
	// Time is when the frame was complete on the bus: since the run began on
	// a bus of the bench, since 1970-01-01T00:00:00Z in a capture.
	Time time.Duration
	// ID is the identifier, or the error classes of an Error frame.
	ID ID
	// Flags is the kind of frame.
	Flags Flags
	// Len is the payload length in bytes; for a Remote frame the length asked for.
	Len uint8
	// RawDLC is 9..15 when a classical frame of eight bytes carried that data
	// length code (ISO 11898-1 allows it), else 0.
	RawDLC uint8
	// Bus numbers the bus of a capture or bench with several; 0 is the first.
	Bus uint8
	// Data holds the payload in Data[:Len]; bytes beyond Len are zero.
	Data [MaxData]byte
}

// New returns a classical data frame with an 11-bit identifier. It panics if
// the identifier or the payload is too large, as only a programmer can err so.
func New(id ID, data ...byte) Frame { return must(id, 0, data) }

// NewExtended is New for a 29-bit identifier.
func NewExtended(id ID, data ...byte) Frame { return must(id, Extended, data) }

// NewFD returns a CAN FD data frame with bit rate switch; flags may add Extended.
func NewFD(id ID, flags Flags, data ...byte) Frame { return must(id, flags|FD, data) }

func must(id ID, flags Flags, data []byte) Frame {
	f := Frame{ID: id, Flags: flags, Len: uint8(len(data))}
	if len(data) > MaxData {
		panic(fmt.Sprintf("canbus: %d data bytes, at most %d", len(data), MaxData))
	}
	copy(f.Data[:], data)
	if err := f.Validate(); err != nil {
		panic(err)
	}
	return f
}

// Payload returns the data bytes present in the frame: none for a Remote one.
// The slice aliases f.
func (f *Frame) Payload() []byte {
	if f.Flags&Remote != 0 {
		return nil
	}
	return f.Data[:f.Len]
}

// Has reports whether all of the flags are set.
func (f *Frame) Has(flags Flags) bool { return f.Flags&flags == flags }

// Key is the identifier with its format in bit 31, so that equal numbers of
// the two formats differ.
func (f *Frame) Key() Key { return KeyOf(f.ID, f.Flags&Extended != 0) }

// Key names an identifier and its format in one comparable number: bit 31 is
// set for a 29-bit identifier.
type Key uint32

// KeyOf joins an identifier and its format.
func KeyOf(id ID, extended bool) Key {
	if extended {
		return Key(id) | 1<<31
	}
	return Key(id)
}

// ID is the bare identifier.
func (k Key) ID() ID { return ID(k &^ (1 << 31)) }

// Extended reports whether the identifier has 29 bits.
func (k Key) Extended() bool { return k>>31 != 0 }

// String writes the identifier as the trade does: three hex digits for 11
// bits, eight for 29.
func (k Key) String() string {
	if k.Extended() {
		return fmt.Sprintf("%08X", uint32(k.ID()))
	}
	return fmt.Sprintf("%03X", uint32(k))
}

// ParseKey reads an identifier in hexadecimal; up to three digits have 11 bits,
// more have 29. The error wraps ErrFrame.
func ParseKey(s string) (Key, error) {
	n, err := strconv.ParseUint(s, 16, 32)
	extended := len(s) > 3
	if id := ID(n); err == nil && (extended && id <= MaxExtendedID || !extended && id <= MaxStandardID) {
		return KeyOf(id, extended), nil
	}
	return 0, fmt.Errorf("%w: identifier %q, want hexadecimal such as 7E8 or 18DAF110", ErrFrame, s)
}

// ErrFrame is wrapped by every error about a frame that no bus could carry.
var ErrFrame = errors.New("not a CAN frame")

// Validate reports why no bus could carry the frame; nil if one could.
func (f *Frame) Validate() error {
	switch {
	case f.Flags&Error != 0:
		if f.Len != MaxClassicData {
			return fmt.Errorf("%w: error report of %d bytes, want 8", ErrFrame, f.Len)
		}
	case f.Flags&Extended == 0 && f.ID > MaxStandardID:
		return fmt.Errorf("%w: identifier %X needs more than 11 bits", ErrFrame, uint32(f.ID))
	case f.ID > MaxExtendedID:
		return fmt.Errorf("%w: identifier %X needs more than 29 bits", ErrFrame, uint32(f.ID))
	}
	if f.Flags&FD == 0 {
		if f.Flags&(BitRateSwitch|ErrorPassive) != 0 {
			return fmt.Errorf("%w: BRS or ESI on a classical frame", ErrFrame)
		}
		if f.Len > MaxClassicData {
			return fmt.Errorf("%w: %d data bytes in a classical frame, at most 8", ErrFrame, f.Len)
		}
		if f.RawDLC != 0 && (f.RawDLC < 9 || f.RawDLC > 15 || f.Len != MaxClassicData) {
			return fmt.Errorf("%w: raw data length code %d with %d bytes, want 9..15 with 8", ErrFrame, f.RawDLC, f.Len)
		}
		return nil
	}
	if f.Flags&(Remote|Error) != 0 {
		return fmt.Errorf("%w: CAN FD has no remote frames", ErrFrame)
	}
	if LengthOf(DLC(int(f.Len))) != int(f.Len) {
		return fmt.Errorf("%w: %d data bytes is no CAN FD length (0..8 12 16 20 24 32 48 64)", ErrFrame, f.Len)
	}
	return nil
}

// String writes the frame for people: identifier, kind, length, data.
func (f *Frame) String() string {
	s := f.Key().String()
	if f.Flags&Error != 0 {
		s = fmt.Sprintf("error %08X", uint32(f.ID))
	}
	if f.Flags&FD != 0 {
		s += " fd"
	}
	if f.Flags&Remote != 0 {
		return fmt.Sprintf("%s remote %d", s, f.Len)
	}
	return fmt.Sprintf("%s [%d] % X", s, f.Len, f.Data[:f.Len])
}

var fdLengths = [16]uint8{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}

// DLC returns the smallest data length code whose length holds n bytes
// (ISO 11898-1:2015 table 5); n beyond 64 gives 15.
func DLC(n int) uint8 {
	for d, l := range fdLengths {
		if n <= int(l) {
			return uint8(d)
		}
	}
	return 15
}

// LengthOf is the CAN FD payload length of a data length code 0..15.
func LengthOf(dlc uint8) int { return int(fdLengths[dlc&15]) }
