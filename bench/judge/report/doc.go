// Package report holds the comparisons of what a tool says at the end of a task: with
// what a scenario wants it to say ([Check]), and, without being asked, with what the
// control units answered ([Set]). The answers are those that went by during the task,
// decoded here. A sensor that reads wrong makes a wrong answer, and a tool that repeats
// it is right.
//
// What was said and not true is a false positive, what was true and not said a false
// negative. They are counted apart, entry by entry: a code, a number, a monitor, a
// control unit, a value.
//
// A field that the tool's profile does not read is not judged. In a task in which a
// fault altered answers or kept frames from arriving, a tool may leave out whatever it
// could not trust, and what it says too much is advice: it may have understood an altered
// answer otherwise than this package does.
//
// Values that were read by a maker's own services (22, 23, 2A, 2C) are not judged here:
// a scenario compares them with the car's true signals.
//
// Layouts and scalings: ISO 15031-5 and SAE J1979 (services 01, 03, 07, 09, 0A), SAE
// J2012 (codes), ISO 14229-1 (services 19, 22, 31 and the status bits of annex D).
package report
