// Package monitor holds the operators of expectations: state machines that follow a run
// as it goes and turn a scenario's expectations into verdicts. It owns no clock: every
// call carries the time since the run began.
//
// An [Expectation] is a bounded temporal statement. The operators follow signal temporal
// logic (Maler and Nickovic, "Monitoring Temporal Properties of Continuous Signals",
// FORMATS 2004) and the margins its robust semantics (Donze and Maler, "Robust
// Satisfaction of Temporal Logic over Real-Valued Signals", FORMATS 2010), read at the
// sampling step of the bench.
//
// A run is a row of looks, some of them at the same moment. A state has lasted from
// the first look at which it held to the last one. A verdict is decided at the first
// look from which every way to go on comes to the same outcome; its margin may still
// grow or shrink afterwards, as the definitions have it for the whole window. A margin
// that is known is never negative where the verdict is a pass, nor positive where it is
// a failure. The tests hold a second reading of each operator, of whole runs and slow,
// against outcome, margin and moment of these.
//
// A condition on events is looked at with each observation, a state whenever
// [Judge.Sample] is called and when a task, a fault or the driver changes something.
package monitor
