package clock

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Priority orders events of one moment: lower first.
type Priority int8

// Priorities of the bench. The bus comes first, so that whoever acts at the
// same moment sees what has arrived; the car moves next, then ECUs and the tool
// answer; the judge looks last.
const (
	PriorityBus Priority = iota
	PriorityFault
	PriorityCar
	PriorityECU
	PriorityTool
	PriorityJudge
)

// InboxSize bounds the events waiting to enter the loop from outside.
const InboxSize = 4096

// Errors of a loop.
var (
	// ErrInboxFull says that the loop does not keep up with its visitors.
	ErrInboxFull = errors.New("the loop's inbox is full")
	// ErrStopped says that the loop has ended.
	ErrStopped = errors.New("the loop has ended")
	// ErrBudget says that a run used up its bound on events.
	ErrBudget = errors.New("event budget used up")
)

// Loop runs events in order of time. Create one with NewVirtual or NewWall;
// all its methods but Post and Stop belong to the goroutine that runs it.
type Loop struct {
	now    time.Duration
	seq    uint64
	q      queue
	inbox  chan visit
	done   chan struct{}
	stop   bool
	events uint64
	budget uint64
	sharp  bool // the running event is exact

	// In wall time:
	wall    *waiter       // nil in virtual time
	due     time.Duration // events up to here are due, by the clock's last reading
	visited time.Duration // the last visitor came; 0 before the first
	lates   []Late
}

// NewVirtual returns a loop whose time jumps from event to event.
func NewVirtual() *Loop {
	return &Loop{inbox: make(chan visit, InboxSize), done: make(chan struct{})}
}

// NewWall returns a loop whose events run at their moments, counted from the
// call of Run. The error is the operating system's.
func NewWall() (*Loop, error) {
	l := NewVirtual()
	w, err := newWaiter()
	if err != nil {
		return nil, fmt.Errorf("wall clock: %w", err)
	}
	l.wall = w
	return l, nil
}

// Virtual reports whether time jumps.
func (l *Loop) Virtual() bool { return l.wall == nil }

// Now is the time since the run began: of the running event, not of the clock,
// so that everything in one event happens at one moment.
func (l *Loop) Now() time.Duration { return l.now }

// Events counts the events run so far.
func (l *Loop) Events() uint64 { return l.events }

// SetBudget bounds the events of the run; Run then ends with ErrBudget. Zero,
// the default, sets no bound.
func (l *Loop) SetBudget(n uint64) { l.budget = n }

// Start is the wall clock's reading at the start of Run; the zero Time in
// virtual time and before Run.
func (l *Loop) Start() time.Time {
	if l.wall == nil {
		return time.Time{}
	}
	return l.wall.startTime()
}

// Elapsed is the clock's reading since Run began: in wall time a little more
// than Now, by what the running event was late and has taken so far; in virtual
// time, and before Run, it is Now.
func (l *Loop) Elapsed() time.Duration {
	if l.wall == nil || !l.wall.started.Load() {
		return l.now
	}
	return l.wall.elapsed()
}

// Timer is one appointment that can be moved. It belongs to its loop.
type Timer struct {
	l      *Loop
	fn     func()
	at     time.Duration
	slot   int32 // in the queue, while set
	pri    Priority
	set    bool
	exact  bool // this appointment is
	slack  time.Duration
	slacks bool // slack is set
}

// NewTimer returns an unset timer that will call fn. Keep and reuse it: Set
// allocates nothing.
func (l *Loop) NewTimer(p Priority, fn func()) *Timer {
	return &Timer{l: l, fn: fn, pri: p}
}

// At calls fn once at time t, or as soon as possible when t has passed.
func (l *Loop) At(t time.Duration, p Priority, fn func()) *Timer {
	tm := l.NewTimer(p, fn)
	tm.Set(t)
	return tm
}

// Set makes or moves the appointment. A moment that has passed means now,
// behind what is already due. Setting a timer to the time it has keeps its
// place in the order.
func (t *Timer) Set(at time.Duration) {
	if at < t.l.now {
		at = t.l.now
	}
	t.exact = false
	if t.set && t.at == at {
		return
	}
	l, was := t.l, t.set
	t.set, t.at = true, at
	l.seq++
	order := uint64(t.pri)<<56 | l.seq
	if was {
		l.q.move(t, at, order)
	} else {
		l.q.add(t, at, order)
	}
}

// Stop cancels the appointment, if any.
func (t *Timer) Stop() {
	if !t.set {
		return
	}
	t.set = false
	t.l.q.remove(t)
}

// Active reports whether the timer is set.
func (t *Timer) Active() bool { return t.set }

// When is the time of the appointment; meaningless if not Active.
func (t *Timer) When() time.Duration { return t.at }

// visit is what came from outside, and when in wall time.
type visit struct {
	fn func()
	at time.Duration
}

func (l *Loop) visit(fn func()) visit {
	v := visit{fn: fn}
	if l.wall != nil && l.wall.started.Load() {
		v.at = l.wall.elapsed()
	}
	return v
}

