// Package bench wires a scenario into a run and runs it: the loop, the bus,
// the car with its ECUs, the faults, the driver, the background traffic, the tool
// under test and the judge.
//
// One direction, no call-backs: frames and messages pass the tap, the tap makes
// observations, the judge makes verdicts of them. Everything is owned by the
// loop's goroutine; sockets, the tool's output and HTTP post events into it.
package bench
