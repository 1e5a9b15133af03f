package uds

// Infotypes of service 09 (SAE J1979 appendix G; 0D and 0F from memory). The counts are
// not used on CAN.
const (
	InfoVIN                 = 0x02
	InfoCalibrationID       = 0x04
	InfoCalibrationCheck    = 0x06
	InfoInUseSpark          = 0x08
	InfoECUName             = 0x0A
	InfoInUseCompression    = 0x0B
	InfoEngineSerialNumber  = 0x0D
	InfoExhaustTypeApproval = 0x0F
	CalibrationIDLength     = 16
	CalibrationCheckLength  = 4
	ECUNameLength           = 20
	InUseCounterLength      = 2
)

var infotypes = [...]string{
	0x00:                    "supported",
	0x01:                    "message count VIN",
	InfoVIN:                 "VIN",
	0x03:                    "message count CALID",
	InfoCalibrationID:       "calibration identification",
	0x05:                    "message count CVN",
	InfoCalibrationCheck:    "calibration verification number",
	InfoInUseSpark:          "in-use performance (spark)",
	InfoECUName:             "ECU name",
	InfoInUseCompression:    "in-use performance (compression)",
	InfoEngineSerialNumber:  "engine serial number",
	InfoExhaustTypeApproval: "exhaust type approval number",
}

// InfotypeName names an infotype; "" if the table does not have it.
func InfotypeName(it byte) string {
	if int(it) < len(infotypes) {
		return infotypes[it]
	}
	return ""
}

// inUse is the order of infotype 08 (appendix G; from memory).
var inUse = [...]string{
	0: "OBDCOND", 1: "IGNCNTR", 2: "CATCOMP1", 3: "CATCOND1", 4: "CATCOMP2", 5: "CATCOND2",
	6: "O2SCOMP1", 7: "O2SCOND1", 8: "O2SCOMP2", 9: "O2SCOND2", 10: "EGRCOMP", 11: "EGRCOND",
	12: "AIRCOMP", 13: "AIRCOND", 14: "EVAPCOMP", 15: "EVAPCOND",
	16: "SO2SCOMP1", 17: "SO2SCOND1", 18: "SO2SCOMP2", 19: "SO2SCOND2",
}

// InUseCounter names a counter of infotype 08 by its place from 0; "" beyond the last.
func InUseCounter(i int) string {
	if i >= 0 && i < len(inUse) {
		return inUse[i]
	}
	return ""
}
