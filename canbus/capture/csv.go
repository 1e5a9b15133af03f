package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"sawhorse/canbus"
)

// Columns of the CSV format, in the order in which they are written.
const (
	colTime = iota
	colBus
	colID
	colFlags
	colDLC
	colData
	colComment
	colCount
)

const csvHeader = "time,bus,id,flags,dlc,data,comment"

var colNames = strings.Split(csvHeader, ",")

const (
	wantFormat = "pcap, pcapng or CSV"
	wantHeader = "a capture: pcap, pcapng, or CSV whose header names the columns time, id and data"
)

// field is one cell of a line: its text, unescaped, and its place in the line.
type field struct {
	text []byte
	at   int
}

type csvDecoder struct {
	r        *Reader
	line     int     // of the record at hand, from 1
	nextLine int     // number of the next line
	col      []int   // what the columns of the file are
	fields   []field // of the record at hand
	cell     [colCount]field
	has      [colCount]bool
	// ended is set if the record at hand ends with its line.
	ended bool
}

func newCSV(r *Reader) (decoder, error) {
	d := &csvDecoder{r: r, nextLine: 1}
	if r.win.need(3) && bytes.Equal(r.win.buf[r.win.r:r.win.r+3], []byte{0xEF, 0xBB, 0xBF}) {
		r.win.r += 3
	}
	head, at, err := d.record()
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = r.fail(0, fmt.Errorf("%w: nothing but empty lines", ErrFormat), wantFormat)
		}
		return nil, err
	}
	if e := d.split(head); e != nil {
		return nil, d.place(r.fail(at, ErrFormat, wantHeader), 0)
	}
	for _, f := range d.fields {
		c := columnOf(f.text)
		if c < 0 || d.has[c] {
			if !bytes.Contains(head, []byte("time")) {
				return nil, d.place(r.fail(at, fmt.Errorf("%w: it begins with %q", ErrFormat, clip(head)), wantHeader), 0)
			}
			return nil, d.place(r.fail(at, fmt.Errorf("%w: column %q", ErrFormat, clip(f.text)), "each of "+csvHeader+" at most once"), f.at)
		}
		d.has[c] = true
		d.col = append(d.col, c)
	}
	if !d.has[colTime] || !d.has[colID] || !d.has[colData] {
		return nil, d.place(r.fail(at, fmt.Errorf("%w: the header is %q", ErrFormat, clip(head)), wantHeader), 0)
	}
	return d, nil
}

func columnOf(name []byte) int {
	for i, n := range colNames {
		if string(bytes.TrimSpace(name)) == n {
			return i
		}
	}
	return -1
}

// clip keeps foreign bytes in messages short.
func clip(b []byte) []byte { return b[:min(len(b), 40)] }

func (d *csvDecoder) place(e *Error, at int) *Error {
	e.Line, e.Column = d.line, at+1
	return e
}

func (d *csvDecoder) next(f *canbus.Frame) error {
	for {
		b, at, err := d.record()
		if err != nil {
			return err
		}
		d.r.frames++
		if bad := d.parse(f, b); bad != nil {
			first := d.r.first == nil
			d.r.pass(at, bad.err, bad.want)
			if first {
				d.place(d.r.first, bad.at)
			}
			continue
		}
		if c := d.cell[colComment].text; len(c) > 0 {
			d.r.comment = c
		}
		return nil
	}
}

// record returns the next line that is not empty, without its end, and its
// offset. Quoted line ends belong to the record.
func (d *csvDecoder) record() (b []byte, at int64, err error) {
	w := &d.r.win
	for {
		d.line = d.nextLine
		n, lines, err := d.measure()
		if err != nil {
			return nil, 0, err
		}
		d.nextLine += lines
		at = w.offset()
		b = w.buf[w.r : w.r+n]
		w.r += n
		d.ended = bytes.HasSuffix(b, []byte("\n"))
		if b = bytes.TrimRight(b, "\r\n"); len(b) > 0 {
			return b, at, nil
		}
	}
}

