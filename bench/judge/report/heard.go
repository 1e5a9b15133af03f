package report

import (
	"slices"
	"strings"

	"sawhorse/bench/judge"
	"sawhorse/canbus/uds"
)

// item is one true entry and the answer that told of it.
type item struct {
	text  string
	by    judge.Evidence
	unit  int
	value float64 // of a live value
	step  float64 // its resolution
}

// heard is what the control units have answered during one task.
type heard struct {
	// units are the response identifiers that anything came from, with the first
	// thing.
	units []item
	// lists are the codes by field: those of the last answer of each unit must be
	// said, those of any answer may.
	must, may map[string][]item
	// hearing is who was asked, answered the fields that any whole answer was about.
	hearing  Hearing
	answered map[string]bool
	vins     []item
	lamp     map[int]bool // by unit, as last told
	lampBy   judge.Evidence
	monitors []monitor
	live     []item
	// accepted says that a routine was started or something written; result is
	// what the last result of a routine said, -1 for nothing.
	accepted bool
	result   int
	resultBy judge.Evidence
	// counts are the numbers of codes by unit, as last told.
	counts map[int]int
	// calibrations are the ids that were answered.
	calibrations []item
	// frozen are the values of freeze frames.
	frozen []item
	// driven says that an output was driven by a command of the tool.
	driven   bool
	drivenBy judge.Evidence
	// other says that values were read by services that are the maker's own.
	other bool
}

// monitor is one monitor of one unit, as last told.
type monitor struct {
	name     string
	unit     int
	complete bool
	by       judge.Evidence
}

func newHeard() *heard {
	return &heard{
		must: map[string][]item{}, may: map[string][]item{}, answered: map[string]bool{},
		lamp: map[int]bool{}, counts: map[int]int{}, result: -1,
	}
}

// take adds an answer.
func (h *heard) take(o *judge.Observation) {
	by := judge.Evidence{Time: o.Time, First: o.First, Last: o.Last, Text: o.Brief()}
	if !slices.ContainsFunc(h.units, func(i item) bool { return i.unit == o.ID }) {
		h.units = append(h.units, item{text: o.ECU, by: by, unit: o.ID})
	}
	if !o.Positive {
		return
	}
	d := o.Data
	switch uds.Service(max(0, o.Service)) {
	case uds.CurrentData:
		h.current(o.ID, d[1:], by)
	case uds.FreezeFrame:
		if o.PID == 0x02 && len(d) >= 5 { // the code that froze the frame
			h.froze(o.ID, d[3], d[4], by)
		}
		h.groups(o.ID, d[1:], 1, by, &h.frozen)
	case uds.ConfirmedCodes:
		h.codes("stored", o.ID, d[1:], by)
	case uds.PendingCodes:
		h.codes("pending", o.ID, d[1:], by)
	case uds.PermanentCodes:
		h.codes("permanent", o.ID, d[1:], by)
	case uds.VehicleInformation:
		if o.PID == uds.InfoVIN && len(d) == 3+uds.VINLength {
			h.vin(o.ID, d[3:], by)
		}
		if o.PID == infoCalibration && len(d) >= 3 {
			h.calibrated(o.ID, d[3:], by)
		}
	case uds.ReadDTCInformation:
		if o.Sub == uds.ReportDTCByStatusMask && len(d) >= 3 {
			h.statuses(o.ID, d[3:], by)
		} else {
			h.others(o.ID, o.Sub, d, by)
		}
	case uds.ReadDataByIdentifier:
		h.other = true
		if o.DID == uds.VIN && len(d) >= 3+uds.VINLength {
			h.vin(o.ID, d[3:3+uds.VINLength], by)
		}
	case uds.ClearCodes, uds.ClearDiagnosticInformation:
		h.cleared(o.ID)
	case uds.ReadMemoryByAddress, uds.ReadDataByPeriodicIdentifier, uds.DynamicallyDefineDataIdentifier:
		h.other = true
	case uds.WriteDataByIdentifier:
		h.accepted = true
	case uds.InputOutputControlByIdentifier:
		if len(d) > 3 && d[3] == uds.InputOutputShortTermAdjustment {
			h.driven, h.drivenBy = true, by
		}
	case uds.RoutineControl:
		if o.Sub == uds.StartRoutine {
			h.accepted, h.result = true, -1 // an older result is not this one's
		}
		if o.Sub == uds.RequestRoutineResults && len(d) > 4 {
			h.result, h.resultBy = int(d[4]), by
		}
	}
}

