package canbus

import (
	"encoding/binary"
	"fmt"
)

// Sizes of the records in which SocketCAN carries frames (Linux UAPI can.h):
//
//	can_frame    u32 can_id @0, u8 len @4, 3 bytes @5 (len8_dlc @7), data[8]  @8
//	canfd_frame  u32 can_id @0, u8 len @4, u8 flags @5, 2 bytes @6, data[64] @8
const (
	RecordSize   = 16
	RecordSizeFD = 72
)

const (
	bitExtended = 1 << 31
	bitRemote   = 1 << 30
	bitError    = 1 << 29

	fdBRS = 0x01
	fdESI = 0x02
	fdFDF = 0x04
)

// WireID is the identifier with the format, remote and error bits as can_id
// has them.
func (f *Frame) WireID() uint32 {
	id := uint32(f.ID)
	if f.Flags&Extended != 0 {
		id |= bitExtended
	}
	if f.Flags&Remote != 0 {
		id |= bitRemote
	}
	if f.Flags&Error != 0 {
		id |= bitError
	}
	return id
}

// SetWireID sets identifier and format, remote and error flags from a can_id;
// bits of an 11-bit identifier beyond the eleventh are an error.
func (f *Frame) SetWireID(id uint32) error {
	f.Flags &^= Extended | Remote | Error
	if id&bitError != 0 {
		f.Flags |= Error
		f.ID = ID(id &^ (bitExtended | bitRemote | bitError))
		return nil
	}
	if id&bitRemote != 0 {
		f.Flags |= Remote
	}
	if id&bitExtended != 0 {
		f.Flags |= Extended
		f.ID = ID(id) & MaxExtendedID
		return nil
	}
	f.ID = ID(id &^ (bitRemote))
	if f.ID > MaxStandardID {
		return fmt.Errorf("%w: can_id %08X has no format bit but needs more than 11 bits", ErrFrame, id)
	}
	return nil
}

// FDFlags is the flags byte of a canfd_frame; 0 for a classical frame.
func (f *Frame) FDFlags() uint8 {
	if f.Flags&FD == 0 {
		return 0
	}
	b := uint8(fdFDF)
	if f.Flags&BitRateSwitch != 0 {
		b |= fdBRS
	}
	if f.Flags&ErrorPassive != 0 {
		b |= fdESI
	}
	return b
}

// SetFDFlags marks the frame as FD with the BRS and ESI of a flags byte.
func (f *Frame) SetFDFlags(b uint8) {
	f.Flags = f.Flags&^(BitRateSwitch|ErrorPassive) | FD
	if b&fdBRS != 0 {
		f.Flags |= BitRateSwitch
	}
	if b&fdESI != 0 {
		f.Flags |= ErrorPassive
	}
}

// AppendRecord appends the frame as a can_frame (16 bytes) or canfd_frame (72
// bytes) in native byte order, as sockets carry it.
func (f *Frame) AppendRecord(b []byte) []byte {
	b = binary.NativeEndian.AppendUint32(b, f.WireID())
	if f.Flags&FD != 0 {
		b = append(b, f.Len, f.FDFlags(), 0, 0)
		return append(b, f.Data[:MaxData]...)
	}
	b = append(b, f.Len, 0, 0, f.RawDLC)
	return append(b, f.Data[:MaxClassicData]...)
}

// ReadRecord sets the frame from a record of 16 or 72 bytes in native byte
// order. Time and Bus are left alone. Errors wrap ErrFrame.
func (f *Frame) ReadRecord(b []byte) error {
	f.Flags, f.RawDLC, f.Data = 0, 0, [MaxData]byte{}
	switch len(b) {
	case RecordSize:
		f.RawDLC = b[7]
	case RecordSizeFD:
		f.SetFDFlags(b[5])
	default:
		return fmt.Errorf("%w: record of %d bytes, want %d or %d", ErrFrame, len(b), RecordSize, RecordSizeFD)
	}
	if err := f.SetWireID(binary.NativeEndian.Uint32(b)); err != nil {
		return err
	}
	f.Len = b[4]
	if int(f.Len) > len(b)-8 {
		return fmt.Errorf("%w: length %d in a record of %d bytes", ErrFrame, f.Len, len(b))
	}
	if f.Flags&Remote == 0 {
		copy(f.Data[:f.Len], b[8:])
	}
	return f.Validate()
}
