// Package ecu is what a diagnostic tool meets in the car: the diagnostic server
// of one control unit, its trouble codes, its learned values and its routines.
//
// A unit is data: [Spec], read from a YAML file. [Memory] holds the trouble
// codes and takes them through the life cycle of 13 CCR 1968.2 and the status
// byte of ISO 14229-1 annex D. [NV] holds what survives power: learned values
// and identity. [Server] answers emission OBD (ISO 15031-5, SAE J1979) and UDS
// (ISO 14229-1). All three are pure: they take input and the time and give
// output and their next deadline. [Module] is the shell that puts one unit on a
// bus with ISO 15765-2 transport.
package ecu
