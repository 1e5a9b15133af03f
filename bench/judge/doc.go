// Package judge turns observations of a run into verdicts. It sees what an
// outsider sees (messages, lines of the tool, what was injected, the true state
// of the car) and never looks into an ECU. It owns no clock: every call carries
// the time since the run began.
//
// An [Expectation] is a bounded temporal statement. Conditions are CEL (Common
// Expression Language), typed against the car's signals and the fields of an
// observation, so that a mistake is found when the file is loaded. The operators
// follow signal temporal logic (Maler and Nickovic, "Monitoring Temporal
// Properties of Continuous Signals", FORMATS 2004) and the margins its robust
// semantics (Donze and Maler, "Robust Satisfaction of Temporal Logic over
// Real-Valued Signals", FORMATS 2010), read at the sampling step of the bench.
//
// Conditions are of two kinds. One that names a field of event holds at single
// observations. Any other describes a state: it is looked at whenever [Judge.Sample]
// is called and when a task, a fault or the driver changes something.
package judge
