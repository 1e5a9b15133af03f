package capture

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"

	"sawhorse/canbus"
)

const wantLink = "link type 227 (LINKTYPE_CAN_SOCKETCAN)"

// decoder reads frames of one format. Errors are io.EOF or final.
type decoder interface {
	next(f *canbus.Frame) error
}

// Reader reads one capture. It is not safe for use by several goroutines.
type Reader struct {
	name  string
	src   io.Reader
	start int64 // where src began, if it can seek; else -1
	raw   *bufio.Reader
	gz    *gzip.Reader
	inGz  bool
	win   window
	dec   decoder

	frames  int64
	skipped int64
	first   *Error // the first record passed over
	err     error  // the end
	buses   []string
	comment []byte
	scratch []byte
}

// Open opens a capture; "-" is the standard input. Errors are the operating
// system's or those of NewReader.
func Open(path string) (*Reader, error) {
	if path == "-" {
		return NewReader(os.Stdin, "standard input")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	r, err := NewReader(f, path)
	if err != nil {
		_ = f.Close()
		return nil, err
	}
	return r, nil
}

// NewReader reads a capture from r; name stands for it in errors. What does not
// begin like a capture is an *Error at once. If r is an io.Closer, Close closes it.
func NewReader(r io.Reader, name string) (*Reader, error) {
	c := &Reader{name: name, src: r, start: -1, raw: bufio.NewReaderSize(r, windowSize)}
	if s, ok := r.(io.Seeker); ok {
		if at, err := s.Seek(0, io.SeekCurrent); err == nil {
			c.start = at
		}
	}
	if err := c.begin(); err != nil {
		return nil, err
	}
	return c, nil
}

// begin looks at the first bytes and makes the decoder.
func (r *Reader) begin() error {
	r.frames, r.skipped, r.first, r.err, r.inGz = 0, 0, nil, nil, false
	r.dec, r.buses, r.comment = nil, r.buses[:0], nil
	r.win.reset(r.raw)
	if b, _ := r.raw.Peek(2); bytes.Equal(b, []byte{0x1F, 0x8B}) {
		if err := r.unzip(); err != nil {
			return err
		}
	}
	dec, err := r.sniff()
	if err != nil {
		return err
	}
	r.dec = dec
	return nil
}

func (r *Reader) unzip() (err error) {
	r.inGz = true
	if r.gz == nil {
		r.gz, err = gzip.NewReader(r.raw)
	} else {
		err = r.gz.Reset(r.raw)
	}
	if err != nil {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		r.gz = nil
		return r.fail(0, fmt.Errorf("gzip header: %w", err), "")
	}
	r.win.reset(r.gz)
	return nil
}

func (r *Reader) sniff() (decoder, error) {
	w := &r.win
	w.need(4)
	b := w.buf[w.r:w.w]
	if len(b) == 0 {
		err := w.err
		if err == io.EOF {
			err = fmt.Errorf("%w: the input is empty", ErrFormat)
		}
		return nil, r.fail(0, err, wantFormat)
	}
	if len(b) >= 4 {
		if _, _, ok := pcapMagic(b); ok {
			return newPcap(r)
		}
		if bytes.Equal(b[:4], ngMagic) {
			return newPcapNG(r)
		}
	}
	return newCSV(r)
}

// Next sets f to the next frame: Time since 1970-01-01T00:00:00Z, Bus the number
// of the interface, counted over the whole file (see Buses). At the end it
// returns io.EOF, or an *Error if not everything could be read.
func (r *Reader) Next(f *canbus.Frame) error {
	if r.err != nil {
		return r.err
	}
	r.comment = nil
	err := r.dec.next(f)
	if err == nil {
		return nil
	}
	r.comment = nil
	var e *Error
	switch {
	case errors.As(err, &e):
		e.Skipped = r.skipped
	case r.first != nil:
		r.first.Skipped = r.skipped
		err = r.first
	}
	r.err = err
	return err
}

// Comment is the packet comment of the frame that Next gave last; "" if none.
// Several comments of one packet are joined by newlines.
func (r *Reader) Comment() string { return string(r.comment) }

// Frame is the number of the record that Next gave last, from 1; records that
// had to be passed over count.
func (r *Reader) Frame() int64 { return r.frames }

// Buses are the names of the interfaces met so far, by the number in the frames'
// Bus; "" where the file gives none. An interface of a later section with the
// name of an earlier section's is the same bus.
func (r *Reader) Buses() []string { return append([]string(nil), r.buses...) }

// Rewind goes back to the first frame. Inputs that cannot seek give ErrRewind.
func (r *Reader) Rewind() error {
	s, ok := r.src.(io.Seeker)
	if !ok || r.start < 0 {
		return fmt.Errorf("%s: %w", r.name, ErrRewind)
	}
	if _, err := s.Seek(r.start, io.SeekStart); err != nil {
		return fmt.Errorf("%s: %w", r.name, err)
	}
	r.raw.Reset(r.src)
	return r.begin()
}

// Close closes the input, if it can be closed.
func (r *Reader) Close() error {
	r.err = fmt.Errorf("%s: %w", r.name, os.ErrClosed)
	if c, ok := r.src.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// fail is the error that ends reading.
func (r *Reader) fail(at int64, err error, want string) *Error {
	e := &Error{File: r.name, Offset: at, Gzip: r.inGz, Want: want, Err: err}
	if r.dec != nil {
		e.Frame = r.frames + 1
	}
	return e
}

// pass notes a record that is passed over; only the first is kept.
func (r *Reader) pass(at int64, err error, want string) {
	r.skipped++
	if r.first == nil {
		r.first = r.fail(at, err, want)
		r.first.Frame = r.frames
	}
}
