package hub

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/internal/batch"
)

// perCall is how many packets one system call moves at most.
const perCall = 32

// client is one connection and the node it is. All but the two goroutines'
// own part belongs to the loop.
type client struct {
	s    *Server
	name string
	conn *net.UnixConn
	port canbus.Port
	out  *outbox
	lost int  // frames that it did not read in time
	gone bool // the connection has ended
	shut bool // the port is closed, or about to be

	// backlog holds frames that wait for the one before them to leave, oldest first:
	// a port would have them leave by their identifiers. pending is that one is with
	// the port, since when it was handed over.
	backlog   []canbus.Frame
	pending   bool
	since     time.Duration
	again     *clock.Timer
	refilling bool
	free      chan *batchIn
}

// batchIn carries what one system call brought into the loop. Two go round a
// client: one is filled while the other is worked on.
type batchIn struct {
	frames []canbus.Frame
	// sent is when the kernel had the first of them, since 1970; 0 if it does not say.
	sent time.Duration
	run  func()
}

func newClient(s *Server, name string, conn *net.UnixConn) (*client, error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return nil, err
	}
	// Without stamps nobody knows how long frames have waited to be read.
	_ = raw.Control(func(fd uintptr) {
		_ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1)
	})
	c := &client{s: s, name: name, conn: conn, out: newOutbox(raw, s.opt.Queue), free: make(chan *batchIn, 2)}
	for range cap(c.free) {
		b := &batchIn{frames: make([]canbus.Frame, 0, perCall)}
		b.run = func() { c.take(b) }
		c.free <- b
	}
	return c, nil
}

// hasLeft reports whether a connection has ended already, with nothing sent.
func hasLeft(conn *net.UnixConn) bool {
	raw, err := conn.SyscallConn()
	if err != nil {
		return true
	}
	left := false
	_ = raw.Control(func(fd uintptr) {
		n, _, err := unix.Recvfrom(int(fd), make([]byte, 1), unix.MSG_PEEK|unix.MSG_DONTWAIT|unix.MSG_TRUNC)
		left = err == nil && n == 0
	})
	return left
}

// join puts the client on the bus; it runs in the loop.
func (c *client) join() {
	if !c.s.forget(c.conn) {
		return // the server has closed
	}
	if len(c.s.clients) >= MaxClients {
		c.refuse(fmt.Sprintf("%d clients are on the bus already, and more may not", MaxClients))
		return
	}
	port, err := c.s.bus.Attach(c.name, c)
	if err != nil {
		c.refuse(fmt.Sprintf("the bus does not take it: %v", err))
		return
	}
	c.port = port
	c.again = c.s.loop.NewTimer(clock.PriorityBus, c.refill)
	c.s.clients[c] = struct{}{}
	c.s.counts.joined.Add(1)
	c.s.counts.clients.Add(1)
	if c.s.opt.OnJoin != nil {
		c.s.opt.OnJoin(c.name)
	}
	c.s.wg.Add(2)
	go c.read()
	go func() {
		defer c.s.wg.Done()
		c.out.run()
	}()
}

// refuse turns away a client that never was on the bus.
func (c *client) refuse(reason string) {
	c.s.counts.dropped.Add(1)
	c.tellDrop(reason)
	_ = c.conn.Close()
}

// Receive passes a frame on to the client; when its queue is full the oldest in it is
// lost.
func (c *client) Receive(f *canbus.Frame) {
	if c.gone {
		return
	}
	c.s.counts.out.Add(1)
	if !c.out.put(f) {
		return
	}
	c.lost++
	c.s.counts.lost.Add(1)
	if c.s.opt.OnLost != nil {
		c.s.opt.OnLost(c.name, c.lost)
	}
}

// Sent makes room in the port for what waits.
func (c *client) Sent(*canbus.Frame) {
	c.pending = false
	if !c.shut {
		c.refill()
	}
	c.settle()
}

// take puts the frames of one batch on the bus; it runs in the loop.
func (c *client) take(b *batchIn) {
	if b.sent > 0 {
		age := time.Duration(time.Now().UnixNano()) - b.sent
		c.s.loop.WasLate(min(age, c.s.loop.Elapsed())) // a clock that was set makes no lateness before the run
	}
	for i := range b.frames {
		if c.gone {
			break
		}
		c.refill()
		c.send(&b.frames[i])
	}
	b.frames = b.frames[:0]
	c.free <- b
}

// refill hands over what waits, as far as the port is free. A port may confirm within
// its Send, so it does not go round within itself.
func (c *client) refill() {
	if c.refilling {
		return
	}
	c.refilling = true
	n := 0
	for n < len(c.backlog) && !c.shut && c.offer(&c.backlog[n]) {
		n++
	}
	c.refilling = false
	c.backlog = c.backlog[:copy(c.backlog, c.backlog[min(n, len(c.backlog)):])]
	c.wait()
}

// wait has what is left handed over when patience ends, if nothing else moves it.
func (c *client) wait() {
	if len(c.backlog) > 0 && !c.shut {
		c.again.Set(max(c.since+patience, c.s.loop.Now()+retry))
	}
}

func (c *client) send(f *canbus.Frame) {
	if c.gone || len(c.backlog) == 0 && c.offer(f) {
		return
	}
	if limit := c.backlogLimit(); len(c.backlog) >= limit {
		c.drop(fmt.Sprintf("flooded the bus: %d frames wait to be sent, at most %d may", len(c.backlog), limit))
		return
	}
	c.backlog = append(c.backlog, *f)
	c.wait()
}

// forgiven is how long after the loop was late a client may have more frames waiting:
// what it sent meanwhile came in one heap.
const (
	forgiven = 5 * time.Second
	lenience = 8
)

