package hub

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Server hands a bus to other processes.
type Server struct {
	path string
	file os.FileInfo
	ln   *net.UnixListener
	loop *clock.Loop
	bus  canbus.Bus
	opt  Options

	ctx    context.Context
	cancel context.CancelFunc
	wg     sync.WaitGroup

	clients map[*client]struct{} // owned by the loop
	counts  counts

	mu      sync.Mutex
	waiting map[*net.UnixConn]struct{} // accepted, not on the bus yet
}

// counts are written by the loop and read from anywhere.
type counts struct {
	clients, joined, dropped atomic.Int64
	in, out, lost, refused   atomic.Uint64
}

// Listen opens the socket and lets clients onto the bus, the first as node
// "client-1". The loop must own the bus. A stale socket file is replaced; a
// path that is in use, too long or no socket is an *Error.
func Listen(path string, loop *clock.Loop, bus canbus.Bus, opt Options) (*Server, error) {
	if opt.Queue < 0 {
		return nil, &Error{Op: "listen", Path: path, Err: fmt.Errorf("queue of %d frames", opt.Queue)}
	}
	if opt.Queue == 0 {
		opt.Queue = DefaultQueue
	}
	ln, file, err := listen(path)
	if err == nil {
		if err = permit(path, &opt); err != nil {
			err = errors.Join(err, ln.Close(), removeOwn(path, file))
		}
	}
	if err != nil {
		return nil, &Error{Op: "listen", Path: path, Err: err}
	}
	s := &Server{
		path: path, file: file, ln: ln, loop: loop, bus: bus, opt: opt,
		clients: map[*client]struct{}{}, waiting: map[*net.UnixConn]struct{}{},
	}
	s.ctx, s.cancel = context.WithCancel(context.Background())
	s.wg.Add(1)
	go s.accept()
	return s, nil
}

// Path is where the server listens.
func (s *Server) Path() string { return s.path }

// Stats may be asked for from any goroutine.
func (s *Server) Stats() Stats {
	return Stats{
		Clients: int(s.counts.clients.Load()),
		Joined:  int(s.counts.joined.Load()),
		Dropped: int(s.counts.dropped.Load()),
		In:      s.counts.in.Load(),
		Out:     s.counts.out.Load(),
		Lost:    s.counts.lost.Load(),
		Refused: s.counts.refused.Load(),
	}
}

// Close takes all clients off the bus, removes the socket's file and waits for
// the server's goroutines. Call it from the loop, or when the loop has ended.
func (s *Server) Close() error {
	if s.ctx.Err() != nil {
		return nil
	}
	s.cancel()
	err := errors.Join(removeOwn(s.path, s.file), s.ln.Close())
	for c := range s.clients {
		c.off()
		_ = c.port.Close() // nothing is left to do about it
	}
	s.mu.Lock()
	for conn := range s.waiting {
		_ = conn.Close()
	}
	s.waiting = nil
	s.mu.Unlock()
	s.wg.Wait()
	if err != nil {
		return &Error{Op: "close", Path: s.path, Err: err}
	}
	return nil
}

func (s *Server) accept() {
	defer s.wg.Done()
	var door turnstile
	for n := 1; ; {
		conn, err := s.ln.AcceptUnix()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			// Out of descriptors, mostly: those who wait stay in the backlog.
			if !s.pause(10 * time.Millisecond) {
				return
			}
			continue
		}
		if hasLeft(conn) {
			_ = conn.Close() // as those do who come and go without pause
			continue
		}
		if wait := door.enter(time.Now()); wait > 0 && !s.pause(wait) {
			_ = conn.Close()
			return
		}
		s.remember(conn)
		c, err := newClient(s, fmt.Sprintf("client-%d", n), conn)
		n++
		if err == nil {
			err = s.loop.PostWait(s.ctx, c.join)
		}
		if err != nil {
			s.forget(conn)
			_ = conn.Close()
		}
	}
}

// remember notes a connection until the loop has it, so that Close finds it.
func (s *Server) remember(conn *net.UnixConn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.waiting == nil {
		_ = conn.Close()
		return
	}
	s.waiting[conn] = struct{}{}
}

// forget is remember's end; false if the server has closed the connection.
func (s *Server) forget(conn *net.UnixConn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.waiting[conn]
	delete(s.waiting, conn)
	return ok
}