// measure finds the length of the record at hand and the line ends in it. If a
// quotation mark does not close, the record is the first line alone, so that
// one bad line does not take the others with it.
func (d *csvDecoder) measure() (n, lines int, err error) {
	w := &d.r.win
	var q quotes
	first := 0
	for {
		i := bytes.IndexByte(w.buf[w.r+n:w.w], '\n')
		if i >= 0 {
			q.scan(w.buf[w.r+n : w.r+n+i+1])
			n += i + 1
			lines++
			if !q.open {
				return n, lines, nil
			}
			if first == 0 {
				first = n
			}
			continue
		}
		q.scan(w.buf[w.r+n : w.w])
		n = w.have()
		if n < maxBlock && w.fill(n+1) {
			continue
		}
		switch {
		case first > 0:
			return first, 1, nil
		case n >= maxBlock:
			return 0, 0, d.place(d.r.fail(w.offset(), fmt.Errorf("%w: a line of more than %d bytes", ErrFormat, maxBlock), ""), 0)
		case n > 0 && w.err == io.EOF:
			return n, 0, nil
		}
		return 0, 0, d.end()
	}
}

// quotes follows quotation marks through a record: one opens at the start of a
// field only, and a doubled one closes and opens again.
type quotes struct {
	open   bool
	inside bool // a field has begun
	closed bool // the byte before was a closing mark
}

func (q *quotes) scan(b []byte) {
	if !q.open && bytes.IndexByte(b, '"') < 0 {
		if len(b) > 0 {
			q.inside, q.closed = b[len(b)-1] != ',', false
		}
		return
	}
	for _, c := range b {
		switch {
		case c == '"' && q.open:
			q.open = false
			q.closed = true
			continue
		case c == '"' && (q.closed || !q.inside):
			q.open = true
		case c == ',' && !q.open:
			q.inside = false
			q.closed = false
			continue
		}
		q.closed, q.inside = false, true
	}
}

// end is what there is to say when the input gives no more.
func (d *csvDecoder) end() error {
	w := &d.r.win
	if w.err == io.EOF {
		return io.EOF
	}
	if w.err == io.ErrUnexpectedEOF {
		return d.place(d.r.fail(w.offset(), fmt.Errorf("the compressed stream is cut off: %w", w.err), ""), w.have())
	}
	return d.place(d.r.fail(w.offset(), w.err, ""), w.have())
}

// flaw is one finding in a line.
type flaw struct {
	at   int
	err  error
	want string
}

// split cuts a record into fields, unescaping quoted ones in place.
func (d *csvDecoder) split(b []byte) *flaw {
	d.fields = d.fields[:0]
	for at := 0; ; {
		if at < len(b) && b[at] == '"' {
			start, out := at+1, at+1
			for at++; ; at++ {
				if at >= len(b) {
					return &flaw{start - 1, fmt.Errorf("%w: a quotation mark that does not close", ErrFormat), ""}
				}
				if b[at] == '"' {
					if at+1 >= len(b) || b[at+1] != '"' {
						break
					}
					at++
				}
				b[out] = b[at]
				out++
			}
			d.fields = append(d.fields, field{b[start:out], start})
			if at++; at < len(b) && b[at] != ',' {
				return &flaw{at, fmt.Errorf("%w: text after a quotation mark", ErrFormat), "a comma"}
			}
		} else {
			n := bytes.IndexByte(b[at:], ',')
			if n < 0 {
				n = len(b) - at
			}
			d.fields = append(d.fields, field{b[at : at+n], at})
			at += n
		}
		if at >= len(b) {
			return nil
		}
		at++ // the comma
	}
}

// seconds parses a decimal number of seconds into nanoseconds.
func seconds(b []byte) (time.Duration, bool) {
	whole, frac, dot := b, []byte(nil), bytes.IndexByte(b, '.')
	if dot >= 0 {
		whole, frac = b[:dot], b[dot+1:]
	}
	if len(whole) == 0 || len(whole) > 10 || dot >= 0 && len(frac) == 0 {
		return 0, false
	}
	var ns int64
	for _, c := range whole {
		if c < '0' || c > '9' {
			return 0, false
		}
		ns = ns*10 + int64(c-'0')
	}
	if ns >= math.MaxInt64/int64(time.Second) {
		return 0, false
	}
	for i := range max(len(frac), 9) {
		c := byte('0')
		if i < len(frac) {
			c = frac[i]
		}
		if c < '0' || c > '9' {
			return 0, false
		}
		if i < 9 {
			ns = ns*10 + int64(c-'0')
		}
	}
	return time.Duration(ns), true
}