// froze notes the code that froze a unit's frame; 00 00 is none.
func (h *heard) froze(unit int, hi, lo byte, by judge.Evidence) {
	var list []item
	if hi != 0 || lo != 0 {
		i := item{text: uds.CodeOf(hi, lo).String(), by: by, unit: unit}
		h.perhaps(i)
		list = append(list, i)
	}
	h.list("freeze", unit, list)
}

// infoCalibration is the InfoType of calibration ids, of 16 characters each, filled up
// with 00 (SAE J1979 service 09 InfoType 04).
const infoCalibration, calibrationLength = 0x04, 16

func (h *heard) calibrated(unit int, d []byte, by judge.Evidence) {
	for ; len(d) >= calibrationLength; d = d[calibrationLength:] {
		id := strings.TrimSpace(strings.Trim(string(d[:calibrationLength]), "\x00"))
		i := item{text: id, by: by, unit: unit}
		if !slices.ContainsFunc(h.calibrations, func(x item) bool { return x.text == id && x.unit == unit }) {
			h.calibrations = append(h.calibrations, i)
		}
	}
}

// codes are those of services 03, 07 and 0A: a count and two bytes each.
func (h *heard) codes(field string, unit int, d []byte, by judge.Evidence) {
	var list []item
	if len(d) > 0 {
		for rest := d[1:]; len(rest) >= 2; rest = rest[2:] {
			list = append(list, item{text: uds.CodeOf(rest[0], rest[1]).String(), by: by, unit: unit})
		}
	}
	h.may[field] = append(h.may[field], list...)
	if len(d) != 1+2*len(list) || int(d[0]) != len(list) {
		return // a list that contradicts itself may be refused
	}
	h.list(field, unit, list)
}

// list replaces what a unit has said of a field.
func (h *heard) list(field string, unit int, list []item) {
	h.answered[field] = true
	h.must[field] = slices.DeleteFunc(h.must[field], func(i item) bool { return i.unit == unit })
	h.must[field] = append(h.must[field], list...)
}

// statuses are codes with their status byte (ISO 14229-1 annex D). A tool may call
// each of them stored, but the confirmed ones it has to.
func (h *heard) statuses(unit int, d []byte, by judge.Evidence) {
	var stored, waiting []item
	for ; len(d) >= 4; d = d[4:] {
		i := item{text: uds.CodeOf(d[0], d[1]).String(), by: by, unit: unit}
		h.may["stored"] = append(h.may["stored"], i)
		h.may["pending"] = append(h.may["pending"], i)
		switch {
		case d[3]&uds.ConfirmedDTC != 0:
			stored = append(stored, i)
		case d[3]&uds.PendingDTC != 0:
			waiting = append(waiting, i)
		}
	}
	h.list("stored", unit, stored)
	h.list("pending", unit, waiting)
}

// records are the answers of service 19 that list codes in another way: where the
// first record begins, how long one is and where its code is (ISO 14229-1:2020 clause
// 12.3, response parameter definitions).
var records = map[int]struct{ from, size, code int }{
	0x03: {2, 4, 0}, 0x04: {2, 4, 0}, 0x05: {3, 4, 0}, 0x06: {2, 4, 0}, 0x07: {3, 6, 2}, 0x08: {3, 6, 2}, 0x09: {3, 6, 2},
	0x0A: {3, 4, 0}, 0x0B: {3, 4, 0}, 0x0C: {3, 4, 0}, 0x0D: {3, 4, 0}, 0x0E: {3, 4, 0}, 0x0F: {3, 4, 0},
	0x13: {3, 4, 0}, 0x14: {2, 4, 0}, 0x15: {3, 4, 0}, 0x16: {3, 4, 0}, 0x17: {4, 4, 0}, 0x18: {3, 4, 0}, 0x19: {3, 4, 0},
	0x42: {6, 5, 1}, 0x55: {5, 4, 0}, 0x56: {6, 4, 0},
}

