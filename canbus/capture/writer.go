package capture

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"sawhorse/canbus"
)

// Format is a format that can be written.
type Format uint8

// Formats of a Writer.
const (
	PcapNG Format = iota
	CSV
)

// Options of a Writer; the zero value is good.
type Options struct {
	// Origin is added to the time of every frame: the moment at which a run
	// began. The zero Time adds nothing, for frames timed since 1970.
	Origin time.Time
	// Buses names the interfaces by the number in the frames' Bus; buses beyond
	// are named can0, can1 ... CSV has numbers only.
	Buses []string
	// FlushEvery writes out what is buffered whenever the frames' own time has
	// moved on by so much; 0 leaves it to the buffer of 64 KiB. A reader of the
	// unfinished file sees whole blocks up to the last flush.
	FlushEvery time.Duration
	// Replace lets Close take the place of a file of that name. Otherwise a name
	// that is taken is an error that wraps fs.ErrExist, at Create and at Close.
	Replace bool
	// Sync has each of these flushes reach the disk (fsync), so that it
	// survives a loss of power; the caller waits for it, milliseconds perhaps.
	Sync bool
	// Lax does not wait for the disk at Close either: the file is whole as long
	// as the machine keeps its power, which is enough for what a run can make
	// again.
	Lax bool
}

// bufferSize is how much is held before it is handed over; bufferRoom leaves a
// place for the block that fills it.
const (
	bufferSize = 64 << 10
	bufferRoom = 1 << 10
)

// encoder makes the bytes of one format.
type encoder interface {
	// begin appends what comes before the first frame.
	begin(b []byte) []byte
	// frame appends one frame at a time since 1970.
	frame(b []byte, f *canbus.Frame, at time.Duration, comment string) []byte
}

// Writer writes one capture. The same calls give the same bytes. It is not safe
// for use by several goroutines.
type Writer struct {
	name   string
	out    io.Writer // the file, or gz
	gz     *gzip.Writer
	part   *partFile
	enc    encoder
	opt    Options
	origin time.Duration
	buf    []byte
	done   int64 // bytes handed over
	frames int64
	report canbus.Frame  // an error report as it is written
	next   time.Duration // when to flush, in frame time
	err    error
}

// Create begins a capture file: .pcapng or .csv, with .gz behind it to compress.
// Nothing appears under the name before Close.
func Create(path string, opt Options) (*Writer, error) {
	base, zip := strings.CutSuffix(path, ".gz")
	var format Format
	switch {
	case strings.HasSuffix(base, ".pcapng"):
		format = PcapNG
	case strings.HasSuffix(base, ".csv"):
		format = CSV
	default:
		return nil, &Error{File: path, Err: fmt.Errorf("%w: the name does not tell the format", ErrFormat),
			Want: "a name ending in .pcapng, .csv, .pcapng.gz or .csv.gz"}
	}
	if !opt.Replace {
		if err := free(path); err != nil {
			return nil, err
		}
	}
	part, err := newPartFile(path)
	if err != nil {
		return nil, err
	}
	part.lax, part.replace = opt.Lax, opt.Replace
	w, err := newWriter(part.f, path, format, zip, opt)
	if err != nil {
		return nil, errors.Join(err, part.abort())
	}
	w.part = part
	return w, nil
}

// NewWriter writes a capture to out; name stands for it in errors. Close flushes
// and leaves out open.
func NewWriter(out io.Writer, name string, format Format, opt Options) (*Writer, error) {
	return newWriter(out, name, format, false, opt)
}

func newWriter(out io.Writer, name string, format Format, zip bool, opt Options) (*Writer, error) {
	w := &Writer{name: name, out: out, opt: opt, buf: make([]byte, 0, bufferSize+bufferRoom), next: math.MinInt64}
	if !opt.Origin.IsZero() {
		w.origin = time.Duration(opt.Origin.UnixNano())
	}
	if len(opt.Buses) > maxBuses {
		return nil, w.fail(fmt.Errorf("%d buses", len(opt.Buses)), "at most 256")
	}
	if zip {
		w.gz = gzip.NewWriter(out)
		w.out = w.gz
	}
	switch format {
	case PcapNG:
		w.enc = &ngEncoder{names: opt.Buses}
	case CSV:
		w.enc = csvEncoder{}
	default:
		return nil, w.fail(fmt.Errorf("format %d", format), "PcapNG or CSV")
	}
	w.buf = w.enc.begin(w.buf)
	return w, nil
}

