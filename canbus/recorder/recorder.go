// Package recorder keeps long recordings handy: files that follow each other by size
// or time, and a ring that holds the last minute and is saved when something happens.
package recorder

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// file is a capture being written; capture.Writer is one.
type file interface {
	Write(f *canbus.Frame, comment string) error
	Flush() error
	Sync() error
	Close() error
	Frames() int64
	Size() int64
}

// names numbers files: drive.pcapng gives drive-0001.pcapng, drive-0002.pcapng ...
type names struct {
	base, ext string
	n         int
}

// extensions of captures, the longer before the shorter.
var extensions = []string{".pcapng.gz", ".csv.gz", ".pcapng", ".csv"}

func newNames(path string) (names, error) {
	for _, e := range extensions {
		if base, ok := strings.CutSuffix(path, e); ok && filepath.Base(base) != "." {
			return names{base: base, ext: e}, nil
		}
	}
	return names{}, fmt.Errorf("%s: want a name ending in .pcapng or .csv, perhaps with .gz", path)
}

// next is a name that no file has yet.
func (n *names) next() string {
	for {
		n.n++
		name := fmt.Sprintf("%s-%04d%s", n.base, n.n, n.ext)
		if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
			return name
		}
	}
}

// Rotation says when the next file begins and how many are kept.
type Rotation struct {
	// Frames, Bytes and Length, if not 0, bound one file; Bytes counts before
	// compression, Length is frame time.
	Frames, Bytes int64
	Length        time.Duration
	// Keep, if not 0, is how many files stay; the oldest of this recording go.
	Keep int
	// Capture are the options of each file.
	Capture capture.Options
}

// Rotating is a recording in files that follow each other. No frame is lost between
// two.
type Rotating struct {
	names   names
	opt     Rotation
	w       file
	began   time.Duration
	written []string
	frames  int64
	told    func(name string, frames int64)
}

// NewRotating begins a recording; path is the pattern of the names. told, if not nil,
// hears of every file that is complete.
func NewRotating(path string, opt Rotation, told func(name string, frames int64)) (*Rotating, error) {
	if opt.Frames < 0 || opt.Bytes < 0 || opt.Length < 0 || opt.Keep < 0 || opt.Frames == 0 && opt.Bytes == 0 && opt.Length == 0 {
		return nil, fmt.Errorf("rotation by %d frames, %d bytes or %v, keep %d: want a bound above 0 and nothing below", opt.Frames, opt.Bytes, opt.Length, opt.Keep)
	}
	n, err := newNames(path)
	return &Rotating{names: n, opt: opt, told: told}, err
}

// Write appends a frame, perhaps to the next file.
func (r *Rotating) Write(f *canbus.Frame, comment string) error {
	if r.w != nil && r.full(f.Time) {
		if err := r.finish(); err != nil {
			return err
		}
	}
	if r.w == nil {
		name := r.names.next()
		w, err := capture.Create(name, r.opt.Capture)
		if err != nil {
			return err
		}
		r.w, r.began = w, f.Time
		r.written = append(r.written, name)
	}
	r.frames++
	return r.w.Write(f, comment)
}

// full reports whether the file at hand has reached a bound.
func (r *Rotating) full(now time.Duration) bool {
	return r.opt.Frames > 0 && r.w.Frames() >= r.opt.Frames ||
		r.opt.Bytes > 0 && r.w.Size() >= r.opt.Bytes ||
		r.opt.Length > 0 && now-r.began >= r.opt.Length
}

// finish closes the file at hand and drops the oldest beyond what is kept.
func (r *Rotating) finish() error {
	if r.w == nil {
		return nil
	}
	n := r.w.Frames()
	err := r.w.Close()
	r.w = nil
	if err != nil {
		return err
	}
	if r.told != nil {
		r.told(r.written[len(r.written)-1], n)
	}
	for r.opt.Keep > 0 && len(r.written) > r.opt.Keep {
		if err := os.Remove(r.written[0]); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		r.written = r.written[1:]
	}
	return nil
}

// Frames is how many frames have been written to all files.
func (r *Rotating) Frames() int64 { return r.frames }

// Flush hands what is buffered to the system; sync, which may be nil and may be called
// from another goroutine, waits for the disk.
func (r *Rotating) Flush() (sync func() error, err error) { return flush(r.w) }

func flush(w file) (sync func() error, err error) {
	if w == nil {
		return nil, nil
	}
	return w.Sync, w.Flush()
}

// Close completes the file at hand.
func (r *Rotating) Close() error { return r.finish() }
