package socketcan

import (
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/internal/batch"
)

// receiveBuffer is asked for so that a stalled reader loses nothing for about
// a second of a full bus.
const receiveBuffer = 4 << 20

// socket is a raw SocketCAN socket bound to one interface.
type socket struct {
	iface string
	fd    bool // the interface carries CAN FD and it was asked for
	file  *os.File
	raw   syscall.RawConn
	in    *batch.Reader
	out   *batch.Writer
}

// openSocket opens, sets and binds a socket; own asks for the echo of what it
// sends. Every failure closes it again.
func openSocket(iface string, opt Options, own bool) (*socket, error) {
	if err := CheckName(iface); err != nil {
		return nil, err
	}
	ifi, err := net.InterfaceByName(iface)
	if err != nil {
		return nil, fmt.Errorf("no such interface: %w", cause(err))
	}
	if ifi.Flags&net.FlagUp == 0 {
		return nil, fmt.Errorf("%w: set its bit rate and bring it up first", ErrDown)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("no SocketCAN in this kernel: %w", err)
	}
	if err := configure(fd, opt, own); err != nil {
		_ = unix.Close(fd)
		return nil, err
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifi.Index}); err != nil {
		_ = unix.Close(fd)
		return nil, fmt.Errorf("not a CAN interface: %w", err)
	}
	file := os.NewFile(uintptr(fd), "can:"+iface)
	raw, err := file.SyscallConn()
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return &socket{
		iface: iface,
		fd:    opt.FD && ifi.MTU >= canbus.RecordSizeFD,
		file:  file,
		raw:   raw,
		in:    batch.NewReader(raw, perCall, canbus.RecordSizeFD, batch.ControlSize),
		out:   batch.NewWriter(raw, perCall),
	}, nil
}

// configure sets the options before the bind, so that no frame is seen
// without them.
func configure(fd int, opt Options, own bool) error {
	set := func(what string, level, name, value int) error {
		if err := unix.SetsockoptInt(fd, level, name, value); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	}
	errs := []error{
		set("timestamps", unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1),
		set("drop counter", unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1),
		set("error reports", unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, int(opt.ErrorMask&AllErrors)),
		set("CAN FD", unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, toInt(opt.FD)),
		set("own messages", unix.SOL_CAN_RAW, unix.CAN_RAW_RECV_OWN_MSGS, toInt(own)),
	}
	// The larger buffer needs a privilege in its first form and is capped in the
	// second; the bus works without, so neither is required.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, receiveBuffer) != nil {
		_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, receiveBuffer)
	}
	// A bus matches its filters itself, as the kernel's would hold back echoes.
	if len(opt.Filters) > 0 && !own {
		if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, kernelFilters(opt.Filters)); err != nil {
			errs = append(errs, fmt.Errorf("%d filters: %w", len(opt.Filters), err))
		}
	}
	return errors.Join(errs...)
}

// kernelFilters writes filters as struct can_filter has them (can.rst 4.1.1):
// the format bit takes part in the match.
func kernelFilters(in []Filter) []unix.CanFilter {
	out := make([]unix.CanFilter, len(in))
	for i, t := range in {
		f := canbus.Frame{ID: t.Key.ID()}
		if t.Key.Extended() {
			f.Flags = canbus.Extended
		}
		out[i] = unix.CanFilter{Id: f.WireID(), Mask: uint32(t.Mask)&unix.CAN_EFF_MASK | unix.CAN_EFF_FLAG}
		if t.Not {
			out[i].Id |= unix.CAN_INV_FILTER
		}
	}
	return out
}

func toInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (s *socket) receive(in []arrival) (int, error) {
	n, err := s.in.Read()
	if err != nil {
		return 0, translate(err)
	}
	for i := range n {
		if err := s.arrival(i, &in[i]); err != nil {
			return i, err
		}
	}
	return n, nil
}

func (s *socket) arrival(i int, a *arrival) error {
	if err := a.frame.ReadRecord(s.in.Packet(i)); err != nil {
		return err
	}
	a.frame.Bus = 0
	at, ok := s.in.Stamp(i)
	if !ok {
		at = time.Duration(time.Now().UnixNano())
	}
	a.frame.Time = at
	// can.rst 4.1.7: MSG_DONTROUTE is a frame of this host, MSG_CONFIRM one of
	// this very socket.
	a.own = s.in.Flags(i)&unix.MSG_CONFIRM != 0
	a.lost, _ = batch.Overflow(s.in.Control(i))
	return nil
}

func (s *socket) send(out []flight) (int, error) {
	for i := range out {
		s.out.Add(&out[i].frame)
	}
	n, err := s.out.TryWrite()
	return n, translate(err)
}

func (s *socket) up() bool {
	ifr, err := unix.NewIfreq(s.iface)
	if err != nil {
		return false
	}
	_ = s.raw.Control(func(fd uintptr) { err = unix.IoctlIfreq(int(fd), unix.SIOCGIFFLAGS, ifr) })
	return err == nil && ifr.Uint16()&unix.IFF_UP != 0
}

func (s *socket) close() error {
	if err := s.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return err
	}
	return nil
}

// translate names the system's errors that mean something to a bus.
func translate(err error) error {
	switch {
	case err == nil:
		return nil
	case batch.Temporary(err):
		return canbus.ErrQueueFull
	case errors.Is(err, unix.ENETDOWN), errors.Is(err, unix.ENETUNREACH):
		return ErrDown
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return ErrGone
	case errors.Is(err, os.ErrClosed):
		return canbus.ErrClosed
	}
	return err
}

func cause(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}
