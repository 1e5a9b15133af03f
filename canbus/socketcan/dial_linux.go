package socketcan

import (
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/internal/batch"
)

// writePatience is how long Write waits for an interface whose queue stays
// full, as that of a node alone on its bus does.
const writePatience = time.Second

// Conn is one node's view of an interface.
type Conn struct {
	s    *socket
	opt  Options
	may  error
	down bool // as Read has seen it

	n, i int // packets of the last call, and the next of them
	in   arrival
	lost atomic.Uint64
	full atomic.Uint64

	mu     sync.Mutex
	out    *batch.Writer
	closed chan struct{}
	once   sync.Once
}

// Dial connects to an interface that is up, as one node among others: Read
// gives the frames of all other sockets and nodes, with the kernel's receive
// time since 1970, and the error reports asked for. An interface that goes
// down is waited for; when it vanishes, Read ends with io.EOF. Errors are
// *Error.
func Dial(iface string, opt Options) (*Conn, error) {
	s, may, err := openArmed(iface, opt, false)
	if err != nil {
		return nil, &Error{Op: "open", Iface: iface, Err: err}
	}
	return &Conn{s: s, opt: opt, may: may, out: batch.NewWriter(s.raw, 1), closed: make(chan struct{})}, nil
}

// Read waits for the next frame.
func (c *Conn) Read(f *canbus.Frame) error {
	for c.i == c.n {
		n, err := c.s.in.Read()
		if err = translate(err); errors.Is(err, ErrDown) {
			if !c.down {
				c.say(err.Error())
			}
			c.down = true
			continue
		}
		if err != nil {
			return c.readError(err)
		}
		c.n, c.i = n, 0
		if c.down && c.s.up() { // else it came before the interface went down
			c.down = false
			c.say("the interface is up again")
		}
	}
	i := c.i
	c.i++
	if err := c.s.arrival(i, &c.in); err != nil {
		return c.readError(err)
	}
	c.lost.Store(uint64(c.in.lost))
	*f = c.in.frame
	return nil
}

func (c *Conn) readError(err error) error {
	if errors.Is(err, ErrGone) {
		c.say(err.Error())
		return io.EOF
	}
	return &Error{Op: "read", Iface: c.s.iface, Err: err}
}

func (c *Conn) say(message string) {
	if c.opt.OnState != nil {
		c.opt.OnState("can:" + c.s.iface + ": " + message)
	}
}

// Write hands one frame to the kernel, waiting for room. Nothing is sent, and
// the error wraps ErrNotArmed, on an interface that is only listened to; it
// wraps canbus.ErrQueueFull when the interface takes nothing for a second.
func (c *Conn) Write(f *canbus.Frame) error {
	if err := c.write(f); err != nil {
		return &Error{Op: "write", Iface: c.s.iface, Err: err}
	}
	return nil
}

func (c *Conn) write(f *canbus.Frame) error {
	if c.may != nil {
		return c.may
	}
	if err := checkFrame(f, c.s.fd); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for waited := time.Duration(0); ; waited += retryAfter {
		c.out.Add(f)
		_, err := c.out.Write()
		// Write waits for the socket's own buffer. ENOBUFS is the interface's
		// queue, for which there is nothing to wait on.
		if !errors.Is(err, unix.ENOBUFS) {
			return translate(err)
		}
		c.full.Add(1)
		if waited >= writePatience {
			return canbus.ErrQueueFull
		}
		if !c.pause() {
			return canbus.ErrClosed
		}
	}
}

func (c *Conn) pause() bool {
	t := time.NewTimer(retryAfter)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-c.closed:
		return false
	}
}

// Lost counts the frames that the kernel dropped because Read did not come in
// time; Full how often the interface's queue was full. Any goroutine may ask.
func (c *Conn) Lost() uint64 { return c.lost.Load() }

// Full counts how often Write found the interface's queue full.
func (c *Conn) Full() uint64 { return c.full.Load() }

// Close ends the connection; Read and Write that wait end with an error
// wrapping canbus.ErrClosed.
func (c *Conn) Close() error {
	c.once.Do(func() { close(c.closed) })
	if err := c.s.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return &Error{Op: "close", Iface: c.s.iface, Err: err}
	}
	return nil
}
