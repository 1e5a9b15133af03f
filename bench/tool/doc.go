// Package tool is the diagnostic tool under test as the bench sees it: what it
// is asked for, how it is started, and what it said.
//
// A scenario asks for tasks. A [Profile] says how one tool does each of them:
// the command line, the time limit, how the output is read and what the exit
// status means. [Start] runs a command as a process group of its own with the
// bus in its environment, and [Profile.Extract] turns what it printed into a
// [Report] in the bench's words. A tool that is a [Machine] runs inside the
// bench instead, in virtual time.
//
// This package is a shell: it owns processes, goroutines and timers. It knows
// nothing of the car, the bus's traffic or the verdicts.
package tool
