package uds

import (
	"fmt"
	"strings"
)

// DTC is a trouble code in its two bytes (SAE J2012, ISO 15031-6): bits 15 and 14 the
// system, P C B U, bits 13 and 12 the first digit, then three hex digits.
type DTC uint16

// systems are the letters by the code's highest two bits.
const systems = "PCBU"

// CodeOf is the code of two bytes of a message.
func CodeOf(hi, lo byte) DTC { return DTC(hi)<<8 | DTC(lo) }

// ParseDTC reads a code as the trade writes it, in capitals: P0102, U0100, P080A.
func ParseDTC(s string) (DTC, error) {
	bad := fmt.Errorf("%q is no trouble code, want a letter of P C B U, a digit 0..3 and three hex digits, as in P080A", s)
	if len(s) != 5 {
		return 0, bad
	}
	system := strings.IndexByte(systems, s[0])
	if system < 0 || s[1] < '0' || s[1] > '3' {
		return 0, bad
	}
	d := DTC(system)<<14 | DTC(s[1]-'0')<<12
	for i, shift := 2, 8; i < 5; i, shift = i+1, shift-4 {
		n := strings.IndexByte("0123456789ABCDEF", s[i])
		if n < 0 {
			return 0, bad
		}
		d |= DTC(n) << shift
	}
	return d, nil
}

// String writes the code as the trade does.
func (d DTC) String() string {
	return fmt.Sprintf("%c%d%03X", systems[d>>14], d>>12&3, uint16(d)&0xFFF)
}

// Bits of the status of a code, and of masks of it (ISO 14229-1:2020 annex D.2).
const (
	TestFailed                         = 1 << 0
	TestFailedThisOperationCycle       = 1 << 1
	PendingDTC                         = 1 << 2
	ConfirmedDTC                       = 1 << 3
	TestNotCompletedSinceLastClear     = 1 << 4
	TestFailedSinceLastClear           = 1 << 5
	TestNotCompletedThisOperationCycle = 1 << 6
	WarningIndicatorRequested          = 1 << 7
)

// statusBits are their names, from bit 0.
var statusBits = [8]string{
	0: "testFailed", 1: "testFailedThisOperationCycle", 2: "pendingDTC", 3: "confirmedDTC",
	4: "testNotCompletedSinceLastClear", 5: "testFailedSinceLastClear",
	6: "testNotCompletedThisOperationCycle", 7: "warningIndicatorRequested",
}

// StatusBits names the bits that are set in a status or a mask, from bit 0.
func StatusBits(status byte) []string {
	var list []string
	for i, name := range statusBits {
		if status>>i&1 != 0 {
			list = append(list, name)
		}
	}
	return list
}

// Bits of the severity of a code (annex D.3, from memory); below them is its class.
const (
	SeverityMaintenanceOnly  = 1 << 5
	SeverityCheckAtNextHalt  = 1 << 6
	SeverityCheckImmediately = 1 << 7
)

// Groups of codes (table D.1; the emission systems' from ISO 14229-1:2013 on).
const (
	AllGroups      uint32 = 0xFFFFFF
	EmissionGroup  uint32 = 0xFFFF33
	EmissionSystem byte   = 0x33 // the functional group of ReadDTCInformation 42, 55 and 56
)

// AllRecords asks for every record of a code (ReadDTCInformation 04 and 06).
const AllRecords = 0xFF

// Formats of codes (DTCFormatIdentifier, ISO 14229-1:2020 table 318).
const (
	FormatJ2012Form0 = 0x00
	FormatISO14229   = 0x01
	FormatJ1939      = 0x02
	FormatISO11992   = 0x03
	FormatJ2012Form4 = 0x04
)

var formats = [...]string{
	FormatJ2012Form0: "SAE J2012-DA 00", FormatISO14229: "ISO 14229-1", FormatJ1939: "SAE J1939-73",
	FormatISO11992: "ISO 11992-4", FormatJ2012Form4: "SAE J2012-DA 04",
}

// FormatName is the standard that lays a format of codes down, or "".
func FormatName(format byte) string {
	if int(format) < len(formats) {
		return formats[format]
	}
	return ""
}
