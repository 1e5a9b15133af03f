package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"golang.org/x/term"

	"sawhorse/canbus/clock"
)

// isTerminal reports whether somebody is looking.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// progress shows a line that is written over every half second, on a terminal
// only. line is asked in the loop. The returned function takes the line away.
func progress(w io.Writer, loop *clock.Loop, line func() string) func() {
	if !isTerminal(w) {
		return func() {}
	}
	done, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		tick := time.NewTicker(500 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-done:
				fmt.Fprint(w, "\r\x1b[K")
				return
			case <-tick.C:
				_ = loop.Post(func() { fmt.Fprintf(w, "\r\x1b[K%s", line()) }) // an ended loop shows nothing
			}
		}
	}()
	return func() { close(done); <-gone }
}
