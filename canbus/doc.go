// Package canbus is the vocabulary of the bus: frames of classical CAN and
// CAN FD (ISO 11898-1:2015), the ports that nodes send and receive through, and
// the record in which Linux and the sockets of the bench carry a frame.
//
// It holds no bus itself. The embedded bus with its wire is in canbus/wire,
// Linux interfaces are in canbus/socketcan, and other processes come in
// through canbus/hub.
package canbus
