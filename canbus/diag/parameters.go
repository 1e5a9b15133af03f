package diag

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"sawhorse/canbus/uds"
)

// read tells the data of a parameter.
func read(id byte, p *uds.PID, d []byte) string {
	if uds.IsRange(id) {
		return supported(id, d)
	}
	switch {
	case id == 0x01:
		return readiness(d)
	case id == 0x02:
		return freezeCode(d)
	case id == 0x03:
		return "1 " + state(p, d[0]) + "; 2 " + state(p, d[1])
	case id == 0x13:
		return sensors(d[0], 4)
	case id == 0x1D:
		return sensors(d[0], 2)
	case id >= 0x14 && id <= 0x1B:
		return narrowSensor(p, d)
	case id == 0x1E:
		return onOff(d[0]&1 != 0)
	case id == 0x41:
		return monitorList(d)
	case p.States != nil:
		return coded(p, d[0])
	}
	var list []string
	for i := range p.Values {
		list = append(list, value(&p.Values[i], d))
	}
	if id >= 0x24 && id <= 0x2B || id >= 0x34 && id <= 0x3B { // linear oxygen sensors
		list[0] = "ratio " + list[0]
	}
	return strings.Join(list, ", ")
}

// value writes a number with its unit.
func value(v *uds.Value, d []byte) string {
	s := decimal(v.Decode(d), v.Scale)
	if v.Unit != "" {
		s += " " + v.Unit
	}
	return s
}

// state is the word for a byte that is one of a list, else the byte.
func state(p *uds.PID, b byte) string {
	if int(b) < len(p.States) && p.States[b] != "" {
		return p.States[b]
	}
	return fmt.Sprintf("%02X", b)
}

// coded is the word with its byte.
func coded(p *uds.PID, b byte) string {
	if w := state(p, b); w != fmt.Sprintf("%02X", b) {
		return fmt.Sprintf("%s (%02X)", w, b)
	}
	return fmt.Sprintf("%02X", b)
}

func number(d []byte) uint32 {
	var n uint32
	for _, b := range d {
		n = n<<8 | uint32(b)
	}
	return n
}

// decimal writes a value with as many digits as its step has, three at most; of a step
// that has more, one more than it is worth.
func decimal(v, step float64) string {
	whole := func(x float64) bool { return math.Abs(x-math.Round(x)) < 1e-9 }
	ends := whole(float64(step * 1000))
	digits := 0
	for s := step; digits < 3 && (ends && !whole(s) || !ends && s < 10); s *= 10 {
		digits++
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// supported lists the identifiers after base that four bytes mark (SAE J1979 appendix
// A), neighbours as a range.
func supported(base byte, d []byte) string {
	bits, n := number(d), 8*len(d)
	var list []string
	for i := 0; i < n; i++ {
		if bits>>(n-1-i)&1 == 0 {
			continue
		}
		first := i
		for i+1 < n && bits>>(n-2-i)&1 != 0 {
			i++
		}
		s := fmt.Sprintf("%02X", int(base)+1+first)
		switch {
		case i == first+1:
			s += fmt.Sprintf(" %02X", int(base)+1+i)
		case i > first:
			s += fmt.Sprintf("-%02X", int(base)+1+i)
		}
		list = append(list, s)
	}
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, " ")
}

func freezeCode(d []byte) string {
	if d[0] == 0 && d[1] == 0 {
		return "none"
	}
	return uds.CodeOf(d[0], d[1]).String()
}

// narrowSensor is a sensor's voltage and its trim.
func narrowSensor(p *uds.PID, d []byte) string {
	s := value(&p.Values[0], d)
	if d[1] == uds.TrimNotUsed {
		return s + ", not used for the trim"
	}
	return s + ", trim " + value(&p.Values[1], d)
}

// sensors lists the bits of PID 13 (four sensors a bank) and 1D (two).
func sensors(b byte, perBank int) string {
	var list []string
	for i := range 8 {
		if b>>i&1 != 0 {
			list = append(list, fmt.Sprintf("B%dS%d", i/perBank+1, i%perBank+1))
		}
	}
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, " ")
}

// monitorStates sorts the monitors that are there by whether they are complete.
func monitorStates(d []byte) (complete, incomplete []string) {
	for _, m := range uds.MonitorsOf(uds.Compression(d)) {
		switch there, done := m.In(d); {
		case there && done:
			complete = append(complete, m.Name)
		case there:
			incomplete = append(incomplete, m.Name)
		}
	}
	return complete, incomplete
}

func monitorList(d []byte) string {
	complete, incomplete := monitorStates(d)
	s := "complete: " + oneOr(complete)
	if len(incomplete) > 0 {
		s += "; not complete: " + strings.Join(incomplete, ", ")
	}
	return s
}

func oneOr(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, ", ")
}

func readiness(d []byte) string {
	kind := "spark"
	if uds.Compression(d) {
		kind = "compression"
	}
	return fmt.Sprintf("lamp %s, %s, %s ignition; %s", onOff(d[0]&uds.LampOn != 0), codeCount(int(d[0]&^uds.LampOn)), kind, monitorList(d))
}
