package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/recorder"
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
the name with .part added, which can be read as well, also after a loss of power.

With --each the recording goes into files that follow each other (drive-0001.pcapng,
drive-0002.pcapng ...), by time (10m) or by size (100MB); --keep says how many stay.

With --when the last --before of the bus is kept in memory, and written to a file
each time the condition holds for a frame, with what comes for --after. The condition
is CEL over event.id, event.data and t:

  event.id == 0x7E8 && event.data.at(1) == 0x7F`,
		Example: `  sawhorse record drive.pcapng --bus can:can0
  sawhorse record idle.csv.gz --bus unix:sawhorse.sock --for 30s
  sawhorse record long.pcapng --bus can:can0 --each 10m --keep 6
  sawhorse record fault.pcapng --bus can:can0 --when 'event.id == 0x7E8 && event.data.at(1) == 0x7F' --before 60s --after 10s`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return o.run(cmd, args[0]) },
	}
	f := cmd.Flags()
	f.StringVar(&o.bus, "bus", "", "bus to record: unix:PATH or can:IFACE")
	f.DurationVar(&o.length, "for", 0, "how long; 0 is until stopped")
	f.Int64Var(&o.frames, "frames", 0, "how many frames; 0 is without bound")
	f.StringSliceVar(&o.only, "only", nil, "identifiers to record, as play has them")
	f.StringVar(&o.each, "each", "", "begin a new file after so much: a time such as 10m, or a size such as 100MB")
	f.IntVar(&o.keep, "keep", 0, "with --each, how many files stay; 0 keeps all")
	f.StringVar(&o.when, "when", "", "write only around the moments at which this condition holds for a frame")
	f.DurationVar(&o.before, "before", time.Minute, "with --when, how much before the moment")
	f.DurationVar(&o.after, "after", 10*time.Second, "with --when, how much after it")
	return cmd
}

type recordOptions struct {
	bus           string
	length        time.Duration
	frames        int64
	only          []string
	each          string
	keep          int
	when          string
	before, after time.Duration
}

// sink is where the frames of a recording go.
type sink struct {
	write func(f *canbus.Frame) error
	close func() error
	abort func() error // as if it had never been
	// flush hands over what is buffered, and gives what then waits for the disk.
	flush func() (sync func() error, err error)
	// said is what has been recorded, once it is closed.
	said func() string
}

func (o *recordOptions) run(cmd *cobra.Command, file string) (err error) {
	if err := checkShared("--bus", o.bus); err != nil {
		return err
	}
	if o.length < 0 || o.frames < 0 {
		return fmt.Errorf("--for %v --frames %d: want 0 or more", o.length, o.frames)
	}
	only, err := matches("--only", o.only)
	if err != nil {
		return err
	}
	s, err := o.sink(file)
	if err != nil {
		return err
	}
	conn, err := busurl.Dial(o.bus, warn)
	if err != nil {
		return errors.Join(err, s.abort())
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	if o.length > 0 {
		var done context.CancelFunc
		ctx, done = context.WithTimeout(ctx, o.length)
		defer done()
	}
	// Closing the connection is what ends a Read that waits.
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()

	var mu sync.Mutex // of the sink: frames are written to it, and time flushes it
	stop := s.flushing(&mu, cancel)
	err = o.copy(ctx, conn, s, &mu, only, cmd.ErrOrStderr())
	for _, more := range []error{stop(), s.close()} {
		if err == nil {
			err = more
		}
	}
	fmt.Fprintln(cmd.OutOrStdout(), s.said())
	return err
}

// sink makes what the flags ask for: one file, files that follow each other, or a ring.
func (o *recordOptions) sink(file string) (*sink, error) {
	opt := capture.Options{Buses: []string{o.bus}}
	told := func(name string, frames int64) { slog.Info("file complete", "file", name, "frames", frames) }
	switch {
	case o.each != "" && o.when != "":
		return nil, errors.New("--each and --when: want one of them")
	case o.keep != 0 && o.each == "":
		return nil, errors.New("--keep goes with --each")
	case o.each != "":
		return o.rotating(file, opt, told)
	case o.when != "":
		return o.ring(file, opt, told)
	}
	w, err := capture.Create(file, opt)
	if err != nil {
		return nil, err
	}
	return &sink{
		write: func(f *canbus.Frame) error { return w.Write(f, "") }, abort: w.Abort,
		flush: func() (func() error, error) { return w.Sync, w.Flush() },
		close: func() error {
			err := w.Close()
			if err != nil {
				file = w.Part()
			}
			return err
		},
		said: func() string { return fmt.Sprintf("%d frames recorded in %s", w.Frames(), file) },
	}, nil
}

func (o *recordOptions) rotating(file string, opt capture.Options, told func(string, int64)) (*sink, error) {
	rotation := recorder.Rotation{Keep: o.keep, Capture: opt}
	var err error
	if rotation.Length, err = time.ParseDuration(o.each); err != nil {
		if rotation.Bytes, err = parseSize(o.each); err != nil {
			return nil, fmt.Errorf("--each %q: want a time such as 10m or a size such as 100MB", o.each)
		}
	}
	files := 0
	r, err := recorder.NewRotating(file, rotation, func(name string, frames int64) { files++; told(name, frames) })
	if err != nil {
		return nil, err
	}
	return &sink{
		write: func(f *canbus.Frame) error { return r.Write(f, "") }, close: r.Close, abort: r.Close, flush: r.Flush,
		said: func() string { return fmt.Sprintf("%d frames recorded in %d files", r.Frames(), files) },
	}, nil
}

func (o *recordOptions) ring(file string, opt capture.Options, told func(string, int64)) (*sink, error) {
	lang, err := cel.NewLanguage(nil)
	if err != nil {
		return nil, err
	}
	alone, errs := lang.Compile(o.when)
	if len(errs) > 0 {
		return nil, fmt.Errorf("--when: %w", errs[0])
	}
	if !alone.OnEvent() {
		return nil, fmt.Errorf("--when %q looks at no frame, want event.id or event.data in it", o.when)
	}
	// Only a condition that says so sees single frames.
	c, errs := lang.Compile(`event.kind == "frame" && (` + o.when + ")")
	if len(errs) > 0 {
		return nil, fmt.Errorf("--when: %w", errs[0])
	}
	r, err := recorder.NewRing(file, recorder.RingOptions{Before: o.before, After: o.after, Capture: opt, Told: told})
	if err != nil {
		return nil, err
	}
	var holds bool
	watch := monitor.NewWatch(new(signal.Table))
	watch.On(c, func(time.Duration) { holds = true })
	var begun time.Duration
	write := func(f *canbus.Frame) error {
		if begun == 0 {
			begun = f.Time
		}
		ob := judge.Saw(judge.Frame, f.Time-begun)
		ob.ID, ob.Data = int(f.ID), f.Payload()
		holds = false
		if err := watch.Observe(&ob); err != nil {
			return fmt.Errorf("--when: %w", err)
		}
		return r.Write(f, "", holds)
	}
	flush := func() (func() error, error) { return r.Flush(time.Duration(time.Now().UnixNano())) }
	return &sink{write: write, close: r.Close, abort: r.Close, flush: flush, said: func() string {
		return fmt.Sprintf("%d moments recorded", r.Saved())
	}}, nil
}

// parseSize reads a number of bytes with kB, MB or GB (powers of 1000) behind it.
func parseSize(s string) (int64, error) {
	var n float64
	var unit string
	if _, err := fmt.Sscanf(s, "%g%s", &n, &unit); err != nil {
		return 0, err
	}
	factor, ok := map[string]float64{"kB": 1e3, "MB": 1e6, "GB": 1e9}[unit]
	if !ok || !(n > 0) || n*factor > 1e15 {
		return 0, errors.New("no size")
	}
	return int64(n * factor), nil
}

// flushEvery is how old a frame gets before it is on its way to the disk, whether
// others come after it or not.
const flushEvery = time.Second

// flushing flushes the sink until stop is called, which gives the first error. With it
// the recording is at its end.
func (s *sink) flushing(mu *sync.Mutex, end func()) (stop func() error) {
	done, gone := make(chan struct{}), make(chan struct{})
	var failed error
	go func() {
		defer close(gone)
		tick := time.NewTicker(flushEvery)
		defer tick.Stop()
		for {
			select {
			case <-done:
				return
			case <-tick.C:
			}
			mu.Lock()
			wait, err := s.flush()
			mu.Unlock()
			if err == nil && wait != nil {
				err = wait()
			}
			if err != nil {
				failed = err
				end()
				return
			}
		}
	}()
	return func() error { close(done); <-gone; return failed }
}

// copy writes what comes until the recording is over. An ended context is a
// good end, and so is a bus that goes away.
func (o *recordOptions) copy(ctx context.Context, conn canbus.Conn, s *sink, mu *sync.Mutex, only []replay.Match, status io.Writer) error {
	show := isTerminal(status)
	var f canbus.Frame
	var n int64
	for shown := time.Now(); o.frames == 0 || n < o.frames; {
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
		mu.Lock()
		err := s.write(&f)
		mu.Unlock()
		if err != nil {
			return err
		}
		n++
		if show && time.Since(shown) > 500*time.Millisecond {
			shown = time.Now()
			fmt.Fprintf(status, "\r\x1b[K%d frames", n)
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
