// Package trace keeps what a run showed, for pages and stories: the diagnostic
// messages, the tool's lines, faults, tasks and what the driver did; how many
// frames were on the bus when; and the car's signals. It sees what the judge sees.
//
// A trace is bounded. Of very many messages it keeps the first and the last and
// counts those between; frames are counted in steps of time and signals kept as
// least and greatest value of a step, and a step doubles when there would be too
// many. So a trace of an hour is no larger than one of a minute, and what it no
// longer tells is in the run's capture, by frame number.
package trace
