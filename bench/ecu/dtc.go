package ecu

import "fmt"

// DTC is a trouble code in its two bytes (SAE J2012, ISO 15031-6): bits 15-14
// the system P C B U, bits 13-12 the first digit, then three hex digits.
type DTC uint16

const systems = "PCBU"

// ParseDTC reads a code as the trade writes it: P0102, U0100, P080A.
func ParseDTC(s string) (DTC, error) {
	bad := fmt.Errorf("%q is no trouble code, want a letter of P C B U, a digit 0..3 and three hex digits, as in P080A", s)
	if len(s) != 5 {
		return 0, bad
	}
	var d DTC
	switch s[0] {
	case 'P':
	case 'C':
		d = 1 << 14
	case 'B':
		d = 2 << 14
	case 'U':
		d = 3 << 14
	default:
		return 0, bad
	}
	if s[1] < '0' || s[1] > '3' {
		return 0, bad
	}
	d |= DTC(s[1]-'0') << 12
	for i, shift := 2, 8; i < 5; i, shift = i+1, shift-4 {
		n, ok := nibble(s[i])
		if !ok {
			return 0, bad
		}
		d |= DTC(n) << shift
	}
	return d, nil
}

// nibble reads one hex digit as the trade writes codes: capitals only.
func nibble(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

// String writes the code as the trade does.
func (d DTC) String() string {
	return fmt.Sprintf("%c%d%03X", systems[d>>14], d>>12&3, uint16(d)&0xFFF)
}
