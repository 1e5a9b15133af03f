package recorder

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// Ring keeps the last frames and writes them to a file when something happens, and
// what comes for a time after.
type Ring struct {
	names   names
	opt     RingOptions
	frames  []kept
	head, n int
	w       file
	name    string
	until   time.Duration // of the file at hand
	saved   int
	lost    uint64
}

// RingOptions say what a ring keeps.
type RingOptions struct {
	// Before is how much is kept, After how much is written after the moment.
	Before, After time.Duration
	// Most bounds the frames kept; 0 means a million. Beyond it the oldest go
	// before their time, and Lost counts them.
	Most int
	// Capture are the options of each file; told hears of each that is complete.
	Capture capture.Options
	Told    func(name string, frames int64)
}

type kept struct {
	f       canbus.Frame
	comment string
}

// NewRing returns an empty ring; path is the pattern of the files' names.
func NewRing(path string, opt RingOptions) (*Ring, error) {
	if opt.Before <= 0 || opt.After < 0 || opt.Most < 0 {
		return nil, fmt.Errorf("a ring of %v and %v after, at most %d frames: want some time before and nothing below 0", opt.Before, opt.After, opt.Most)
	}
	if opt.Most == 0 {
		opt.Most = 1_000_000
	}
	n, err := newNames(path)
	return &Ring{names: n, opt: opt}, err
}

// Write takes a frame; trigger says that this is the moment. A moment while a file is
// being written makes it longer.
func (r *Ring) Write(f *canbus.Frame, comment string, trigger bool) error {
	if r.w != nil && f.Time > r.until && !trigger {
		if err := r.finish(); err != nil {
			return err
		}
	}
	if trigger {
		r.until = f.Time + r.opt.After
		if r.w == nil {
			if err := r.begin(f.Time); err != nil {
				return err
			}
		}
	}
	if r.w != nil {
		return r.w.Write(f, comment)
	}
	r.keep(f, comment)
	return nil
}

// begin opens a file with what the ring holds.
func (r *Ring) begin(now time.Duration) error {
	r.name = r.names.next()
	w, err := capture.Create(r.name, r.opt.Capture)
	if err != nil {
		return err
	}
	r.w = w
	r.drop(now)
	for i := range r.n {
		k := &r.frames[(r.head+i)%len(r.frames)]
		if err := w.Write(&k.f, k.comment); err != nil {
			return err
		}
	}
	r.head, r.n = 0, 0
	return nil
}

func (r *Ring) keep(f *canbus.Frame, comment string) {
	r.drop(f.Time)
	if r.n == len(r.frames) {
		if r.n < r.opt.Most {
			r.grow()
		} else {
			r.head = (r.head + 1) % len(r.frames)
			r.n--
			r.lost++
		}
	}
	r.frames[(r.head+r.n)%len(r.frames)] = kept{*f, comment}
	r.n++
}

// drop forgets what is older than the ring keeps.
func (r *Ring) drop(now time.Duration) {
	for r.n > 0 && now-r.frames[r.head].f.Time > r.opt.Before {
		r.head = (r.head + 1) % len(r.frames)
		r.n--
	}
}

func (r *Ring) grow() {
	bigger := make([]kept, min(r.opt.Most, max(1024, 2*len(r.frames))))
	for i := range r.n {
		bigger[i] = r.frames[(r.head+i)%len(r.frames)]
	}
	r.frames, r.head = bigger, 0
}

func (r *Ring) finish() error {
	if r.w == nil {
		return nil
	}
	n := r.w.Frames()
	err := r.w.Close()
	r.w = nil
	if err == nil {
		r.saved++
		if r.opt.Told != nil {
			r.opt.Told(r.name, n)
		}
	}
	return err
}

// Flush is that of Rotating; a file whose time is over by now is completed.
func (r *Ring) Flush(now time.Duration) (sync func() error, err error) {
	if r.w != nil && now > r.until {
		return nil, r.finish()
	}
	return flush(r.w)
}

// Saved counts the files written, Lost the frames that went before their time.
func (r *Ring) Saved() int { return r.saved }

// Lost counts the frames that went before their time because there were too many.
func (r *Ring) Lost() uint64 { return r.lost }

// Close completes a file at hand; what the ring holds without a moment is dropped.
func (r *Ring) Close() error { return r.finish() }
