// Package app is what the programs of the ECUs do apart from diagnostics:
// they read their pins, run their monitors, follow their control laws and command
// the actuators. A program knows nothing of the car but its pins, its calibration
// (a data file), its non-volatile memory and what other ECUs tell it; so a cut wire
// changes a voltage, and reading, code, substitute and the way the engine runs
// follow from that.
//
// Every program stands on base, registers itself under the name of its ECU, and has a
// table of readings, which its diagnostic server reports, and a Step, called every
// [car.StepTime] after the car has moved. It declares the names by which its unit's file
// may speak of it. A unit without a program of its name has one that is data alone
// ([FromData]).
package app
