package inspect

import (
	"fmt"
	"strings"

	"sawhorse/canbus"
)

// Classes and details of a controller's report (Linux UAPI can/error.h).
var (
	classes = []struct {
		bit  canbus.ID
		text string
	}{
		{0x001, "transmit timeout"}, {0x002, "lost arbitration"}, {0x004, "controller"}, {0x008, "protocol"},
		{0x010, "transceiver"}, {0x020, "no acknowledgement"}, {0x040, "bus-off"}, {0x080, "bus error"}, {0x100, "restarted"},
	}
	controller = []string{"receive overflow", "transmit overflow", "receive warning", "transmit warning", "receive passive", "transmit passive", "active again"}
	protocol   = []string{"bit", "form", "stuff", "bit 0", "bit 1", "overload", "active", "while sending"}
)

// errorText says what a report means.
func errorText(f *canbus.Frame) string {
	var parts []string
	for _, c := range classes {
		if f.ID&c.bit == 0 {
			continue
		}
		text := c.text
		switch c.bit {
		case 0x004:
			text = join(text, controller, f.Data[1])
		case 0x008:
			text = join(text, protocol, f.Data[2])
		}
		parts = append(parts, text)
	}
	s := strings.Join(parts, ", ")
	if f.ID&0x200 != 0 {
		s += fmt.Sprintf(" (transmit counter %d, receive counter %d)", f.Data[6], f.Data[7])
	}
	return s
}

func join(head string, names []string, bits byte) string {
	var on []string
	for i, n := range names {
		if bits>>i&1 != 0 {
			on = append(on, n)
		}
	}
	if len(on) == 0 {
		return head
	}
	return head + " (" + strings.Join(on, ", ") + ")"
}
