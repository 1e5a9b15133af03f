package server

import (
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// report is one sub-function of service 19.
type report struct {
	sub byte
	// arguments is the number of bytes after the sub-function.
	arguments int
	// obd marks what only a unit with emission OBD has.
	obd bool
	// add adds what is reported behind service and sub-function.
	add func(s *Server, b, arguments []byte) ([]byte, uds.NRC)
}

// reports are all of them.
func reports() []report {
	return []report{
		{sub: uds.ReportNumberOfDTCByStatusMask, arguments: 1, add: countByStatus},
		{sub: uds.ReportDTCByStatusMask, arguments: 1, add: byStatus},
		{sub: uds.ReportDTCSnapshotIdentification, add: snapshotList},
		{sub: uds.ReportDTCSnapshotRecordByDTCNumber, arguments: 4, add: snapshots},
		{sub: uds.ReportDTCStoredDataByRecordNumber, arguments: 1, add: storedFrame},
		{sub: uds.ReportDTCExtDataRecordByDTCNumber, arguments: 4, add: extendedData},
		{sub: uds.ReportNumberOfDTCBySeverityMaskRecord, arguments: 2, add: countBySeverity},
		{sub: uds.ReportDTCBySeverityMaskRecord, arguments: 2, add: bySeverity},
		{sub: uds.ReportSeverityInformationOfDTC, arguments: 3, add: severityOf},
		{sub: uds.ReportSupportedDTC, add: listing(func(*dtc.Entry) bool { return true })},
		{sub: uds.ReportFirstTestFailedDTC, add: marked(dtc.FirstFailed)},
		{sub: uds.ReportFirstConfirmedDTC, add: marked(dtc.FirstConfirmed)},
		{sub: uds.ReportMostRecentTestFailedDTC, add: marked(dtc.LastFailed)},
		{sub: uds.ReportMostRecentConfirmedDTC, add: marked(dtc.LastConfirmed)},
		{sub: uds.ReportDTCFaultDetectionCounter, add: counters},
		{sub: uds.ReportDTCWithPermanentStatus, add: listing(func(e *dtc.Entry) bool { return e.Permanent })},
		{sub: uds.ReportDTCExtDataRecordByRecordNumber, arguments: 1, add: extendedByRecord},
		{sub: uds.ReportDTCExtendedDataRecordIdentifiers, arguments: 1, add: codesWithRecord},
		{sub: uds.ReportWWHOBDDTCByMaskRecord, arguments: 3, obd: true, add: emissionBySeverity},
		{sub: uds.ReportWWHOBDDTCWithPermanentStatus, arguments: 1, obd: true, add: emissionPermanent},
		{sub: uds.ReportDTCByReadinessGroup, arguments: 2, obd: true, add: byReadinessGroup},
	}
}

// readCodes is service 19.
func readCodes() Service {
	own := func(u *spec.Unit) []byte {
		var list []byte
		for _, r := range reports() {
			if !r.obd || u.OBD != nil {
				list = append(list, r.sub)
			}
		}
		return list
	}
	bySub := map[byte]report{}
	for _, r := range reports() {
		bySub[r.sub] = r
	}
	return Service{ID: uds.ReadDTCInformation, Name: "read codes", Subs: own, Slow: true, run: func(s *Server, q *request) reply {
		r := bySub[q.sub]
		if len(q.data) != 2+r.arguments {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		b, nrc := r.add(s, append(q.positive(), q.sub), q.data[2:])
		if nrc != 0 {
			return refused(nrc)
		}
		return answered(b)
	}}
}
