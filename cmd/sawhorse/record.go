package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/replay"
)

func newRecordCommand() *cobra.Command {
	var o recordOptions
	cmd := &cobra.Command{
		Use:   "record FILE",
		Short: "Record a bus",
		Long: `Record writes the frames of a bus to a file: .pcapng or .csv, with .gz behind it
to compress. It never sends. The file appears under its name when the recording
ends (after --for, after --frames, or with Ctrl-C); until then it grows under
the name with .part added, which can be read as well.`,
		Example: `  sawhorse record drive.pcapng --bus can:can0
  sawhorse record idle.csv.gz --bus unix:sawhorse.sock --for 30s`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return o.run(cmd, args[0]) },
	}
	f := cmd.Flags()
	f.StringVar(&o.bus, "bus", "", "bus to record: unix:PATH or can:IFACE")
	f.DurationVar(&o.length, "for", 0, "how long; 0 is until stopped")
	f.Int64Var(&o.frames, "frames", 0, "how many frames; 0 is without bound")
	f.StringSliceVar(&o.only, "only", nil, "identifiers to record, as play has them")
	return cmd
}

type recordOptions struct {
	bus    string
	length time.Duration
	frames int64
	only   []string
}

func (o *recordOptions) run(cmd *cobra.Command, file string) (err error) {
	if _, err := dialable(o.bus); err != nil {
		return err
	}
	if o.length < 0 || o.frames < 0 {
		return fmt.Errorf("--for %v --frames %d: want 0 or more", o.length, o.frames)
	}
	only, err := matches("--only", o.only)
	if err != nil {
		return err
	}
	conn, err := busurl.Dial(o.bus)
	if err != nil {
		return err
	}
	defer conn.Close()
	w, err := capture.Create(file, capture.Options{Buses: []string{o.bus}, FlushEvery: time.Second})
	if err != nil {
		return err
	}
	ctx := cmd.Context()
	if o.length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.length)
		defer cancel()
	}
	// Closing the connection is what ends a Read that waits.
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()

	err = o.copy(ctx, conn, w, only, cmd.ErrOrStderr())
	if cerr := w.Close(); err == nil {
		err = cerr
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%d frames recorded in %s\n", w.Frames(), file)
	return err
}

// copy writes what comes until the recording is over. An ended context is a
// good end, and so is a bus that goes away.
func (o *recordOptions) copy(ctx context.Context, conn canbus.Conn, w *capture.Writer, only []replay.Match, status io.Writer) error {
	show := isTerminal(status)
	var f canbus.Frame
	for shown := time.Now(); o.frames == 0 || w.Frames() < o.frames; {
		if err := conn.Read(&f); err != nil {
			switch {
			case ctx.Err() != nil:
				return nil
			case errors.Is(err, io.EOF):
				slog.Warn("the bus has gone", "bus", o.bus)
				return nil
			}
			return err
		}
		if !wanted(only, &f) {
			continue
		}
		if err := w.Write(&f, ""); err != nil {
			return err
		}
		if show && time.Since(shown) > 500*time.Millisecond {
			shown = time.Now()
			fmt.Fprintf(status, "\r\x1b[K%d frames recorded", w.Frames())
		}
	}
	if show {
		fmt.Fprint(status, "\r\x1b[K")
	}
	return nil
}

func wanted(only []replay.Match, f *canbus.Frame) bool {
	if len(only) == 0 {
		return true
	}
	for _, m := range only {
		if m.Has(f.Key()) {
			return true
		}
	}
	return false
}
