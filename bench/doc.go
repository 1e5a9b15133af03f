// Package bench is a bench: buses, with a car on them or none, and what attaches to
// them in any combination. [New] makes it; a script ([Bench.Script]) and a hand
// ([Bench.Hand]) drive and break it, a recording plays behind it ([Bench.Play]), a judge
// ([Bench.Judge]), a trace ([Bench.Trace]) and recorders ([Bench.Record],
// [Bench.Capture]) watch it. Package bench/run has the tasks of a tool, and the runs of
// scenarios.
//
// One direction, no call-backs: frames and messages pass the tap, the tap makes
// observations, and whoever makes something happen tells it as an observation as well;
// the judge makes verdicts of them. Everything is owned by the loop's goroutine;
// sockets, the tool's output and HTTP post events into it.
//
// Whatever attaches, here or in another package, needs no more than a Bench: it has
// itself told of observations (OnObservation) and samples (OnSample), tells what it
// does (Observe), ends the run for a fault of the bench (Fail), and says what is to be
// undone (OnClose).
package bench