// Post hands fn to the loop from any goroutine. It runs as soon as the loop is
// free, before timed events that are later. A full inbox gives ErrInboxFull, so
// the caller can say what it lost; an ended loop gives ErrStopped.
func (l *Loop) Post(fn func()) error {
	select {
	case <-l.done:
		return ErrStopped
	default:
	}
	select {
	case l.inbox <- l.visit(fn):
	default:
		return ErrInboxFull
	}
	if l.wall != nil {
		l.wall.wake()
	}
	return nil
}

// PostWait is Post that waits for a place in the inbox.
func (l *Loop) PostWait(ctx context.Context, fn func()) error {
	select {
	case <-l.done:
		return ErrStopped // even if the inbox has room
	default:
	}
	v := l.visit(fn)
	select {
	case <-l.done:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	case l.inbox <- v:
	}
	if l.wall != nil {
		l.wall.wake()
	}
	return nil
}

// Stop ends Run after the running event. Call it from an event.
func (l *Loop) Stop() { l.stop = true }

// Run runs events until Stop, until the time is over, or until ctx ends; at
// the end Now is until, unless stopped before. A virtual loop without events
// ends at once. Run may be called once; the error is nil, ErrBudget, or ctx's.
func (l *Loop) Run(ctx context.Context, until time.Duration) error {
	defer close(l.done)
	if l.wall != nil {
		defer l.wall.close()
		if err := l.wall.begin(ctx); err != nil {
			return err
		}
	}
	var err error
	if l.wall != nil {
		err = l.runWall(ctx, until)
	} else {
		err = l.runVirtual(ctx, until)
	}
	if err == nil && !l.stop && l.now < until {
		l.now = until
	}
	return err
}

func (l *Loop) runVirtual(ctx context.Context, until time.Duration) error {
	for n := 0; !l.stop; n++ {
		// A context costs a lock, so a busy loop asks now and then.
		if n%256 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		if !l.idle() && l.drain() && (l.stop || l.idle()) {
			continue // what came in may have set or moved events
		}
		next, ok := l.next()
		if !ok || next > until {
			break
		}
		if err := l.step(); err != nil {
			return err
		}
	}
	return nil
}

// runWall runs what is due by one reading of the clock, then those who came from
// outside, then looks at the clock again: the two take turns, and visitors see the
// events before them done.
func (l *Loop) runWall(ctx context.Context, until time.Duration) error {
	l.due = -1 // nothing is before the clock has been read
	batch := false
	for !l.stop {
		next, ok := l.next()
		if ok && next <= l.due && next <= until {
			if err := l.step(); err != nil {
				return err
			}
			batch = true
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if batch {
			batch = false
			l.noteLate(l.due, l.wall.elapsed()) // what took long held up what came behind it
		}
		if !l.idle() && l.drain() {
			l.look()
			continue
		}
		if !ok {
			next = never
		}
		wake, sharp := l.wakeAt()
		if !l.wall.until(min(next, until), min(wake, until), sharp, l.idle) && next > until {
			break
		}
		l.look()
	}
	return nil
}

// look reads the clock: what is due by now is late where the loop was to be awake
// before.
func (l *Loop) look() {
	l.due = l.wall.elapsed()
	if wake, _ := l.wakeAt(); wake < l.due {
		l.noteLate(wake, l.due)
	}
}

func (l *Loop) idle() bool { return len(l.inbox) == 0 }

// drain runs what came from outside; false if nothing had. In wall time a flood
// of visitors does not hold up an event that is due.
func (l *Loop) drain() bool {
	ran := false
	l.sharp = false
	for range InboxSize {
		if ran && l.overdue() {
			return true
		}
		select {
		case v := <-l.inbox:
			if l.wall != nil {
				now := l.wall.elapsed()
				l.advance(now)
				l.noteLate(v.at, now)
				l.visited = now
			}
			l.events++
			v.fn()
			ran = true
			if l.stop {
				return true
			}
		default:
			return ran
		}
	}
	return ran
}

// overdue reports whether, in wall time, an event's moment has come.
func (l *Loop) overdue() bool {
	if l.wall == nil {
		return false
	}
	next, ok := l.next()
	return ok && next <= l.wall.elapsed()
}

// advance moves time forward to t, but never past an event that is due.
func (l *Loop) advance(t time.Duration) {
	if next, ok := l.next(); ok && next < t {
		t = next
	}
	l.now = max(l.now, t)
}

// next is the time of the first event.
func (l *Loop) next() (time.Duration, bool) {
	if len(l.q.es) == 0 {
		return 0, false
	}
	return l.q.es[0].at, true
}

func (l *Loop) step() error {
	t := l.q.begin()
	l.now = t.at
	t.set = false
	l.sharp = t.exact
	l.events++
	if l.budget > 0 && l.events > l.budget {
		return fmt.Errorf("%w after %d events at %v", ErrBudget, l.budget, l.now)
	}
	t.fn()
	l.q.fill()
	return nil
}
