package diag

import (
	"fmt"
	"strings"

	"sawhorse/canbus/uds"
)

// status names the bits of a status byte or of a mask.
func status(b byte) string {
	list := uds.StatusBits(b)
	if len(list) == 0 {
		return fmt.Sprintf("%02X", b)
	}
	return fmt.Sprintf("%02X (%s)", b, strings.Join(list, " "))
}

// namedCodes is up to how many codes each status is told in words.
const namedCodes = 3

// code writes a code of three bytes: the third is how it fails (SAE J2012-DA).
func code(d []byte) string { return fmt.Sprintf("%s-%02X", uds.CodeOf(d[0], d[1]), d[2]) }

// readDTCInformation reads service 19 (ISO 14229-1:2020 clause 12.3).
func readDTCInformation(body []byte, answer bool) (string, []byte) {
	name := uds.ReadDTCInformation.SubFunction(body[0] &^ uds.SuppressPositiveResponse)
	if name == "" {
		return "", nil
	}
	if !answer {
		return askDTC(name, body)
	}
	rest := body[1:]
	mask := func() string { return "mask " + status(rest[0]) }
	switch sub := body[0]; {
	case (sub == uds.ReportNumberOfDTCByStatusMask || sub == uds.ReportNumberOfDTCBySeverityMaskRecord) && len(rest) == 4:
		return fmt.Sprintf("%s %s, %s, format %s", name, codeCount(int(number(rest[2:4]))), mask(), uds.FormatName(rest[1])), nil
	case (sub == uds.ReportDTCByStatusMask || sub >= uds.ReportSupportedDTC && sub <= uds.ReportMostRecentConfirmedDTC || sub == uds.ReportDTCWithPermanentStatus) && len(rest) >= 1:
		list, left := rows(rest[1:], 4, func(d []byte, wordy bool) string { return code(d) + " status " + statusOf(d[3], wordy) })
		return name + " " + list + ", " + mask(), left
	case sub == uds.ReportDTCSnapshotIdentification:
		list, left := rows(rest, 4, func(d []byte, _ bool) string { return fmt.Sprintf("%s record %02X", code(d), d[3]) })
		return name + " " + list, left
	case sub == uds.ReportDTCFaultDetectionCounter:
		list, left := rows(rest, 4, func(d []byte, _ bool) string { return fmt.Sprintf("%s counter %d", code(d), int8(d[3])) })
		return name + " " + list, left
	case (sub == uds.ReportDTCBySeverityMaskRecord || sub == uds.ReportSeverityInformationOfDTC) && len(rest) >= 1:
		list, left := rows(rest[1:], 6, func(d []byte, wordy bool) string {
			return fmt.Sprintf("%s severity %02X unit %02X status %s", code(d[2:]), d[0], d[1], statusOf(d[5], wordy))
		})
		return name + " " + list + ", " + mask(), left
	case sub == uds.ReportDTCSnapshotRecordByDTCNumber && len(rest) >= 6:
		return fmt.Sprintf("%s %s status %s, record %02X of %d identifiers", name, code(rest), status(rest[3]), rest[4], rest[5]), rest[6:]
	case (sub == uds.ReportDTCSnapshotRecordByDTCNumber || sub == uds.ReportDTCExtDataRecordByDTCNumber) && len(rest) == 4:
		return fmt.Sprintf("%s %s status %s, no record", name, code(rest), status(rest[3])), nil
	case sub == uds.ReportDTCExtDataRecordByDTCNumber && len(rest) >= 5:
		return fmt.Sprintf("%s %s status %s, record %02X", name, code(rest), status(rest[3]), rest[4]), rest[5:]
	}
	return name, rest
}

// askDTC reads a request: a mask, or a code and a record.
func askDTC(name string, body []byte) (string, []byte) {
	if body[0]&uds.SuppressPositiveResponse != 0 {
		name += ", no positive response wanted"
	}
	rest := body[1:]
	switch sub := body[0] &^ uds.SuppressPositiveResponse; {
	case (sub == uds.ReportNumberOfDTCByStatusMask || sub == uds.ReportDTCByStatusMask) && len(rest) == 1:
		return name + " mask " + status(rest[0]), nil
	case (sub == uds.ReportNumberOfDTCBySeverityMaskRecord || sub == uds.ReportDTCBySeverityMaskRecord) && len(rest) == 2:
		return fmt.Sprintf("%s severity mask %02X, mask %s", name, rest[0], status(rest[1])), nil
	case (sub == uds.ReportDTCSnapshotRecordByDTCNumber || sub == uds.ReportDTCExtDataRecordByDTCNumber) && len(rest) == 4:
		record := fmt.Sprintf("record %02X", rest[3])
		if rest[3] == uds.AllRecords {
			record = "all records"
		}
		return name + " " + code(rest) + ", " + record, nil
	case sub == uds.ReportSeverityInformationOfDTC && len(rest) == 3:
		return name + " " + code(rest), nil
	}
	return name, rest
}

// rows reads rows of one size; what is left over at the end is given back.
func rows(d []byte, size int, write func(row []byte, wordy bool) string) (string, []byte) {
	wordy := len(d)/size <= namedCodes
	var list []string
	for ; len(d) >= size; d = d[size:] {
		list = append(list, write(d[:size], wordy))
	}
	if len(list) == 0 {
		return "none", d
	}
	return strings.Join(list, ", "), d
}

func statusOf(b byte, wordy bool) string {
	if wordy {
		return status(b)
	}
	return fmt.Sprintf("%02X", b)
}

// codeCount says how many codes there are.
func codeCount(n int) string {
	if n == 1 {
		return "1 code"
	}
	return fmt.Sprintf("%d codes", n)
}
