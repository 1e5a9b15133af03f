package rules

import (
	"slices"

	"sawhorse/canbus/uds"
)

// The rules about acts that can hurt somebody or leave a car that does not run. They
// take no procedure's place: the maker's instructions, local rules and qualified
// practice come first.
var safetyRules = []Rule{
	{
		ID: "preconditions-before-routine", Group: "safety", Severity: Must,
		Says:   "Before the tool starts a routine it has asked whether the engine runs and the car stands",
		Source: "common practice",
		Why:    "A learn routine can crank or race an engine. The tool has to know what it acts on.",
		begin:  preconditions,
	},
	{
		ID: "acts-at-standstill", Group: "safety", Severity: Must,
		Says:   "Routines, outputs, resets and programming are asked for at a standstill",
		Source: "common practice",
		Why:    "They switch functions off that the driver needs.",
		begin:  stateless(atStandstill),
	},
	{
		ID: "no-reset-engine-running", Group: "safety", Severity: Must,
		Says:   "No control unit is reset or programmed while the engine runs",
		Source: "common practice; ISO 14229-1:2013 clause 9.3 (ECUReset)",
		Why:    "The engine stops without warning, with it the help for steering and brakes.",
		begin:  stateless(noResetRunning),
	},
}

// Identifiers of service 01 that tell the conditions, and of service 22 that carry
// the same (SAE J1979-2: F400 and the PID).
const (
	pidSpeed   = 0x0C
	pidVehicle = 0x0D
)

func preconditions() watcher {
	var rpm, kmh bool
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == taskStart || e.kind == powerOff:
			rpm, kmh = false, false
		case e.asks(uds.CurrentData):
			rpm = rpm || slices.Contains(items(e), pidSpeed)
			kmh = kmh || slices.Contains(items(e), pidVehicle)
		case e.asks(uds.ReadDataByIdentifier):
			for d := e.m.Data[1:]; len(d) >= 2; d = d[2:] {
				// Identifiers of the maker's own may well hold the conditions.
				own := d[0] < 0xF1
				rpm = rpm || own || d[0] == uds.OBDParameters && d[1] == pidSpeed
				kmh = kmh || own || d[0] == uds.OBDParameters && d[1] == pidVehicle
			}
		case e.asks(uds.RoutineControl) && e.m.Sub == uds.StartRoutine:
			switch {
			case !rpm:
				t.breach(e, nil, "routine %04X is started, and the engine speed was not read", max(0, e.m.RID))
			case !kmh:
				t.breach(e, nil, "routine %04X is started, and the speed of the car was not read", max(0, e.m.RID))
			default:
				t.keep()
			}
		}
	}
}

func atStandstill(e *event, b *book, t *tally) {
	if !e.asks(uds.ECUReset, uds.InputOutputControlByIdentifier, uds.RequestDownload) && (!e.asks(uds.RoutineControl) || e.m.Sub != uds.StartRoutine) {
		return
	}
	kmh, ok := b.opt.Truth("vehicle_kmh")
	switch {
	case !ok:
	case kmh >= 1: // the standard's own resolution (PID 0D)
		t.breach(e, nil, "service %02X at %.0f km/h", e.m.Service, kmh)
	default:
		t.keep()
	}
}

func noResetRunning(e *event, b *book, t *tally) {
	if !e.asks(uds.ECUReset, uds.RequestDownload) && (!e.asks(uds.DiagnosticSessionControl) || e.m.Sub != uds.ProgrammingSession) {
		return
	}
	rpm, ok := b.opt.Truth("engine_rpm")
	switch {
	case !ok:
	case rpm > 0:
		t.breach(e, nil, "service %02X at %.0f rpm", e.m.Service, rpm)
	default:
		t.keep()
	}
}
