package wire

import (
	"fmt"
	"strings"

	"sawhorse/canbus"
)

// naive is a second implementation of the frame format, made of strings of '0'
// and '1' and written from the field lists of ISO 11898-1:2015 clause 10.4.2, so
// that it shares no table, shift or state with the first.
type naive struct {
	before string // SOF to the last data bit, unstuffed
	brs    bool
	fd     bool
	dyn    int    // dynamic stuff bits
	wire   string // SOF to EOF as sent
	fast   int    // how many of them at the data bit rate
	crc    string
	sbc    string
}

func binary(v uint64, n int) string { return fmt.Sprintf("%0*b", n, v) }

func flag(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

func encodeNaive(f *canbus.Frame) naive {
	n := naive{fd: f.Has(canbus.FD), brs: f.Has(canbus.BitRateSwitch)}
	ext := f.Has(canbus.Extended)
	var upToSwitch string
	id := binary(uint64(f.ID), 11)
	if ext {
		id = binary(uint64(f.ID), 29)
		id = id[:11] + "11" + id[11:]
	}
	dlc := map[uint8]string{12: "1001", 16: "1010", 20: "1011", 24: "1100", 32: "1101", 48: "1110", 64: "1111"}[f.Len]
	if dlc == "" {
		dlc = binary(uint64(f.Len), 4)
	}
	if f.RawDLC != 0 {
		dlc = binary(uint64(f.RawDLC), 4)
	}
	data := ""
	if !f.Has(canbus.Remote) {
		for _, b := range f.Data[:f.Len] {
			data += binary(uint64(b), 8)
		}
	}
	switch {
	case n.fd && ext:
		upToSwitch = "0" + id + "0" + "1" + "0" + flag(n.brs)
		n.before = upToSwitch + flag(f.Has(canbus.ErrorPassive)) + dlc + data
	case n.fd:
		upToSwitch = "0" + id + "0" + "0" + "1" + "0" + flag(n.brs)
		n.before = upToSwitch + flag(f.Has(canbus.ErrorPassive)) + dlc + data
	case ext:
		n.before = "0" + id + flag(f.Has(canbus.Remote)) + "00" + dlc + data
	default:
		n.before = "0" + id + flag(f.Has(canbus.Remote)) + "00" + dlc + data
	}
	const end = "1" + "1" + "1" + "1111111" // CRC delimiter, ACK slot and delimiter, EOF
	if !n.fd {
		n.crc = divide(n.before, "1100010110011001", "000000000000000")
		n.wire, n.dyn = stuffNaive(n.before+n.crc, true)
		n.wire += end
		return n
	}
	sent, dyn := stuffNaive(n.before, false)
	n.dyn = dyn
	n.sbc = []string{"0000", "0011", "0110", "0101", "1100", "1111", "1010", "1001"}[dyn%8]
	poly, start := "110110100001011011", "1"+strings.Repeat("0", 16)
	if f.Len > 16 {
		poly, start = "1100000010100010011001", "1"+strings.Repeat("0", 20)
	}
	n.crc = divide(sent+n.sbc, poly, start)
	rest := n.sbc + n.crc
	n.wire = sent
	for len(rest) > 0 {
		n.wire += inverse(n.wire[len(n.wire)-1:])
		k := min(4, len(rest))
		n.wire, rest = n.wire+rest[:k], rest[k:]
	}
	if n.brs {
		slow, _ := stuffNaive(upToSwitch, false)
		n.fast = len(n.wire) - len(slow) + 1
	}
	n.wire += end
	return n
}

func inverse(bit string) string {
	if bit == "0" {
		return "1"
	}
	return "0"
}

// stuffNaive looks at the last five bits sent; atEnd says whether a run of five
// at the very end is broken as well.
func stuffNaive(in string, atEnd bool) (out string, count int) {
	for i := range in {
		out += in[i : i+1]
		if i == len(in)-1 && !atEnd {
			break
		}
		if strings.HasSuffix(out, "00000") || strings.HasSuffix(out, "11111") {
			out += inverse(in[i : i+1])
			count++
		}
	}
	return out, count
}

// divide is the shift register of the standard, on characters; poly has its top
// bit.
func divide(in, poly, start string) string {
	reg := start
	for i := range in {
		next := in[i:i+1] != reg[:1]
		reg = reg[1:] + "0"
		if next {
			var sum strings.Builder
			for k := range reg {
				sum.WriteString(flag(reg[k] != poly[k+1]))
			}
			reg = sum.String()
		}
	}
	return reg
}

func (s *stream) String() string {
	var b strings.Builder
	for _, x := range s.bits[:s.n] {
		b.WriteByte('0' + x.level)
	}
	return b.String()
}
