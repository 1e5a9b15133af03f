package hub

import (
	"sync"
	"syscall"

	"sawhorse/canbus"
	"sawhorse/canbus/internal/batch"
)

// outbox is a client's sending side. The loop puts frames in and never waits:
// a frame goes out at once when the socket has room, else it waits for a
// goroutine that sends what has gathered in batches. When too many wait the oldest
// gives way.
type outbox struct {
	limit  int
	direct *batch.Writer // the loop's
	behind *batch.Writer // the goroutine's
	signal chan struct{}

	mu      sync.Mutex
	waiting []canbus.Frame // from head on
	head    int
	batch   []canbus.Frame // being sent by the goroutine
	busy    bool           // the goroutine owns the socket's sending side
	closed  bool
}

func newOutbox(raw syscall.RawConn, limit int) *outbox {
	return &outbox{
		limit:  limit,
		direct: batch.NewWriter(raw, 1),
		behind: batch.NewWriter(raw, perCall),
		signal: make(chan struct{}, 1),
	}
}

// put sends or queues a copy of the frame; true if the oldest that waited is lost for
// it.
func (o *outbox) put(f *canbus.Frame) (lost bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed {
		return false
	}
	if !o.busy {
		o.direct.Add(f)
		if _, err := o.direct.TryWrite(); !batch.Temporary(err) {
			// Any other error means that the client has gone, which the reading
			// side finds out and reports.
			return false
		}
	}
	if lost = len(o.waiting)-o.head >= o.limit; lost {
		o.head++
	}
	if o.head >= o.limit {
		o.waiting, o.head = o.waiting[:copy(o.waiting, o.waiting[o.head:])], 0
	}
	o.waiting = append(o.waiting, *f)
	if !o.busy {
		o.busy = true
		o.signal <- struct{}{}
	}
	return lost
}

// run sends what waits until close.
func (o *outbox) run() {
	for range o.signal {
		for {
			frames, ok := o.grab()
			if !ok {
				break
			}
			o.send(frames)
		}
	}
}

// grab takes what one system call carries; the rest may still give way.
func (o *outbox) grab() ([]canbus.Frame, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	n := min(len(o.waiting)-o.head, perCall)
	o.batch = append(o.batch[:0], o.waiting[o.head:o.head+n]...)
	if o.head += n; o.head == len(o.waiting) {
		o.waiting, o.head = o.waiting[:0], 0
	}
	if n == 0 {
		o.busy = false
	}
	return o.batch, o.busy
}

func (o *outbox) send(frames []canbus.Frame) {
	for len(frames) > 0 {
		n := 0
		for n < len(frames) && o.behind.Add(&frames[n]) {
			n++
		}
		_, _ = o.behind.Write() // an error means that the client has gone: see put
		frames = frames[n:]
	}
}

// close ends run; the connection must be closed too, as run may wait in it.
func (o *outbox) close() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.closed {
		o.closed = true
		close(o.signal)
	}
}
