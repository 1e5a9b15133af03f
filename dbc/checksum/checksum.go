// Package checksum computes the checksums that messages of cars carry.
//
// The CRCs are those of the public catalogue of parametrised CRC algorithms, under
// its names; the AUTOSAR specification of CRC routines has the same three. XOR and
// sum are common practice. No kind reflects its bits: the most significant bit of a
// byte goes first.
package checksum

import (
	"fmt"
	"strings"
)

// Kind is one row of the table. The zero Kind is none.
type Kind uint8

// The kinds, with their parameters (width, polynomial, initial value, final XOR) and
// what they make of the nine characters "123456789".
const (
	_        Kind = iota
	XOR           // all bytes exclusive-or'ed; 31
	Sum           // all bytes added modulo 256; DD
	CRC8SAE       // CRC-8/SAE-J1850: 8, 1D, FF, FF; 4B
	CRC8H2F       // CRC-8/AUTOSAR: 8, 2F, FF, FF; DF
	CRC16IBM      // CRC-16/IBM-3740, also called CCITT-FALSE: 16, 1021, FFFF, 0; 29B1
)

type row struct {
	name, catalogue   string
	width             int
	poly, init, final uint16
}

var rows = [...]row{
	XOR:      {name: "xor", width: 8},
	Sum:      {name: "sum", width: 8},
	CRC8SAE:  {"crc8-j1850", "CRC-8/SAE-J1850", 8, 0x1D, 0xFF, 0xFF},
	CRC8H2F:  {"crc8-2f", "CRC-8/AUTOSAR", 8, 0x2F, 0xFF, 0xFF},
	CRC16IBM: {"crc16-ibm3740", "CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, 0},
}

// tables hold, for each CRC, the register after one byte has passed a zero register.
var tables = func() (t [len(rows)][256]uint16) {
	for k, r := range rows {
		if r.poly == 0 {
			continue
		}
		top := uint16(1) << (r.width - 1)
		for b := range 256 {
			reg := uint16(b) << (r.width - 8)
			for range 8 {
				carry := reg&top != 0
				reg <<= 1
				if carry {
					reg ^= r.poly
				}
			}
			t[k][b] = reg & (top<<1 - 1)
		}
	}
	return t
}()

// Kinds lists all kinds in the order of the table.
func Kinds() []Kind { return []Kind{XOR, Sum, CRC8SAE, CRC8H2F, CRC16IBM} }

// Parse finds a kind by its name (see String) or by the catalogue's name.
func Parse(name string) (Kind, error) {
	var names []string
	for _, k := range Kinds() {
		r := rows[k]
		if name != "" && (name == r.name || name == r.catalogue) {
			return k, nil
		}
		names = append(names, r.name)
	}
	return 0, fmt.Errorf("checksum kind %q, want one of %s", name, strings.Join(names, ", "))
}

func (k Kind) row() *row {
	if int(k) < len(rows) {
		return &rows[k]
	}
	return &rows[0]
}

// String is the kind's name in our files, such as crc8-j1850.
func (k Kind) String() string {
	if n := k.row().name; n != "" {
		return n
	}
	return fmt.Sprintf("checksum kind %d", uint8(k))
}

// Width is the length of the checksum in bits: 8 or 16; 0 for no kind.
func (k Kind) Width() int { return k.row().width }

// Begin is the register before the first byte.
func (k Kind) Begin() uint16 { return k.row().init }

// Add passes data through the register.
func (k Kind) Add(reg uint16, data []byte) uint16 {
	switch k {
	case XOR:
		for _, b := range data {
			reg ^= uint16(b)
		}
	case Sum:
		for _, b := range data {
			reg = (reg + uint16(b)) & 0xFF
		}
	case CRC8SAE, CRC8H2F:
		t := &tables[k]
		for _, b := range data {
			reg = t[byte(reg)^b]
		}
	case CRC16IBM:
		t := &tables[k]
		for _, b := range data {
			reg = reg<<8 ^ t[byte(reg>>8)^b]
		}
	}
	return reg
}

// End is the checksum of what has passed.
func (k Kind) End(reg uint16) uint16 { return reg ^ k.row().final }

// Of is the checksum of data.
func (k Kind) Of(data []byte) uint16 { return k.End(k.Add(k.Begin(), data)) }
