// Package clock is the event loop that owns a run. Everything that happens in
// the bench happens in one call from [Loop.Run], one event after the other, so
// nothing in the model needs a lock. Time is a [time.Duration] since the run
// began.
//
// A virtual loop jumps from event to event; a wall loop runs the same events at
// their moments. Only this package reads a clock. The order of events is total:
// by time, then [Priority], then the order in which they were set, so a run
// depends on nothing but its input.
//
// Goroutines outside the loop (sockets, a tool's output, an HTTP server) hand
// events in through [Loop.Post], a bounded inbox.
package clock
