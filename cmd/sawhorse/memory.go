package main

import (
	"os"
	"runtime/debug"
)

// A run makes much when it begins and little from there on, so that the collector's
// usual pace, which suits a heap that lives long, costs a short run an eighth of its
// time for nothing. It may let the heap grow to five times what lives, but beyond
// collectFrom bytes it goes back to keeping memory small.
const (
	collectPercent = 400
	collectFrom    = 512 << 20
)

// paceCollector sets the garbage collector's pace, unless whoever started the program
// has set it (variables GOGC and GOMEMLIMIT of the Go runtime).
func paceCollector() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(collectPercent)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(collectFrom)
	}
}
