package batch

import (
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"

	"sawhorse/canbus"
)

// Writer sends frames as the records of [canbus.Frame.AppendRecord], one a
// packet.
type Writer struct {
	raw   syscall.RawConn
	hdrs  []unix.Mmsghdr
	iovs  []unix.Iovec
	data  []byte
	n     int // frames held
	sent  int // of these, how many have gone
	err   error
	wait  func(fd uintptr) bool
	touch func(fd uintptr)
}

// NewWriter returns a writer of up to count frames a call.
func NewWriter(raw syscall.RawConn, count int) *Writer {
	w := &Writer{
		raw:  raw,
		hdrs: make([]unix.Mmsghdr, count),
		iovs: make([]unix.Iovec, count),
		data: make([]byte, count*canbus.RecordSizeFD),
	}
	for i := range w.hdrs {
		w.iovs[i].Base = &w.data[i*canbus.RecordSizeFD]
		w.hdrs[i].Hdr.Iov = &w.iovs[i]
		w.hdrs[i].Hdr.SetIovlen(1)
	}
	w.wait = func(fd uintptr) bool { // made once: a closure allocates
		w.send(fd)
		return w.err != unix.EAGAIN
	}
	w.touch = func(fd uintptr) { w.send(fd) }
	return w
}

// Add takes one more frame; false if the writer is full.
func (w *Writer) Add(f *canbus.Frame) bool {
	if w.n == len(w.hdrs) {
		return false
	}
	at := w.data[w.n*canbus.RecordSizeFD:]
	w.iovs[w.n].SetLen(len(f.AppendRecord(at[:0])))
	w.n++
	return true
}

// Len counts the frames held.
func (w *Writer) Len() int { return w.n }

// Write sends all frames held, waiting for room, and forgets them. At an error
// it returns how many went.
func (w *Writer) Write() (int, error) {
	w.sent, w.err = 0, nil
	if err := w.raw.Write(w.wait); err != nil {
		w.err = closed(err)
	}
	w.n = 0
	return w.sent, w.err
}

// TryWrite sends what can go without waiting and forgets all frames held; at
// an error, such as EAGAIN, it returns how many went.
func (w *Writer) TryWrite() (int, error) {
	w.sent, w.err = 0, nil
	if err := w.raw.Control(w.touch); err != nil {
		w.err = closed(err)
	}
	w.n = 0
	return w.sent, w.err
}

func (w *Writer) send(fd uintptr) {
	for w.sent < w.n {
		n, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, fd, uintptr(unsafe.Pointer(&w.hdrs[w.sent])),
			uintptr(w.n-w.sent), unix.MSG_DONTWAIT|unix.MSG_NOSIGNAL, 0, 0)
		if errno == unix.EINTR {
			continue
		}
		if errno != 0 {
			w.err = errno
			return
		}
		w.sent += int(n)
	}
	w.err = nil
}
