// Command sawhorse puts a stand-in car on a CAN bus, breaks it in a chosen way,
// lets a diagnostic tool work on it, and says with evidence whether the tool did
// the right thing.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"sawhorse/bench/report"
)

// failedError says that the work was done and the answer is no: it is the exit status
// and prints nothing, since the verdicts have been printed.
type failedError int

func (e failedError) Error() string { return report.StatusWord(int(e)) }

func main() {
	paceCollector()
	os.Exit(execute(os.Args[1:]))
}

// oneSignal is the time within which signals count as one: whoever ends a group of
// processes often signals each of them, and then the group.
const oneSignal = time.Second

func execute(args []string) int {
	// The first Ctrl-C asks for a clean end; a second one, once the handler is
	// gone, ends the process at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, func() {
		time.Sleep(oneSignal)
		stop()
	})

	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var failed failedError
	switch {
	case err == nil:
		return report.Passed
	case errors.As(err, &failed):
		return int(failed)
	}
	// Usage and configuration mistakes count as "could not run".
	fmt.Fprintf(os.Stderr, "sawhorse: %s\n", strings.TrimSpace(err.Error()))
	return report.CouldNot
}
