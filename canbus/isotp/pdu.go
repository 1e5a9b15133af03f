package isotp

import (
	"encoding/binary"
	"time"
)

// maxShortLen is the longest message without the 32-bit length escape.
const maxShortLen = 4095

// FlowStatus is the FS of a flow control frame (ISO 15765-2:2016 table 18);
// values from 3 are reserved.
type FlowStatus uint8

// The flow states.
const (
	ContinueToSend FlowStatus = iota
	Wait
	Overflow
)

// Flow is the content of a flow control frame as it was on the bus.
type Flow struct {
	Status           FlowStatus
	BlockSize, STmin byte
}

// Gap is the least time between consecutive frames that STmin asks for
// (ISO 15765-2:2016 table 20): 00..7F are milliseconds, F1..F9 steps of
// 100 us; a sender takes the reserved rest as 127 ms.
func Gap(stmin byte) time.Duration {
	switch {
	case stmin <= 0x7F:
		return time.Duration(stmin) * time.Millisecond
	case stmin >= 0xF1 && stmin <= 0xF9:
		return time.Duration(stmin-0xF0) * 100 * time.Microsecond
	}
	return 127 * time.Millisecond
}

type kind uint8

const (
	single kind = iota
	first
	consecutive
	flow
)

// pdu is one N_PDU taken apart. data aliases the frame, pad bytes included.
type pdu struct {
	kind   kind
	canDL  int
	length uint32 // SF_DL or FF_DL
	sn     byte
	flow   Flow
	data   []byte
}

// parse takes a data field apart whose first off bytes are the address. The
// reason is Accepted or the length rule that the frame breaks. It returns a
// value because frames that are stored through a pointer move to the heap.
func parse(field []byte, off int) (pdu, Reason) {
	b := field[off:]
	if len(b) == 0 {
		return pdu{}, Empty
	}
	switch kind(b[0] >> 4) {
	case single:
		return parseSingle(field, off)
	case first:
		return parseFirst(field, off)
	case consecutive:
		return pdu{kind: consecutive, canDL: len(field), sn: b[0] & 0xF, data: b[1:]}, Accepted
	case flow:
		if len(b) < 3 {
			return pdu{}, FlowShort
		}
		fc := Flow{Status: FlowStatus(b[0] & 0xF), BlockSize: b[1], STmin: b[2]}
		return pdu{kind: flow, canDL: len(field), flow: fc}, Accepted
	}
	return pdu{}, ReservedType
}

func parseSingle(field []byte, off int) (pdu, Reason) {
	b := field[off:]
	n, pci := int(b[0]&0xF), 1
	switch {
	case len(field) <= 8 && n == 0:
		return pdu{}, SingleZero
	case len(field) > 8 && n != 0:
		return pdu{}, SingleNibble
	case len(field) > 8:
		n, pci = int(b[1]), 2
		if n <= 7-off {
			return pdu{}, SingleNoEscape
		}
	}
	if n > len(b)-pci {
		return pdu{}, SingleTooLong
	}
	return pdu{kind: single, canDL: len(field), length: uint32(n), data: b[pci : pci+n]}, Accepted
}

func parseFirst(field []byte, off int) (pdu, Reason) {
	if len(field) < 8 {
		return pdu{}, FirstSmallFrame
	}
	b := field[off:]
	n, pci := uint32(b[0]&0xF)<<8|uint32(b[1]), 2
	if n == 0 {
		n, pci = binary.BigEndian.Uint32(b[2:]), 6
		if n <= maxShortLen {
			return pdu{}, FirstNoEscape
		}
	}
	if n < uint32(maxSingle(len(field), off)+1) {
		return pdu{}, FirstTooShort
	}
	return pdu{kind: first, canDL: len(field), length: n, data: b[pci:]}, Accepted
}

// maxSingle is the longest message in a single frame of up to txDL bytes; one
// byte more is the least that a first frame may announce.
func maxSingle(txDL, off int) int {
	if txDL > 8 {
		return txDL - 2 - off
	}
	return 7 - off
}

// appendSingle, appendFirst and appendConsecutive append a PDU with as many
// bytes of the message as belong into it, and say how many.
func appendSingle(b, msg []byte, off int) ([]byte, int) {
	if len(msg) <= 7-off {
		b = append(b, byte(len(msg)))
	} else {
		b = append(b, 0, byte(len(msg)))
	}
	return append(b, msg...), len(msg)
}

func appendFirst(b, msg []byte, txDL int) ([]byte, int) {
	if len(msg) <= maxShortLen {
		b = append(b, 0x10|byte(len(msg)>>8), byte(len(msg)))
	} else {
		b = binary.BigEndian.AppendUint32(append(b, 0x10, 0), uint32(len(msg)))
	}
	n := txDL - len(b)
	return append(b, msg[:n]...), n
}

func appendConsecutive(b, rest []byte, sn byte, txDL int) ([]byte, int) {
	b = append(b, 0x20|sn)
	n := min(txDL-len(b), len(rest))
	return append(b, rest[:n]...), n
}

func appendFlow(b []byte, f Flow) []byte {
	return append(b, 0x30|byte(f.Status)&0xF, f.BlockSize, f.STmin)
}
