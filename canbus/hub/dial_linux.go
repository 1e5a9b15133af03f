package hub

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/internal/batch"
)

// conn is the client's side.
type conn struct {
	path string
	c    *net.UnixConn
	in   *batch.Reader
	n, i int // packets of the last call, and the next of them

	mu  sync.Mutex
	out *batch.Writer
}

// Dial connects to a server's socket. Read sets a frame's Time to the moment,
// since 1970, at which it came from the server. Errors are *Error; Read ends
// with io.EOF when the server has gone or dropped us, Write then wraps
// canbus.ErrClosed.
func Dial(path string) (canbus.Conn, error) {
	c, err := dial(path)
	if err != nil {
		return nil, &Error{Op: "dial", Path: path, Err: err}
	}
	return c, nil
}

func dial(path string) (*conn, error) {
	if err := CheckPath(path); err != nil {
		return nil, err
	}
	c, err := net.DialUnix("unixpacket", nil, &net.UnixAddr{Name: path, Net: "unixpacket"})
	switch {
	case errors.Is(err, unix.ECONNREFUSED):
		return nil, fmt.Errorf("nobody listens there: %w", cause(err))
	case errors.Is(err, unix.ENOENT):
		return nil, fmt.Errorf("no such socket; is the bench running? %w", cause(err))
	case err != nil:
		return nil, cause(err)
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return nil, errors.Join(err, c.Close())
	}
	// Without stamps Read falls back on its own clock.
	_ = raw.Control(func(fd uintptr) {
		_ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1)
	})
	return &conn{
		path: path, c: c,
		in:  batch.NewReader(raw, perCall, canbus.RecordSizeFD, batch.ControlSize),
		out: batch.NewWriter(raw, 1),
	}, nil
}

func (c *conn) Read(f *canbus.Frame) error {
	if c.i == c.n {
		n, err := c.in.Read()
		switch {
		case errors.Is(err, os.ErrClosed):
			return &Error{Op: "read", Path: c.path, Err: canbus.ErrClosed}
		case errors.Is(err, unix.ECONNRESET):
			return io.EOF
		case err != nil:
			return &Error{Op: "read", Path: c.path, Err: err}
		}
		c.n, c.i = n, 0
	}
	if c.in.Len(c.i) == 0 { // the end of the connection, seen again if asked again
		return io.EOF
	}
	i := c.i
	c.i++
	if err := f.ReadRecord(c.in.Packet(i)); err != nil {
		return &Error{Op: "read", Path: c.path, Err: err}
	}
	at, ok := c.in.Stamp(i)
	if !ok {
		at = time.Duration(time.Now().UnixNano())
	}
	f.Time, f.Bus = at, 0
	return nil
}

func (c *conn) Write(f *canbus.Frame) error {
	if err := f.Validate(); err != nil {
		return &Error{Op: "write", Path: c.path, Err: err}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out.Add(f)
	_, err := c.out.Write()
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EPIPE), errors.Is(err, unix.ECONNRESET), errors.Is(err, os.ErrClosed):
		err = fmt.Errorf("%w: %w", canbus.ErrClosed, err)
	}
	return &Error{Op: "write", Path: c.path, Err: err}
}

func (c *conn) Close() error {
	if err := c.c.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return &Error{Op: "close", Path: c.path, Err: cause(err)}
	}
	return nil
}
