package bench

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"sync/atomic"
	"time"

	"sawhorse/bench/metrics"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
)

// Recorder keeps frames with what was done to them; capture.Writer is one.
type Recorder interface {
	Write(f *canbus.Frame, comment string) error
}

// recorders are all that keep a bench's frames.
type recorders struct {
	bench *Bench
	list  []*recording
}

// recording is one of them: failed is told the first error, and it gets no more.
type recording struct {
	to     Recorder
	failed func(error)
}

// Write implements Recorder. What one of them cannot keep is no matter of the others.
func (r *recorders) Write(f *canbus.Frame, comment string) error {
	for _, x := range r.list {
		if err := x.to.Write(f, comment); err != nil {
			r.end(x)
			x.failed(fmt.Errorf("frame %d: %w", r.bench.watch.count, err))
		}
	}
	return nil
}

// Record has a recorder get every frame of the bench's buses, and of those behind a
// car's gateways, until end is called. failed is told of the first that it could not
// keep; nil ends the run for it.
func (b *Bench) Record(to Recorder, failed func(error)) (end func()) {
	if failed == nil {
		failed = b.Fail
	}
	b.recorders.bench = b
	x := &recording{to: to, failed: failed}
	b.recorders.list = append(slices.Clone(b.recorders.list), x)
	b.watch.record = &b.recorders
	return func() { b.recorders.end(x) }
}

func (r *recorders) end(x *recording) {
	r.list = slices.DeleteFunc(slices.Clone(r.list), func(o *recording) bool { return o == x })
	if len(r.list) == 0 {
		r.bench.watch.record = nil
	}
}

// Capture is a recording into a file.
type Capture struct {
	*capture.Writer
	file string
	opt  capture.Options
	end  func()
	// failed is told the first error; forget takes the recording off the bench's end.
	failed  func(error)
	forget  func()
	metrics *metrics.Set
	flush   *clock.Timer // nil in virtual time
	// syncing says that the disk is waited for.
	syncing atomic.Bool
	err     error
	closed  bool
}

// Capture records the buses into a file until it is closed, at the latest by the
// bench's end. failed is as with Record. Names and times of the interfaces are the
// bench's, if the options have none.
func (b *Bench) Capture(file string, opt capture.Options, failed func(error)) (*Capture, error) {
	if opt.Buses == nil {
		opt.Buses = b.BusNames()
	}
	if opt.Origin.IsZero() {
		opt.Origin = b.origin()
	}
	if opt.FlushEvery == 0 {
		opt.FlushEvery = time.Second
	}
	w, err := capture.Create(file, opt)
	if err != nil {
		return nil, err
	}
	c := &Capture{Writer: w, file: file, opt: opt}
	if failed == nil {
		failed = b.Fail
	}
	c.failed, c.metrics = failed, b.Metrics
	b.Metrics.Recordings(1)
	c.end = b.Record(w, c.fail)
	if !b.Loop.Virtual() {
		c.keepUp(b.Loop)
	}
	c.forget = b.OnClose("recording "+file, quick, c.Close)
	return c, nil
}

// fail notes the first error, after which nothing more is kept.
func (c *Capture) fail(err error) {
	if c.err == nil && !c.closed {
		c.err = err
		c.end()
		c.metrics.RecordingFailed()
		c.failed(err)
	}
}

// flushStep is how old a frame gets, in wall time, before it is handed to the system.
const flushStep = time.Second

// keepUp flushes by the clock: on a silent bus no frame comes that would. The disk is
// waited for beside the loop, which must not.
func (c *Capture) keepUp(loop *clock.Loop) {
	c.flush = loop.NewTimer(clock.PriorityJudge, func() {
		if err := c.Flush(); err != nil {
			c.fail(err)
			return
		}
		if !c.opt.Lax && c.syncing.CompareAndSwap(false, true) {
			go func() {
				if err := c.Sync(); err != nil {
					_ = loop.Post(func() { c.fail(err) }) // an ended loop has closed the file
				}
				c.syncing.Store(false)
			}()
		}
		c.flush.Set(loop.Now() + flushStep)
	})
	c.flush.Set(loop.Now() + flushStep)
}

// origin is the moment that a recording's times count from: fixed in virtual time, so
// that equal runs give equal files.
func (b *Bench) origin() time.Time {
	if b.Loop.Virtual() {
		return time.Unix(0, 0).UTC()
	}
	return clock.WallTime().Add(-b.Loop.Now())
}

// Close ends the recording and gives the file its name; a second time it does nothing.
func (c *Capture) Close() error { return c.finish(c.Writer.Close) }

// Abort ends the recording and takes away what there is of the file.
func (c *Capture) Abort() error { return c.finish(c.Writer.Abort) }

func (c *Capture) finish(how func() error) error {
	if c.closed {
		return nil
	}
	c.closed = true
	c.metrics.Recordings(-1)
	c.end()
	if c.flush != nil {
		c.flush.Stop()
	}
	err := how()
	if c.err == nil {
		c.err = err
	}
	return err
}

// Err is what kept the recording from being whole; nil if it is.
func (c *Capture) Err() error { return c.err }

var recordingName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`)

// StartRecording implements api.Hand.
func (h *Hand) StartRecording(name string) error {
	switch {
	case h.folder == "":
		return errors.New("this bench has no folder for recordings")
	case h.recording != nil:
		return fmt.Errorf("%s is being recorded; end it first", h.recording.file)
	case !recordingName.MatchString(name):
		return fmt.Errorf("name %q, want letters, digits, _ and -, at most 64", name)
	}
	file := filepath.Join(h.folder, name+".pcapng")
	c, err := h.bench.Capture(file, capture.Options{}, func(err error) {
		h.bench.Log.Error("the recording has failed", "file", file, "error", err)
	})
	if err != nil {
		return err
	}
	h.recording = c
	return nil
}

// Health implements api.Hand: a recording that is asked for and has failed.
func (h *Hand) Health() error {
	if h.recording == nil || h.recording.err == nil {
		return nil
	}
	return fmt.Errorf("recording %s: %w", h.recording.file, h.recording.err)
}

// StopRecording implements api.Hand.
func (h *Hand) StopRecording() (string, int64, error) {
	c := h.recording
	if c == nil {
		return "", 0, errors.New("nothing is being recorded")
	}
	h.recording = nil
	err := c.Err()
	if more := c.Close(); err == nil {
		err = more
	}
	c.forget()
	return c.file, c.Frames(), err
}
