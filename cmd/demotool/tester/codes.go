package tester

import (
	"fmt"
)

// Code is one trouble code.
type Code struct {
	// Code is the letter and four hex digits of SAE J2012, as P080A.
	Code string `json:"code"`
	// FailureType is the third byte of a UDS code in hex, "" from OBD.
	FailureType string `json:"failure_type,omitempty"`
	// Status is the UDS status byte in hex, "" from OBD.
	Status string `json:"status,omitempty"`
}

// codeText writes a two-byte code (SAE J2012: two bits system, two bits first
// digit, three nibbles).
func codeText(hi, lo byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[hi>>6], hi>>4&3, hi&0xF, lo)
}

// obdCodes reads the codes of a 43, 47 or 4A answer after the service byte:
// a count and two bytes a code. A count that the message does not hold is an
// error; the codes that are there come with it.
func obdCodes(d []byte) ([]Code, error) {
	codes := []Code{}
	if len(d) == 0 {
		return nil, fmt.Errorf("no count of codes")
	}
	n, d := int(d[0]), d[1:]
	for ; len(d) >= 2 && len(codes) < n; d = d[2:] {
		codes = append(codes, Code{Code: codeText(d[0], d[1])})
	}
	if len(codes) != n || len(d) != 0 {
		return codes, fmt.Errorf("count says %d codes, the message holds %d and %d bytes more", n, len(codes), len(d))
	}
	return codes, nil
}

// UDS status bits (ISO 14229-1 annex D).
const (
	statusPending   = 0x04
	statusConfirmed = 0x08
)

// udsCodes reads the {code(3) status} records of a 59 02 answer after the
// availability mask and splits them into confirmed and pending.
func udsCodes(d []byte) (stored, pending []Code, err error) {
	stored, pending = []Code{}, []Code{}
	for ; len(d) >= 4; d = d[4:] {
		c := Code{
			Code:        codeText(d[0], d[1]),
			FailureType: fmt.Sprintf("%02X", d[2]),
			Status:      fmt.Sprintf("%02X", d[3]),
		}
		if d[3]&statusConfirmed != 0 {
			stored = append(stored, c)
		}
		if d[3]&statusPending != 0 {
			pending = append(pending, c)
		}
	}
	if len(d) != 0 {
		return stored, pending, fmt.Errorf("%d bytes left over after the last record of 4", len(d))
	}
	return stored, pending, nil
}

// Monitor is one line of readiness.
type Monitor struct {
	// Name is misfire, fuel-system, components, catalyst, heated-catalyst,
	// evaporative, secondary-air, oxygen-sensor, oxygen-sensor-heater, egr-vvt,
	// or, on a compression-ignition engine, reserved-0 to reserved-7.
	Name string `json:"name"`
	// Ready reports that the monitor has finished since the last clear.
	Ready bool `json:"ready"`
}

// Readiness is PID 01 decoded; only supported monitors are listed.
type Readiness struct {
	MIL      bool      `json:"mil"`
	Count    int       `json:"count"`
	Monitors []Monitor `json:"monitors"`
}

var (
	continuousNames = [3]string{"misfire", "fuel-system", "components"}
	sparkNames      = [8]string{"catalyst", "heated-catalyst", "evaporative", "secondary-air", "reserved-4",
		"oxygen-sensor", "oxygen-sensor-heater", "egr-vvt"}
)

// readiness decodes the four bytes of PID 01 (SAE J1979: A lamp and count,
// B continuous monitors, C supported, D not complete).
func readiness(d []byte) Readiness {
	r := Readiness{MIL: d[0]&0x80 != 0, Count: int(d[0] & 0x7F), Monitors: []Monitor{}}
	for i, name := range continuousNames {
		if d[1]>>i&1 != 0 {
			r.Monitors = append(r.Monitors, Monitor{name, d[1]>>(4+i)&1 == 0})
		}
	}
	compression := d[1]&8 != 0
	for i, name := range sparkNames {
		if d[2]>>i&1 == 0 {
			continue
		}
		if compression {
			name = fmt.Sprintf("reserved-%d", i)
		}
		r.Monitors = append(r.Monitors, Monitor{name, d[3]>>i&1 == 0})
	}
	return r
}

// Negative response codes that mean more to the tool than a text.
const (
	nrcBusy           = 0x21
	nrcConditions     = 0x22
	nrcOutOfRange     = 0x31
	nrcLocked         = 0x33
	nrcDelay          = 0x37
	nrcPending        = 0x78
	nrcSubNotInThis   = 0x7E
	nrcNotInSession   = 0x7F
	nrcEngineRunning  = 0x83
	nrcEngineStopped  = 0x84
	nrcRunTime        = 0x85
	nrcTooHot         = 0x86
	nrcTooCold        = 0x87
	nrcVehicleMoving  = 0x88
	nrcPedal          = 0x8A
	nrcNotInNeutral   = 0x8C
	nrcNotInPark      = 0x90
	nrcVoltageTooLow  = 0x93
	nrcVoltageTooHigh = 0x92
)

// nrcText names a negative response code (ISO 14229-1 annex A).
func nrcText(nrc byte) string {
	if s, ok := nrcTexts[nrc]; ok {
		return s
	}
	return fmt.Sprintf("negative response %02X", nrc)
}

var nrcTexts = map[byte]string{
	0x10: "general reject", 0x11: "service not supported", 0x12: "sub-function not supported",
	0x13: "wrong message length or format", 0x14: "answer too long", 0x21: "busy, repeat the request",
	0x22: "conditions not correct", 0x24: "request sequence error", 0x25: "no answer from a sub-net node",
	0x26: "a fault prevents it", 0x31: "request out of range", 0x33: "security access denied",
	0x35: "invalid key", 0x36: "too many wrong keys", 0x37: "time delay not over",
	0x70: "upload or download not accepted", 0x72: "programming failure", 0x78: "answer pending",
	0x7E: "sub-function not supported in this session", 0x7F: "service not supported in this session",
	0x81: "engine speed too high", 0x82: "engine speed too low", 0x83: "engine is running",
	0x84: "engine is not running", 0x85: "engine run time too short", 0x86: "temperature too high",
	0x87: "temperature too low", 0x88: "vehicle speed too high", 0x89: "vehicle speed too low",
	0x8A: "throttle or pedal too high", 0x8B: "throttle or pedal too low", 0x8C: "gearbox not in neutral",
	0x8D: "gearbox not in gear", 0x8F: "brake switch not closed", 0x90: "lever not in park",
	0x91: "converter clutch locked", 0x92: "voltage too high", 0x93: "voltage too low",
	0x94: "resource not available for now",
}