// backlogLimit is how many frames of the client may wait for the bus.
func (c *client) backlogLimit() int {
	late := c.s.loop.Late()
	if n := len(late); n > 0 && c.s.loop.Now()-late[n-1].To < forgiven {
		return lenience * c.s.opt.Queue
	}
	return c.s.opt.Queue
}

const (
	// patience is how long a frame waits for the one before it, which the port may have
	// lost, as at bus-off.
	patience = 250 * time.Millisecond
	// retry is how long it waits to ask a full port again.
	retry = time.Millisecond
)

// offer hands a frame to the port; false if it must wait.
func (c *client) offer(f *canbus.Frame) bool {
	now := c.s.loop.Now()
	if c.pending && now < c.since+patience {
		return false
	}
	c.pending, c.since = true, now
	err := c.port.Send(f)
	if err != nil {
		c.pending = false
	}
	switch {
	case err == nil:
		c.s.counts.in.Add(1)
	case errors.Is(err, canbus.ErrQueueFull):
		return false
	case errors.Is(err, canbus.ErrBusOff):
		c.s.counts.refused.Add(1) // as a controller off the bus would
	default:
		c.drop(fmt.Sprintf("sent a frame that the bus can't carry (%v): %v", f, err))
	}
	return true
}

// drop takes a client off with a reason. It may be called from within the
// bus, so the port is closed in an event of its own.
func (c *client) drop(reason string) {
	if !c.off() {
		return
	}
	c.s.counts.dropped.Add(1)
	c.backlog = nil
	c.closePortSoon()
	c.tellDrop(reason)
}

func (c *client) tellDrop(reason string) {
	if c.s.opt.OnDrop != nil {
		c.s.opt.OnDrop(c.name, reason)
	}
}

// farewell is how long frames of a client that has left may still take to get
// onto the bus; on one that is dead they never do.
const farewell = time.Second

// leave ends a connection that its client has closed. What the client had handed
// over still leaves, as from a controller whose program has ended.
func (c *client) leave() {
	if !c.off() {
		return
	}
	if c.s.opt.OnLeave != nil {
		c.s.opt.OnLeave(c.name)
	}
	c.settle()
	if !c.shut {
		c.s.loop.At(c.s.loop.Now()+farewell, clock.PriorityBus, c.closePortSoon)
	}
}

// settle closes the port of a client that has left once it has nothing to send.
func (c *client) settle() {
	if c.gone && len(c.backlog) == 0 && !c.pending {
		c.closePortSoon()
	}
}

func (c *client) closePortSoon() {
	if c.shut {
		return
	}
	c.shut = true
	c.again.Stop()
	c.s.loop.At(c.s.loop.Now(), clock.PriorityBus, func() { _ = c.port.Close() })
}

// off ends the connection; false if it has ended before.
func (c *client) off() bool {
	if c.gone {
		return false
	}
	c.gone = true
	c.out.close()
	_ = c.conn.Close() // its goroutines end by this
	delete(c.s.clients, c)
	c.s.counts.clients.Add(-1)
	return true
}

// read is the client's receiving goroutine: packets in, batches to the loop.
func (c *client) read() {
	defer c.s.wg.Done()
	raw, err := c.conn.SyscallConn()
	if err != nil {
		return
	}
	in := batch.NewReader(raw, perCall, canbus.RecordSizeFD, batch.ControlSize)
	for {
		n, err := in.Read()
		bad := parseError(err)
		b, ok := c.freeBatch()
		if !ok {
			return
		}
		if b.sent = 0; n > 0 {
			b.sent, _ = in.Stamp(0)
		}
		for i := 0; i < n && bad == nil; i++ {
			bad = c.parse(b, in, i)
		}
		run := b.run
		if bad != nil {
			run = func() { c.take(b); c.end(bad) }
		}
		if c.s.loop.PostWait(c.s.ctx, run) != nil || bad != nil {
			return
		}
	}
}

func (c *client) freeBatch() (*batchIn, bool) {
	select {
	case b := <-c.free:
		return b, true
	case <-c.s.ctx.Done():
		return nil, false
	}
}

// parseError tells the end of a connection from its errors. The kernel reports
// once, before what the client sent last, that it left frames of ours unread; the
// end itself comes with the next read.
func parseError(err error) error {
	switch {
	case errors.Is(err, unix.ECONNRESET):
		return nil
	case errors.Is(err, os.ErrClosed):
		return io.EOF
	}
	return err
}

// parse appends the i-th packet; an empty one is how SOCK_SEQPACKET says that
// the other side has closed.
func (c *client) parse(b *batchIn, in *batch.Reader, i int) error {
	if in.Len(i) == 0 {
		return io.EOF
	}
	var f canbus.Frame
	if in.Len(i) > canbus.RecordSizeFD {
		return fmt.Errorf("%w: record of %d bytes, want %d or %d",
			canbus.ErrFrame, in.Len(i), canbus.RecordSize, canbus.RecordSizeFD)
	}
	if err := f.ReadRecord(in.Packet(i)); err != nil {
		return err
	}
	if f.Has(canbus.Error) {
		return fmt.Errorf("%w: error reports come from a controller, not from a node", canbus.ErrFrame)
	}
	b.frames = append(b.frames, f)
	return nil
}

// end is the last event of a connection that the client or the system ended.
func (c *client) end(err error) {
	switch {
	case errors.Is(err, io.EOF):
		c.leave()
	case errors.Is(err, canbus.ErrFrame):
		c.drop("sent a packet that is no frame: " + err.Error())
	default:
		c.drop("can't be read from: " + err.Error())
	}
}

// pause waits before the next try to accept; false if the server ends.
func (s *Server) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-s.ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
