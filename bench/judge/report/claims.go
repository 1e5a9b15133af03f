package report

import (
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/task"
)

// Prefix begins the ids of the verdicts.
const Prefix = "truth/"

const group = "what the tool says"

// claim is what holds of one field of a report.
type claim struct {
	says, source, why string
	compare           func(*comparison)
}

// claims are what is compared, by field.
var claims = map[task.Fields]claim{
	task.ECUs: {
		says:    "The control units that the tool names are those that answered",
		source:  "ISO 15765-4:2011 clause 6 (who answers service 01 PID 00); else the units that answered on the bus, common practice",
		why:     "A control unit that is missed is not diagnosed.",
		compare: (*comparison).ecus,
	},
	task.VIN: {
		says:    "The vehicle's number that the tool reports is one that a control unit answered",
		source:  "ISO 15031-5:2015 clause 7 (service 09 InfoType 02); ISO 14229-1:2013 annex C (identifier F190)",
		why:     "A report under another number belongs to another car.",
		compare: (*comparison).vin,
	},
	task.Stored: {
		says:    "The stored codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 03); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation) and annex D (confirmed)",
		why:     "A code that is made up sends somebody looking, one that is left out hides the fault.",
		compare: (*comparison).codes,
	},
	task.Pending: {
		says:    "The pending codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 07); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation) and annex D (pending)",
		why:     "A code that is made up sends somebody looking, one that is left out hides the fault.",
		compare: (*comparison).codes,
	},
	task.Permanent: {
		says:    "The permanent codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 0A); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation)",
		why:     "They decide whether a car passes an inspection.",
		compare: (*comparison).codes,
	},
	task.Freeze: {
		says:    "The freeze frames that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 02, PID 02 is the code that froze it); ISO 14229-1:2013 clause 11.3 (reportDTCSnapshotRecordByDTCNumber)",
		why:     "They tell when the fault came: a frame of another code, or another value in it, sends somebody to the wrong moment.",
		compare: (*comparison).freeze,
	},
	task.Lamp: {
		says:    "The malfunction lamp is reported as the control units command it",
		source:  "ISO 15031-5:2015 annex B (PID 01, byte A bit 7)",
		why:     "The lamp is what the driver came for.",
		compare: (*comparison).lamp,
	},
	task.Count: {
		says:    "The number of codes is reported as the control units answered",
		source:  "ISO 15031-5:2015 annex B (PID 01, byte A bits 0 to 6)",
		why:     "A number that does not fit the list tells that codes were missed.",
		compare: (*comparison).count01,
	},
	task.Calibrations: {
		says:    "The calibration ids that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 09 InfoType 04)",
		why:     "A wrong id brings the wrong data set into a control unit.",
		compare: (*comparison).calibrations,
	},
	task.Readiness: {
		says:    "The monitors are reported as the control units answered",
		source:  "ISO 15031-5:2015 annex B (PID 01, bytes B to D)",
		why:     "Who reads complete where it is not drives to an inspection in vain.",
		compare: (*comparison).readiness,
	},
	task.Live: {
		says:    "The values that the tool reports are those that were answered, within their resolution",
		source:  "ISO 15031-5:2015 annex B (scaling of PIDs)",
		why:     "A diagnosis by a wrong value replaces good parts.",
		compare: (*comparison).live,
	},
	task.Learn: {
		says:    "The result of a learn is reported as the control unit answered",
		source:  "ISO 14229-1:2013 clause 13.2 (RoutineControl, requestRoutineResults)",
		why:     "A learn that only seems done leaves a car that does not run.",
		compare: (*comparison).learn,
	},
	task.Output: {
		says:    "The result of driving an output is reported as the control unit answered",
		source:  "ISO 14229-1:2013 clause 12.2 (InputOutputControlByIdentifier)",
		why:     "An actuator that only seems to have been driven is taken for broken.",
		compare: (*comparison).output,
	},
}

// All lists what is compared, in the form of the rules.
func All() []rules.Rule {
	var list []rules.Rule
	for _, f := range task.EachField() {
		c := claims[f.Field]
		list = append(list, rules.Rule{
			ID: Prefix + f.Name, Group: group, Severity: rules.Must, Says: c.says, Why: c.why, Source: c.source,
		})
	}
	return list
}

// IDs lists the ids.
func IDs() []string {
	var ids []string
	for _, f := range task.EachField() {
		ids = append(ids, Prefix+f.Name)
	}
	return ids
}
