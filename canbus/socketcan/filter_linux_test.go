package socketcan

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// The bits of struct can_filter are those of Linux UAPI can.h.
func TestFiltersInTheSystemsForm(t *testing.T) {
	got := kernelFilters([]Filter{
		{Key: 0x7E8, Mask: 0x7F8},
		{Key: canbus.KeyOf(0x18DAF110, true), Mask: canbus.MaxExtendedID},
		{Key: 0x123, Mask: canbus.MaxStandardID, Not: true},
	})
	assert.Equal(t, []unix.CanFilter{
		{Id: 0x7E8, Mask: 0x800007F8},
		{Id: 0x98DAF110, Mask: 0x9FFFFFFF},
		{Id: 0x20000123, Mask: 0x800007FF},
	}, got)
}

// passes is the rule of Documentation/networking/can.rst 4.1.1:
// received_can_id & mask == can_id & mask, or not, with CAN_INV_FILTER.
func passes(k unix.CanFilter, id uint32) bool {
	inverted := k.Id&unix.CAN_INV_FILTER != 0
	return (id&k.Mask == k.Id&^unix.CAN_INV_FILTER&k.Mask) != inverted
}

func TestABusFiltersLikeTheSystem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		extended := rapid.Bool()
		id := func(name string, ext bool) canbus.ID {
			if ext {
				return canbus.ID(rapid.Uint32Range(0, uint32(canbus.MaxExtendedID)).Draw(t, name))
			}
			return canbus.ID(rapid.Uint32Range(0, uint32(canbus.MaxStandardID)).Draw(t, name))
		}
		fe := extended.Draw(t, "filter extended")
		f := Filter{Key: canbus.KeyOf(id("key", fe), fe), Mask: id("mask", fe), Not: rapid.Bool().Draw(t, "not")}
		r := canbus.Frame{}
		if extended.Draw(t, "frame extended") {
			r.Flags = canbus.Extended
		}
		r.ID = id("id", r.Has(canbus.Extended))
		if rapid.Bool().Draw(t, "near") { // so that matches happen
			r.ID = f.Key.ID()&f.Mask | r.ID&^f.Mask
			if !r.Has(canbus.Extended) {
				r.ID &= canbus.MaxStandardID
			}
		}
		if rapid.Bool().Draw(t, "remote") {
			r.Flags |= canbus.Remote
		}
		require.Equal(t, passes(kernelFilters([]Filter{f})[0], r.WireID()), f.Match(&r))
	})
}
