package canbus

import (
	"fmt"

	"go.einride.tech/can"
)

// ToEinride converts a classical data or remote frame to go.einride.tech/can's
// frame, which knows no CAN FD, error reports or timestamps: those are errors
// wrapping ErrFrame, since a conversion would lose them.
func (f *Frame) ToEinride() (can.Frame, error) {
	if f.Flags&(FD|Error) != 0 {
		return can.Frame{}, fmt.Errorf("%w: only classical data and remote frames convert", ErrFrame)
	}
	c := can.Frame{
		ID:         uint32(f.ID),
		Length:     f.Len,
		IsRemote:   f.Flags&Remote != 0,
		IsExtended: f.Flags&Extended != 0,
	}
	copy(c.Data[:], f.Payload())
	return c, nil
}

// FromEinride sets the frame from go.einride.tech/can's; Time and Bus are left
// alone. An invalid source is an error wrapping ErrFrame.
func (f *Frame) FromEinride(c can.Frame) error {
	if err := c.Validate(); err != nil {
		return fmt.Errorf("%w: %w", ErrFrame, err)
	}
	f.ID, f.Len, f.Flags, f.RawDLC, f.Data = ID(c.ID), c.Length, 0, 0, [MaxData]byte{}
	if c.IsExtended {
		f.Flags |= Extended
	}
	if c.IsRemote {
		f.Flags |= Remote
		return nil
	}
	copy(f.Data[:c.Length], c.Data[:])
	return nil
}
