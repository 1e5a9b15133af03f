package tool

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Machine is a tool that runs inside the bench, in the bench's time: a pure
// state machine. It begins with the first call of Tick.
type Machine interface {
	// Receive takes a frame of the bus, Sent the confirmation of one of its own.
	Receive(now time.Duration, f *canbus.Frame)
	Sent(now time.Duration, f *canbus.Frame)
	// Tick lets time pass; Deadline is when it is needed next.
	Tick(now time.Duration)
	Deadline() (time.Duration, bool)
	// NextFrame sets f to the next frame for the bus, NextLine gives the next
	// line of progress; both are asked until they say no, after every call.
	NextFrame(f *canbus.Frame) bool
	NextLine() (string, bool)
	// Done gives the exit status once the task is done, Output what a process
	// would have printed on standard output.
	Done() (status int, ok bool)
	Output() []byte
	// Interrupt asks it to end early; it is done soon after.
	Interrupt(now time.Duration)
}

// Filter is what a machine has beside that wants some frames only, as a controller
// with acceptance filters does: Receive gets those.
type Filter interface {
	// Wants reports whether a frame is to be received.
	Wants(f *canbus.Frame) bool
}

// MachineFunc makes a machine for a task. An error means that the tool does
// not know the task or an argument.
type MachineFunc func(task string, args map[string]string) (Machine, error)

// Seat is a machine's place on a bus.
type Seat struct {
	m      Machine
	wants  func(f *canbus.Frame) bool // nil for all
	loop   *clock.Loop
	port   canbus.Port
	timer  *clock.Timer
	frame  canbus.Frame // being handed to the port
	onLine func(string)
	on     Ends
	ended  bool
	err    error
}

// Ends are how a machine's task comes to its end. One of them is called, once,
// after which the machine is off the bus.
type Ends struct {
	// Done has its exit status and what a process would have printed on standard
	// output.
	Done func(status int, output []byte)
	// Crashed says what the machine panicked with. It is the tool that has failed,
	// not the bench, as when a process is ended by a signal.
	Crashed func(what string)
}

// Sit attaches the machine to the bus under a name and begins its task at the
// present moment of the loop. onLine may be nil.
func Sit(loop *clock.Loop, bus canbus.Bus, name string, m Machine, onLine func(string), on Ends) (*Seat, error) {
	s := &Seat{m: m, loop: loop, onLine: onLine, on: on}
	if f, ok := m.(Filter); ok {
		s.wants = f.Wants
	}
	port, err := bus.Attach(name, s)
	if err != nil {
		return nil, err
	}
	s.port = port
	s.timer = loop.NewTimer(clock.PriorityTool, s.tick)
	s.timer.Set(loop.Now())
	return s, nil
}

// call has the machine do something, and reports that it has not panicked over it.
func (s *Seat) call(do func(m Machine, now time.Duration, f *canbus.Frame), f *canbus.Frame) (ok bool) {
	defer func() {
		if what := recover(); what != nil {
			s.Leave()
			s.on.Crashed(fmt.Sprint(what))
		}
	}()
	do(s.m, s.loop.Now(), f)
	return true
}

func tick(m Machine, now time.Duration, _ *canbus.Frame)      { m.Tick(now) }
func interrupt(m Machine, now time.Duration, _ *canbus.Frame) { m.Interrupt(now) }

func (s *Seat) tick() {
	if !s.ended && s.call(tick, nil) {
		s.after()
	}
}

// Receive implements canbus.Node.
func (s *Seat) Receive(f *canbus.Frame) {
	if s.ended || s.wants != nil && !s.wants(f) {
		return
	}
	if s.call(Machine.Receive, f) {
		s.after()
	}
}

// Sent implements canbus.Node.
func (s *Seat) Sent(f *canbus.Frame) {
	if !s.ended && s.call(Machine.Sent, f) {
		s.after()
	}
}

// Interrupt asks the machine to end early.
func (s *Seat) Interrupt() {
	if !s.ended && s.call(interrupt, nil) {
		s.after()
	}
}

// Leave takes the machine off the bus at once; none of Ends is called.
func (s *Seat) Leave() {
	if !s.ended {
		s.ended = true
		s.timer.Stop()
		_ = s.port.Close()
	}
}

// Err is the last error of sending: the bus would not take a frame.
func (s *Seat) Err() error { return s.err }

// Port is the machine's port on the bus.
func (s *Seat) Port() canbus.Port { return s.port }

// after takes what the machine has to say.
func (s *Seat) after() {
	for s.m.NextFrame(&s.frame) {
		if err := s.port.Send(&s.frame); err != nil {
			s.err = err
		}
	}
	for {
		line, ok := s.m.NextLine()
		if !ok {
			break
		}
		if s.onLine != nil {
			s.onLine(line)
		}
	}
	if status, ok := s.m.Done(); ok {
		s.Leave()
		s.on.Done(status, s.m.Output())
		return
	}
	if at, ok := s.m.Deadline(); ok {
		s.timer.Set(at)
	} else {
		s.timer.Stop()
	}
}