// alone are those of them that tell about one code, data of any length behind it.
var alone = map[int]bool{0x04: true, 0x05: true, 0x06: true, 0x16: true, 0x18: true, 0x19: true}

// others are codes that a tool may report from such an answer, and need not: what the
// list means is its maker's or its asker's choice.
func (h *heard) others(unit, sub int, d []byte, by judge.Evidence) {
	r, ok := records[sub]
	if !ok || len(d) < r.from {
		return
	}
	for d = d[r.from:]; len(d) >= r.size; d = d[r.size:] {
		h.perhaps(item{text: uds.CodeOf(d[r.code], d[r.code+1]).String(), by: by, unit: unit})
		if alone[sub] {
			return
		}
	}
}

// perhaps adds a code that may be reported as anything.
func (h *heard) perhaps(i item) {
	for _, field := range []string{"stored", "pending", "permanent", "freeze"} {
		h.may[field] = append(h.may[field], i)
	}
}

// cleared: what a unit has said before is not true any more. Permanent codes stay.
func (h *heard) cleared(unit int) {
	for _, field := range []string{"stored", "pending", "freeze"} {
		gone := func(i item) bool { return i.unit == unit }
		h.must[field] = slices.DeleteFunc(h.must[field], gone)
		h.may[field] = slices.DeleteFunc(h.may[field], gone)
	}
}

func (h *heard) vin(unit int, d []byte, by judge.Evidence) {
	h.vins = append(h.vins, item{text: string(d), by: by, unit: unit})
}

// current is an answer of service 01: groups of an identifier and its data.
func (h *heard) current(unit int, d []byte, by judge.Evidence) { h.groups(unit, d, 0, by, &h.live) }

// groups reads groups of an identifier, skip bytes, and its data.
func (h *heard) groups(unit int, d []byte, skip int, by judge.Evidence, to *[]item) {
	for len(d) > 0 {
		p, ok := uds.Parameter(d[0])
		if !ok || len(d) < 1+skip+p.Size {
			return
		}
		data := d[1+skip : 1+skip+p.Size]
		if d[0] == 0x01 && skip == 0 {
			h.status(unit, data, by)
		}
		for i := range p.Values {
			v := &p.Values[i]
			for _, name := range namesOf(d[0], i) {
				*to = append(*to, item{text: name, by: by, unit: unit, value: v.Decode(data), step: v.Scale})
			}
		}
		d = d[1+skip+p.Size:]
	}
}

// status is PID 01: the lamp and the monitors.
func (h *heard) status(unit int, d []byte, by judge.Evidence) {
	h.lamp[unit], h.lampBy = d[0]&uds.LampOn != 0, by
	h.counts[unit] = int(d[0] &^ uds.LampOn)
	h.monitors = slices.DeleteFunc(h.monitors, func(m monitor) bool { return m.unit == unit })
	if uds.Compression(d) {
		return // it has other names
	}
	for _, m := range uds.MonitorsOf(false) {
		if there, complete := m.In(d); there && monitorNames[m.Name] != "" {
			h.monitors = append(h.monitors, monitor{name: monitorNames[m.Name], unit: unit, complete: complete, by: by})
		}
	}
}

// joined are the monitors of all units: one that any has not finished is incomplete.
func (h *heard) joined() []monitor {
	var list []monitor
	for _, m := range h.monitors {
		i := slices.IndexFunc(list, func(x monitor) bool { return x.name == m.name })
		switch {
		case i < 0:
			list = append(list, m)
		case !m.complete:
			list[i].complete, list[i].by = false, m.by
		}
	}
	return list
}