// Write appends a frame; a comment says what a fault did to it, "" is none.
// Comments beyond 65,535 bytes are cut. The error is an *Error: a frame that no
// bus could carry or a time before 1970, after which writing may go on, or the
// output's, which every later call returns too.
func (w *Writer) Write(f *canbus.Frame, comment string) error {
	if w.err != nil {
		return w.err
	}
	if err := f.Validate(); err != nil {
		return w.fail(err, "")
	}
	at := f.Time + w.origin
	if at < 0 || w.origin > 0 && at < f.Time {
		return w.fail(fmt.Errorf("a time of %v with an origin of %v", f.Time, w.origin), "a moment from 1970 to 2262")
	}
	if f.Flags&canbus.Error != 0 {
		// A report has class bits where frames have identifier and format.
		w.report = *f
		w.report.Flags, w.report.ID = canbus.Error, f.ID&canbus.MaxExtendedID
		f = &w.report
	}
	w.buf = w.enc.frame(w.buf, f, at, comment)
	w.frames++
	if len(w.buf) >= bufferSize {
		w.drain()
	}
	if w.opt.FlushEvery > 0 && f.Time >= w.next {
		if w.next != math.MinInt64 {
			w.flush(w.opt.Sync)
		}
		w.next = f.Time + w.opt.FlushEvery
	}
	return w.err
}

// Flush writes out what is buffered, as whole blocks.
func (w *Writer) Flush() error {
	w.flush(false)
	return w.err
}

// Sync waits until what has been flushed has reached the disk. Unlike all else it may
// be called from another goroutine than the one that writes.
func (w *Writer) Sync() error {
	if w.part == nil {
		return nil
	}
	if err := w.part.f.Sync(); err != nil && !errors.Is(err, os.ErrClosed) {
		return &Error{File: w.name, Err: err}
	}
	return nil
}

// Frames is the number of frames written.
func (w *Writer) Frames() int64 { return w.frames }

// Size is the number of bytes written so far, before compression.
func (w *Writer) Size() int64 { return w.done + int64(len(w.buf)) }

// Part is the name of the file beside while it is being written; "" for a
// Writer of NewWriter.
func (w *Writer) Part() string {
	if w.part == nil {
		return ""
	}
	return w.part.f.Name()
}

// Close finishes the capture, gives it its name and returns the first error of
// all the writing. After an error the name is left as it was, and the .part
// file, which holds what could be written, stays; Abort removes it.
func (w *Writer) Close() error {
	if errors.Is(w.err, os.ErrClosed) {
		return w.err
	}
	w.drain()
	if w.err == nil && w.gz != nil {
		w.note(w.gz.Close())
	}
	if w.part != nil {
		if w.err == nil {
			w.note(w.part.finish())
		} else {
			_ = w.part.f.Close()
		}
	}
	err := w.err
	w.err = fmt.Errorf("%s: %w", w.name, os.ErrClosed)
	return err
}

// Abort ends writing and removes the .part file. After Close it does nothing
// but remove what a failed Close left.
func (w *Writer) Abort() error {
	w.err = fmt.Errorf("%s: %w", w.name, os.ErrClosed)
	if w.part == nil {
		return nil
	}
	return w.part.abort()
}

// drain hands the buffer over.
func (w *Writer) drain() {
	if w.err != nil || len(w.buf) == 0 {
		return
	}
	n, err := w.out.Write(w.buf)
	w.done += int64(n)
	w.buf = w.buf[:0]
	w.note(err)
}

func (w *Writer) flush(sync bool) {
	w.drain()
	if w.err == nil && w.gz != nil {
		w.note(w.gz.Flush())
	}
	if w.err == nil && sync && w.part != nil {
		w.note(w.part.f.Sync())
	}
}

// note keeps the first error of the output.
func (w *Writer) note(err error) {
	if err != nil && w.err == nil {
		w.err = w.fail(err, "")
	}
}

func (w *Writer) fail(err error, want string) *Error {
	return &Error{File: w.name, Offset: w.done + int64(len(w.buf)), Gzip: w.gz != nil, Frame: w.frames + 1, Want: want, Err: err}
}
