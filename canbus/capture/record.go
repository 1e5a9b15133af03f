package capture

import (
	"encoding/binary"
	"errors"
	"fmt"

	"sawhorse/canbus"
)

// linkTypeCAN is LINKTYPE_CAN_SOCKETCAN.
const linkTypeCAN = 227

// Offsets and bits of a packet record, see the package comment.
const (
	recID     = 0
	recLen    = 4
	recFlags  = 5
	recRawDLC = 7
	recData   = 8

	flagFDF = 0x04
	// flagXL lies where classical and FD records have their length.
	flagXL = 0x80
)

var errXL = errors.New("a CAN XL frame, which no bus here carries")

// decodeRecord sets all of the frame but Time and Bus from a packet record;
// orig is the length of the record before the recorder cut it.
func decodeRecord(f *canbus.Frame, b []byte, orig int) error {
	if len(b) < recData {
		return fmt.Errorf("%w: packet record of %d bytes, want 8 or more", canbus.ErrFrame, len(b))
	}
	n := int(b[recLen])
	if n&flagXL != 0 {
		return errXL
	}
	f.Flags, f.RawDLC, f.Len = 0, 0, uint8(n)
	f.Data = [canbus.MaxData]byte{}
	if err := f.SetWireID(binary.BigEndian.Uint32(b[recID:])); err != nil {
		return err
	}
	if b[recFlags]&flagFDF != 0 || orig == canbus.RecordSizeFD || n > canbus.MaxClassicData && orig != canbus.RecordSize {
		f.SetFDFlags(b[recFlags])
	} else if raw := b[recRawDLC]; raw > canbus.MaxClassicData && raw <= 15 && n == canbus.MaxClassicData {
		f.RawDLC = raw
	}
	if err := f.Validate(); err != nil {
		return err
	}
	if f.Flags&canbus.Remote != 0 {
		return nil
	}
	if len(b) == canbus.RecordSize && n <= canbus.MaxClassicData {
		// The common case: one masked move, so that padding never gets in.
		v := binary.LittleEndian.Uint64(b[recData:]) & lowBytes[n]
		binary.LittleEndian.PutUint64(f.Data[:], v)
		return nil
	}
	if len(b)-recData < n {
		return fmt.Errorf("%w: %d of %d payload bytes were recorded", canbus.ErrFrame, len(b)-recData, n)
	}
	copy(f.Data[:n], b[recData:])
	return nil
}

// lowBytes masks the first n bytes of a little-endian word.
var lowBytes = func() (m [canbus.MaxClassicData + 1]uint64) {
	for n := 1; n < len(m); n++ {
		m[n] = m[n-1]<<8 | 0xFF
	}
	return m
}()

// appendRecord appends the frame as a padded packet record.
func appendRecord(b []byte, f *canbus.Frame) []byte {
	b = binary.BigEndian.AppendUint32(b, f.WireID())
	if f.Flags&canbus.FD != 0 {
		b = append(b, f.Len, f.FDFlags(), 0, 0)
		return append(b, f.Data[:canbus.MaxData]...)
	}
	b = append(b, f.Len, 0, 0, f.RawDLC)
	return append(b, f.Data[:canbus.MaxClassicData]...)
}
