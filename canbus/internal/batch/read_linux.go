package batch

import (
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Reader receives packets into buffers of its own.
type Reader struct {
	raw     syscall.RawConn
	size    int
	control int
	hdrs    []unix.Mmsghdr
	iovs    []unix.Iovec
	data    []byte
	oob     []byte
	try     func(fd uintptr) bool
	n       int
	err     error
}

// NewReader returns a reader of up to count packets a call, of at most size
// bytes, with control bytes for the control messages of each.
func NewReader(raw syscall.RawConn, count, size, control int) *Reader {
	r := &Reader{
		raw: raw, size: size, control: control,
		hdrs: make([]unix.Mmsghdr, count),
		iovs: make([]unix.Iovec, count),
		data: make([]byte, count*size),
		oob:  make([]byte, count*control+1),
	}
	for i := range r.hdrs {
		r.iovs[i].Base = &r.data[i*size]
		r.iovs[i].SetLen(size)
		r.hdrs[i].Hdr.Iov = &r.iovs[i]
		r.hdrs[i].Hdr.SetIovlen(1)
	}
	r.try = r.receive // bound once: a method value allocates
	return r
}

// Read waits for at least one packet and returns how many came. The packets
// are valid until the next call. Errors are the system's or, of a closed
// socket, wrap os.ErrClosed.
func (r *Reader) Read() (int, error) {
	if err := r.raw.Read(r.try); err != nil {
		return 0, closed(err)
	}
	return r.n, r.err
}

// closed gives the poller's own errors one name: files and connections each
// have another, of which one is not exported.
func closed(err error) error {
	if errors.Is(err, os.ErrClosed) || errors.Is(err, os.ErrDeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%w: %w", os.ErrClosed, err)
}

func (r *Reader) receive(fd uintptr) bool {
	for i := range r.hdrs {
		h := &r.hdrs[i].Hdr
		h.Flags = 0
		if r.control > 0 {
			h.Control = &r.oob[i*r.control]
			h.SetControllen(r.control)
		}
	}
	for {
		// MSG_TRUNC has the true length reported for a packet beyond size.
		n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&r.hdrs[0])),
			uintptr(len(r.hdrs)), unix.MSG_DONTWAIT|unix.MSG_TRUNC, 0, 0)
		switch {
		case errno == unix.EINTR:
			continue
		case errno == unix.EAGAIN:
			return false
		case errno != 0:
			r.n, r.err = 0, errno
		default:
			r.n, r.err = int(n), nil
		}
		return true
	}
}

// Packet is the i-th packet of the last Read, cut to the reader's size.
func (r *Reader) Packet(i int) []byte {
	return r.data[i*r.size:][:min(r.Len(i), r.size)]
}

// Len is the length the i-th packet had, which may be more than fitted.
func (r *Reader) Len(i int) int { return int(r.hdrs[i].Len) }

// Flags are the MSG_ flags of the i-th packet.
func (r *Reader) Flags(i int) int { return int(r.hdrs[i].Hdr.Flags) }

// Control is the i-th packet's control messages as they came.
func (r *Reader) Control(i int) []byte {
	if r.control == 0 {
		return nil
	}
	return r.oob[i*r.control:][:min(int(r.hdrs[i].Hdr.Controllen), r.control)]
}

// Stamp is when the kernel saw the i-th packet, since 1970, if the socket has
// SO_TIMESTAMPNS set.
func (r *Reader) Stamp(i int) (time.Duration, bool) { return Stamp(r.Control(i)) }

// ControlSize is the room that a timestamp and a drop counter need.
var ControlSize = unix.CmsgSpace(int(unsafe.Sizeof(unix.Timespec{}))) + unix.CmsgSpace(4)

// Stamp finds the SCM_TIMESTAMPNS message (socket(7)) in control messages:
// a struct timespec of the system's real-time clock.
func Stamp(oob []byte) (time.Duration, bool) {
	data, ok := message(oob, unix.SOL_SOCKET, unix.SCM_TIMESTAMPNS)
	if !ok || len(data) < int(unsafe.Sizeof(unix.Timespec{})) {
		return 0, false
	}
	ts := *(*unix.Timespec)(unsafe.Pointer(&data[0]))
	return time.Duration(ts.Nano()), true
}

// Overflow finds the SO_RXQ_OVFL message: how many packets the socket has
// dropped since it was made because its receive queue was full (modulo 2^32).
func Overflow(oob []byte) (uint32, bool) {
	data, ok := message(oob, unix.SOL_SOCKET, unix.SO_RXQ_OVFL)
	if !ok || len(data) < 4 {
		return 0, false
	}
	return *(*uint32)(unsafe.Pointer(&data[0])), true
}

// message finds one control message by level and type (cmsg(3)) without
// allocating; lengths that do not fit end the search.
func message(oob []byte, level, typ int32) ([]byte, bool) {
	head := unix.CmsgLen(0)
	for len(oob) >= head {
		h := (*unix.Cmsghdr)(unsafe.Pointer(&oob[0]))
		n := int(h.Len)
		if n < head || n > len(oob) {
			return nil, false
		}
		if h.Level == level && h.Type == typ {
			return oob[head:n], true
		}
		oob = oob[min(unix.CmsgSpace(n-head), len(oob)):]
	}
	return nil, false
}

// Temporary reports whether the system asks to try again later: the socket's
// send buffer or the interface's queue is full.
func Temporary(err error) bool {
	return errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.ENOBUFS)
}
