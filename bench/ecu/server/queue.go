package server

import "time"

// maxQueue bounds the answers waiting to leave; requests beyond are dropped
// and counted.
const maxQueue = 8

// resetGrace is how long a reset waits for its own answer to leave the bus.
const resetGrace = 50 * time.Millisecond

// response waits in the queue until its time.
type response struct {
	due  time.Duration
	data []byte
	// final marks the end of a request: the session timer runs from here.
	final bool
}

// push queues a response behind those that are due before or with it.
func (s *Server) push(a response) {
	if i := len(s.queue); i > 0 && s.queue[i-1].due > a.due {
		a.due = s.queue[i-1].due // answers leave in the order of their requests
	}
	s.queue = append(s.queue, a)
}

// NextResponse hands out the next answer that is due. The bytes are the
// server's until its next call.
func (s *Server) NextResponse() ([]byte, bool) {
	if len(s.queue) == 0 || s.queue[0].due > s.now {
		return nil, false
	}
	a := s.queue[0]
	s.queue = append(s.queue[:0], s.queue[1:]...)
	if a.final {
		s.owed = true
		s.keepSession()
		if s.reset != 0 {
			s.resetBy = s.now + resetGrace
		}
	}
	return a.data, true
}

// delay is the processing time of one ordinary answer.
func (s *Server) delay() time.Duration {
	t := &s.unit.Timing
	width := int64(t.Most - t.Least)
	if width <= 0 {
		return t.Least.Duration()
	}
	return t.Least.Duration() + time.Duration(s.rand.Int64N(width+1))
}

// keepSession restarts the session timer.
func (s *Server) keepSession() { s.s3 = s.now + s.unit.Timing.S3.Duration() }
