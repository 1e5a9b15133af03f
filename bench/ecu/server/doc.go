// Package server is the diagnostic server of a control unit: it answers the requests of
// emission OBD (ISO 15031-5, SAE J1979) and UDS (ISO 14229-1).
//
// Here lives what a request comes to, one file a service, and the states that services
// switch; nothing that knows a bus. A service is registered once, in its file, and listed
// in registry.go: dispatch, the table of a unit's services and the checks of descriptions
// read that. Its handler changes nothing: it gives a [reply], the answer or refusal and
// what is done when the request is carried out. [Server] is pure: it takes requests and
// the time and gives answers and its next deadline.
package server
