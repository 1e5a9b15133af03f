package capture

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"time"
)

const (
	maxBuses  = 256  // what Frame.Bus can number
	maxIfaces = 4096 // of one section, other networks included
)

// ngIface is one interface of a section.
type ngIface struct {
	name string
	link uint16
	bus  uint8
	snap uint32
	// A stamp counts units of 1/10^n or, if binary, 1/2^n seconds: ns are
	// stamp*mul/div, or stamp*10^9 shifted right by shift.
	mul, div uint64
	shift    int // -1 for decimal
	offset   time.Duration
}

// resolution sets the unit from an if_tsresol value.
func (in *ngIface) resolution(v byte) {
	n := int(v &^ 0x80)
	if v&0x80 != 0 {
		in.shift = n
		return
	}
	in.shift, in.mul, in.div = -1, 1, 1
	for ; n < 9; n++ {
		in.mul *= 10
	}
	for ; n > 9; n-- {
		if in.div > math.MaxUint64/10 {
			in.mul, in.div = 0, 1 // finer than any stamp reaches 1 ns
			return
		}
		in.div *= 10
	}
}

// time converts a stamp; false if it leaves the range of a Duration.
func (in *ngIface) time(stamp uint64) (time.Duration, bool) {
	var ns uint64
	if in.shift >= 0 {
		hi, lo := bits.Mul64(stamp, uint64(time.Second))
		switch s := uint(in.shift); {
		case s == 0 && hi > 0, s < 64 && hi>>s > 0:
			return 0, false
		case s < 64:
			ns = hi<<(64-s) | lo>>s
		default:
			ns = hi >> (s - 64)
		}
	} else {
		hi, lo := bits.Mul64(stamp, in.mul)
		if hi > 0 {
			return 0, false
		}
		if ns = lo; in.div != 1 {
			ns /= in.div
		}
	}
	if ns > math.MaxInt64 {
		return 0, false
	}
	t := time.Duration(ns)
	if in.offset > 0 && t > math.MaxInt64-in.offset {
		return 0, false
	}
	return t + in.offset, true
}

// iface reads an interface description.
func (d *ngDecoder) iface() error {
	w := &d.r.win
	b, err := d.block(ngIfaceBody+4, "an interface block")
	if err != nil {
		return err
	}
	in := ngIface{link: d.u16(b[8:]), snap: d.u32(b[12:])}
	in.resolution(6)
	var far bool
	d.options(b[ngIfaceBody:len(b)-4], func(code uint16, v []byte) {
		switch {
		case code == optIfName:
			in.name = string(v)
		case code == optTsResol && len(v) == 1:
			in.resolution(v[0])
		case code == optTsOffset && len(v) == 8:
			s := int64(binary.LittleEndian.Uint64(v))
			if d.big {
				s = int64(bits.ReverseBytes64(uint64(s)))
			}
			far = s > math.MaxInt64/int64(time.Second) || s < math.MinInt64/int64(time.Second)
			in.offset = time.Duration(s) * time.Second
		}
	})
	if far {
		return d.r.fail(w.offset(), fmt.Errorf("%w: interface %d%s has a time offset of more than 292 years", ErrFormat, len(d.ifaces), quoted(in.name)), "")
	}
	if in.link == linkTypeCAN {
		bus, ok := d.bus(in.name)
		if !ok {
			return d.r.fail(w.offset(), fmt.Errorf("%w: more than %d buses", ErrFormat, maxBuses), "")
		}
		in.bus = bus
	}
	if len(d.ifaces) >= maxIfaces {
		return d.r.fail(w.offset(), fmt.Errorf("%w: more than %d interfaces", ErrFormat, len(d.ifaces)), "")
	}
	d.ifaces = append(d.ifaces, in)
	w.r += len(b)
	return nil
}

// bus finds the number of an interface by its name: the first bus of that name
// that this section has not used yet, or a new one.
func (d *ngDecoder) bus(name string) (uint8, bool) {
	var used [maxBuses]bool
	for i := range d.ifaces {
		if d.ifaces[i].link == linkTypeCAN {
			used[d.ifaces[i].bus] = true
		}
	}
	for i, n := range d.r.buses {
		if n == name && !used[i] {
			return uint8(i), true
		}
	}
	if len(d.r.buses) == maxBuses {
		return 0, false
	}
	d.r.buses = append(d.r.buses, name)
	return uint8(len(d.r.buses) - 1), true
}

// options calls fn for each option; what is broken ends the list, as options
// only add to a block.
func (d *ngDecoder) options(b []byte, fn func(code uint16, v []byte)) {
	for len(b) >= optHeaderLen {
		code, n := d.u16(b), int(d.u16(b[2:]))
		b = b[optHeaderLen:]
		if code == optEnd || n > len(b) {
			return
		}
		fn(code, b[:n:n])
		b = b[min((n+3)&^3, len(b)):]
	}
}

func quoted(name string) string {
	if name == "" {
		return ""
	}
	return fmt.Sprintf(" %q", name)
}
