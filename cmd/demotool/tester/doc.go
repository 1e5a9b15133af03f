// Package tester is a small, correct diagnostic tool as a pure state machine:
// it takes frames and the time, and gives frames, lines of progress and in the
// end one JSON document ([Document]). It reads no clock, owns no goroutine and
// no socket, so the same tool runs inside the bench in virtual time and as a
// process of its own in wall time.
//
// It speaks emission OBD on CAN (ISO 15765-4, ISO 15031-5 / SAE J1979) to
// whoever answers service 01 PID 00, and UDS (ISO 14229-1) to the control units
// beyond the OBD range whose physical identifiers it was given. Learn routines
// are UDS as well.
//
// The rules it keeps: OBD requests are functional and in one frame of eight
// bytes; an answer may start up to P2 after the request and, once 0x78 "answer
// pending" has come, up to P2* after that; flow control goes physically to the
// control unit that sent the first frame; the next request waits for every
// answer that has begun. Whatever the answers are, it ends: every wait has a
// bound, and there is one over all.
//
// Its tables of services, refusals, codes and scalings are its own on purpose. The tool is
// the independent peer of the bench: were both to read one table, a slip in it would
// agree with itself. So nothing here may import canbus/uds, nor what is built on it.
package tester
