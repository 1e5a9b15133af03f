// Package fault is the catalogue of what can be wrong with the car, and the
// injectors that bring it about. A fault acts at its cause: a wire is cut, a plug
// pulled, a value in an ECU's memory lost. What follows (readings, codes, limp
// mode, idle) is the car's and the ECUs' affair.
//
// The catalogue is data: files of entries, each with its cause in plain words,
// what the driver sees, the codes it brings, how a practitioner finds and mends
// it, and acts. An act is of a kind; a new kind is one registered type in a file
// of its own.
package fault
