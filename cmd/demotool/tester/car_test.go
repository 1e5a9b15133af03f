package tester

import (
	"maps"
	"time"
)

// The scripted car: an engine control unit that has the masks of a sensible
// minimum (computed by hand from SAE J1979), a brake control unit that knows
// only the mandatory parts, and a body control unit that speaks UDS only.
var engineTable = map[string][]string{
	"01 00":    {"41 00 BE 3F B9 93"},
	"01 20":    {"41 20 80 07 A0 11"},
	"01 40":    {"41 40 FE DC 80 14"},
	"01 01":    {"41 01 83 07 65 00"},
	"03":       {"43 02 08 0A 03 35"},
	"07":       {"47 01 01 02"},
	"0A":       {"4A 00"},
	"02 02 00": {"42 02 00 08 0A"},
	"02 00 00": {"42 00 00 08 10 00 00"}, // 05 and 0C
	"02 05 00 0C 00": {
		"42 0C 00 09 70 05 00 7B", // in another order than asked
	},
	"04":             {"44"},
	"09 00":          {"49 00 54 40 00 00"}, // 02 04 06 0A
	"09 02":          {"49 02 01 54 45 53 54 43 41 52 30 31 32 33 34 35 36 37 38 39"},
	"09 04":          {"49 04 01 50 34 38 2D 43 41 4C 2D 30 31 00 00 00 00 00 00"},
	"09 06":          {"49 06 01 00 12 34 56"},
	"09 0A":          {"49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00"},
	"01 0C":          {"41 0C 00 00"},
	"01 0C 05 0D 42": {"41 0C 00 00 05 7B 0D 00 42 31 38"},
}

var brakeTable = map[string][]string{
	"01 00": {"41 00 80 00 00 00"},
	"01 01": {"41 01 00 04 00 00"},
	"03":    {"+8ms 43 00"},
	"07":    {"+8ms 47 00"},
	"0A":    {"+8ms 4A 00"},
	"04":    {"+8ms 44"},
	"09 00": {"+8ms 49 00 00 40 00 00"},
	"09 0A": {"+5ms 49 0A 01 41 42 53 00 2D 42 72 61 6B 65 43 6F 6E 74 72 6F 6C 00 00 00"},
}

var bodyTable = map[string][]string{
	"3E 00":       {"7E 00"},
	"22 F1 90":    {"62 F1 90 54 45 53 54 43 41 52 30 31 32 33 34 35 36 37 38 39"},
	"22 F1 97":    {"62 F1 97 42 6F 64 79"},
	"22 F1 87":    {"7F 22 31"},
	"22 F1 8C":    {"62 F1 8C 42 2D 30 30 31"},
	"22 F1 95":    {"7F 22 31"},
	"19 02 FF":    {"59 02 FF C0 73 00 2F"},
	"14 FF FF FF": {"54"},
}

// liveValues answers any batch of service 01 from a table of data by PID.
var liveValues = map[byte]string{
	0x03: "0200", 0x04: "4D", 0x05: "7B", 0x06: "7D", 0x07: "88", 0x0B: "23", 0x0C: "0970", 0x0D: "00", 0x0E: "94",
	0x0F: "3C", 0x10: "0190", 0x11: "26", 0x13: "33", 0x14: "5A80", 0x15: "90FF", 0x18: "5A80", 0x19: "90FF",
	0x1C: "06", 0x1F: "012C", 0x21: "0078", 0x2E: "40", 0x2F: "A0", 0x30: "0A", 0x31: "0199", 0x33: "65",
	0x3C: "1130", 0x42: "37DC", 0x43: "0040", 0x44: "8000", 0x45: "0C", 0x46: "3C", 0x47: "26", 0x49: "27",
	0x4A: "14", 0x4C: "0C", 0x4D: "003C", 0x4E: "0078", 0x51: "01", 0x5C: "82", 0x5E: "0028",
}

// with returns a copy of the table with changes; an entry of nil takes the
// answer away.
func with(base map[string][]string, changes map[string][]string) map[string][]string {
	m := maps.Clone(base)
	maps.Copy(m, changes)
	return m
}

// liveScript answers single and grouped requests of service 01 from values and
// the rest from the table.
func liveScript(table map[string][]string, values map[byte]string) func(time.Duration, bool, []byte) []answer {
	static := scripted(table)
	return func(now time.Duration, functional bool, req []byte) []answer {
		if as := static(now, functional, req); as != nil {
			return as
		}
		if req[0] != 0x01 {
			return nil
		}
		data := []byte{0x41}
		for _, p := range req[1:] {
			if v, ok := values[p]; ok {
				data = append(append(data, p), unhex(v)...)
			}
		}
		if len(data) == 1 {
			return nil // unsupported identifiers get no answer
		}
		return []answer{{5 * time.Millisecond, data}}
	}
}

// car puts the three control units on the wire.
func (w *world) car() (engine, brake, body *fakeECU) {
	engine = w.add("engine", standard(0x7E0), standard(0x7E8), true, liveScript(engineTable, liveValues))
	brake = w.add("brake", standard(0x7E1), standard(0x7E9), true, scripted(brakeTable))
	body = w.add("body", standard(0x7A0), standard(0x7A8), false, scripted(bodyTable))
	return engine, brake, body
}
