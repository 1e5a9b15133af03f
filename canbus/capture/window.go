package capture

import (
	"fmt"
	"io"
)

const (
	windowSize = 64 << 10
	// maxBlock bounds what one block, record or line may make us hold.
	maxBlock = 1 << 20
	// maxEmptyReads is how often a source may return nothing before it is broken.
	maxEmptyReads = 100
)

// window is a buffered reader whose unread bytes lie in one piece, so that a
// decoder reads fields at fixed offsets without copying.
type window struct {
	src  io.Reader
	buf  []byte
	r, w int
	base int64 // offset of buf[0] in the stream
	err  error // why src gives no more
}

func (w *window) reset(src io.Reader) {
	if w.buf == nil {
		w.buf = make([]byte, windowSize)
	}
	w.src, w.r, w.w, w.base, w.err = src, 0, 0, 0, nil
}

// offset is the stream offset of the first unread byte.
func (w *window) offset() int64 { return w.base + int64(w.r) }

func (w *window) have() int { return w.w - w.r }

// need reports whether n unread bytes are at hand, after reading if necessary.
func (w *window) need(n int) bool { return w.w-w.r >= n || w.fill(n) }

// fill reads until n bytes are unread; n is at most maxBlock.
func (w *window) fill(n int) bool {
	if w.err != nil {
		return false
	}
	w.base += int64(w.r)
	if n > len(w.buf) {
		bigger := make([]byte, max(2*len(w.buf), n))
		w.w = copy(bigger, w.buf[w.r:w.w])
		w.buf = bigger
	} else {
		w.w = copy(w.buf, w.buf[w.r:w.w])
	}
	w.r = 0
	for empty := 0; w.w < n; {
		k, err := w.src.Read(w.buf[w.w:])
		w.w += k
		if err != nil {
			w.err = err
			break
		}
		if k > 0 {
			empty = 0
		} else if empty++; empty > maxEmptyReads {
			w.err = io.ErrNoProgress
			break
		}
	}
	return w.w >= n
}

// skip passes over n bytes of any number; false if the input ended before.
func (w *window) skip(n int64) bool {
	for n > int64(w.have()) {
		n -= int64(w.have())
		w.r = w.w
		if !w.fill(1) {
			return false
		}
	}
	w.r += int(n)
	return true
}

// atEnd reports a proper end: nothing unread and nothing more to come.
func (w *window) atEnd() bool { return w.have() == 0 && !w.fill(1) && w.err == io.EOF }

// short is the cause when n bytes of what were needed and not to be had.
func (w *window) short(n int64, what string) error {
	if w.err != nil && w.err != io.EOF && w.err != io.ErrUnexpectedEOF {
		return w.err
	}
	return fmt.Errorf("the input ends after %d of %d bytes of %s: %w", w.have(), n, what, io.ErrUnexpectedEOF)
}
