package capture

import (
	"bytes"
	"fmt"

	"sawhorse/canbus"
)

// Words of the flags column, in the order in which they are written.
var flagWords = []struct {
	word string
	flag canbus.Flags
}{
	{"IDE", canbus.Extended},
	{"RTR", canbus.Remote},
	{"ERR", canbus.Error},
	{"FDF", canbus.FD},
	{"BRS", canbus.BitRateSwitch},
	{"ESI", canbus.ErrorPassive},
}

// parse sets the frame from a record.
func (d *csvDecoder) parse(f *canbus.Frame, b []byte) *flaw {
	if e := d.split(b); e != nil {
		return e
	}
	if len(d.fields) != len(d.col) {
		return &flaw{len(b), fmt.Errorf("%w: %d columns", ErrFormat, len(d.fields)), fmt.Sprintf("%d as in the header", len(d.col))}
	}
	for i, c := range d.col {
		d.cell[c] = d.fields[i]
	}
	var ok bool
	if f.Time, ok = seconds(d.cell[colTime].text); !ok {
		return d.wrong(colTime, "time", "seconds since 1970 such as 1497283796.807994")
	}
	f.Bus = 0
	if t := d.cell[colBus].text; len(t) > 0 {
		n, ok := number(t, 10, 255)
		if !ok {
			return d.wrong(colBus, "bus", "a number from 0 to 255")
		}
		d.name(int(n))
		f.Bus = uint8(n)
	} else {
		d.name(0)
	}
	return d.content(f)
}

// name makes the bus known; a CSV has no names.
func (d *csvDecoder) name(bus int) {
	for len(d.r.buses) <= bus {
		d.r.buses = append(d.r.buses, "")
	}
}

// content sets identifier, flags, length and data.
func (d *csvDecoder) content(f *canbus.Frame) *flaw {
	f.Flags, f.RawDLC, f.Data = 0, 0, [canbus.MaxData]byte{}
	for rest := d.cell[colFlags].text; len(rest) > 0; {
		word := rest
		if i := bytes.IndexByte(rest, ' '); i >= 0 {
			word, rest = rest[:i], rest[i+1:]
		} else {
			rest = nil
		}
		known := len(word) == 0
		for _, w := range flagWords {
			if string(word) == w.word {
				f.Flags |= w.flag
				known = true
			}
		}
		if !known {
			return d.wrong(colFlags, "flag", "IDE RTR ERR FDF BRS ESI")
		}
	}
	id := d.cell[colID].text
	n, ok := number(id, 16, uint64(canbus.MaxExtendedID))
	if !ok {
		return d.wrong(colID, "identifier", "up to eight hexadecimal digits, at most 1FFFFFFF")
	}
	f.ID = canbus.ID(n)
	if !d.has[colFlags] && len(id) > 3 {
		f.Flags |= canbus.Extended
	}
	if e := d.payload(f); e != nil {
		return e
	}
	if err := f.Validate(); err != nil {
		return &flaw{d.cell[colID].at, err, ""}
	}
	return nil
}

// payload sets length and data from the dlc and data columns.
func (d *csvDecoder) payload(f *canbus.Frame) *flaw {
	hex := d.cell[colData].text
	n := len(hex) / 2
	t := d.cell[colDLC].text
	if told := d.has[colDLC] && (len(t) > 0 || f.Flags&canbus.Remote != 0); !told {
		if !d.ended && d.col[len(d.col)-1] == colData {
			return &flaw{d.cell[colData].at, fmt.Errorf("%w: the last line does not end, and nothing tells whether its data is whole", ErrFormat), "a line end, or a data length code"}
		}
	} else {
		dlc, ok := number(t, 10, 15)
		if !ok {
			return d.wrong(colDLC, "data length code", "a number from 0 to 15")
		}
		n = canbus.LengthOf(uint8(dlc))
		if f.Flags&canbus.FD == 0 && dlc > canbus.MaxClassicData {
			n, f.RawDLC = canbus.MaxClassicData, uint8(dlc)
		}
	}
	if n > canbus.MaxData {
		return d.wrong(colData, "payload", "at most 64 bytes")
	}
	f.Len = uint8(n)
	if f.Flags&canbus.Remote != 0 {
		n = 0
	}
	if len(hex) != 2*n {
		return &flaw{d.cell[colData].at, fmt.Errorf("%w: %d hexadecimal digits of data", ErrFormat, len(hex)), fmt.Sprintf("%d", 2*n)}
	}
	for i := range n {
		hi, lo := hexDigit[hex[2*i]], hexDigit[hex[2*i+1]]
		if hi|lo > 15 {
			return d.wrong(colData, "payload", "hexadecimal digits")
		}
		f.Data[i] = hi<<4 | lo
	}
	return nil
}

func (d *csvDecoder) wrong(col int, what, want string) *flaw {
	c := d.cell[col]
	return &flaw{c.at, fmt.Errorf("%w: %s %q", ErrFormat, what, clip(c.text)), want}
}

// number parses digits of a base up to most.
func number(b []byte, base, most uint64) (uint64, bool) {
	if len(b) == 0 || len(b) > 8 {
		return 0, false
	}
	var n uint64
	for _, c := range b {
		v := uint64(hexDigit[c])
		if v >= base {
			return 0, false
		}
		n = n*base + v
	}
	return n, n <= most
}

// hexDigit is the value of a hexadecimal digit, 255 for other bytes.
var hexDigit = func() (t [256]byte) {
	for i := range t {
		t[i] = 0xFF
	}
	for i := range 10 {
		t['0'+i] = byte(i)
	}
	for i := range 6 {
		t['A'+i], t['a'+i] = byte(10+i), byte(10+i)
	}
	return t
}()
