package dbc

import (
	"encoding/binary"
	"math/bits"

	"sawhorse/canbus"
)

type payload = [canbus.MaxData]byte

// load reads the eight bytes at base as one word in the plan's byte order.
func (p *plan) load(d *payload) uint64 {
	w := binary.LittleEndian.Uint64(d[p.base : p.base+8])
	if p.order != 0 {
		return bits.ReverseBytes64(w)
	}
	return w
}

func (p *plan) store(d *payload, w uint64) {
	if p.order != 0 {
		w = bits.ReverseBytes64(w)
	}
	binary.LittleEndian.PutUint64(d[p.base:p.base+8], w)
}

// get is the signal's bits as an unsigned number.
func (p *plan) get(d *payload) uint64 {
	w := p.load(d)
	if !p.wide {
		return w >> (p.shift & 63) & p.mask
	}
	ninth := uint64(d[p.base+8])
	if p.order == 0 { // the ninth byte holds the most significant bits
		return (w>>(p.shift&63) | ninth<<(64-p.shift)) & p.mask
	}
	return (w<<p.spill | ninth>>(8-p.spill)) & p.mask
}

// put sets the signal's bits to the low ones of raw.
func (p *plan) put(d *payload, raw uint64) {
	raw &= p.mask
	w := p.load(d)
	if !p.wide {
		p.store(d, w&^(p.mask<<(p.shift&63))|raw<<(p.shift&63))
		return
	}
	ninth := &d[p.base+8]
	low := byte(1)<<p.spill - 1 // spill bits
	if p.order == 0 {
		p.store(d, w&^(p.mask<<p.shift)|raw<<p.shift)
		*ninth = *ninth&^low | byte(raw>>(64-p.shift))
		return
	}
	p.store(d, w&^(p.mask>>p.spill)|raw>>p.spill)
	*ninth = *ninth&^(low<<(8-p.spill)) | byte(raw<<(8-p.spill))
}
