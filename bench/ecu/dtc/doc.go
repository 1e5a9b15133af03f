// Package dtc is the code memory of a control unit: its trouble codes and their life by
// 13 CCR 1968.2 and the status byte of ISO 14229-1 annex D, freeze frame and snapshots,
// readiness, results of monitors and in-use counters.
//
// Here lives what becomes of the tests of a unit's program between one clear and the
// next, and nothing that knows a request: [Memory] is pure, takes samples and the time,
// and tells how each code stands ([Entry]).
package dtc
