// Package rules holds the rules of conduct of external test equipment: what a
// diagnostic tool has to do on any car, whatever the scenario. Each is a state
// machine over the frames and messages of the bus and over what the run tells
// beside (tasks, faults, a few true signals). It asks no ECU and knows no tool.
//
// A rule that had nothing to judge is silent. One of severity Must that is broken
// fails the run. One of severity Should is told as advice. While a fault keeps the
// tool from seeing the bus as it is, nothing is held against it, and neither is what
// a process left undone that crashed or was stopped by the bench.
//
// The sources name the standard and the clause by number, where it is certain,
// and by subject: ISO 15765-2:2016, ISO 15765-4:2011, ISO 14229-1:2013, ISO
// 14229-2:2013, ISO 14229-3:2012 and ISO 15031-5:2015. Clause numbers are from
// memory. "Common practice" is what the trade does without a published source.
package rules
