package app

import "sawhorse/bench/car/strict"

// CalibrationSchema is the JSON Schema of the file with the engine ECU's numbers.
func CalibrationSchema() []byte {
	return strict.Schema("The numbers of the engine ECU: calibration of car.yaml", &calibration{})
}

// ShiftPointsSchema is the JSON Schema of the file with the gearbox ECU's numbers.
func ShiftPointsSchema() []byte {
	return strict.Schema("The numbers of the gearbox ECU: shift_points of car.yaml", &shiftPoints{})
}
