package isotp

import (
	"errors"
	"fmt"
	"math"
	"time"

	"sawhorse/canbus"
)

// Errors of Send.
var (
	// ErrBusy says that a message is still being sent or, in half duplex,
	// that one is being received.
	ErrBusy = errors.New("isotp: a message is under way")
	// ErrTooLong says that the message does not fit: more than a single frame
	// on a functional address, or more than 32 bits can count.
	ErrTooLong = errors.New("isotp: message too long")
	// ErrEmpty says that the message has no bytes; the protocol cannot say so.
	ErrEmpty = errors.New("isotp: message without bytes")
	// ErrListenOnly says that the address has no identifier to send with.
	ErrListenOnly = errors.New("isotp: address only listens")
)

// Endpoint is one end of one address pair. Time may stand still from call to
// call but not run backwards: an earlier now counts as the latest one.
type Endpoint struct {
	cfg     Config
	off     int
	now     time.Duration
	tx      sender
	rx      receiver
	out     slot
	events  events
	ignored [numReasons]uint64
	short   [canbus.MaxData]byte // payload of the last single frame
}

// slot is the frame that was handed out and is not confirmed yet.
type slot struct {
	kind  slotKind
	chunk int        // bytes of the message in a data frame
	fs    FlowStatus // of a flow control
	until timer      // of an orphan
}

type slotKind uint8

const (
	slotFree slotKind = iota
	slotData
	slotFlow
	// slotOrphan holds a frame whose message has ended meanwhile.
	slotOrphan
)

// timer is a moment that may be set.
type timer struct {
	at time.Duration
	on bool
}

func (t *timer) set(at time.Duration) { t.at, t.on = at, true }
func (t *timer) stop()                { t.on = false }

// take reports whether the timer has run out before now, or at now unless
// strict, and stops it then.
func (t *timer) take(now time.Duration, strict bool) bool {
	if !t.on || t.at > now || strict && t.at == now {
		return false
	}
	t.on = false
	return true
}

// New returns an endpoint. The error says which setting is wrong.
func New(cfg Config) (*Endpoint, error) {
	if err := cfg.complete(); err != nil {
		return nil, fmt.Errorf("isotp: %w", err)
	}
	e := &Endpoint{cfg: cfg, off: cfg.offset()}
	e.rx.open = true
	return e, nil
}

// Config is the configuration with its defaults filled in.
func (e *Endpoint) Config() Config { return e.cfg }

// Send takes a message for transmission; it keeps a copy. The error is
// ErrBusy, ErrTooLong, ErrEmpty or ErrListenOnly, and nothing is sent then.
// The end is told by a Delivered or Failed event.
func (e *Endpoint) Send(now time.Duration, payload []byte) error {
	e.expire(e.clock(now), true)
	switch {
	case e.cfg.Tx == None:
		return ErrListenOnly
	case len(payload) == 0:
		return ErrEmpty
	case uint64(len(payload)) > math.MaxUint32, e.cfg.Functional && len(payload) > e.maxSingle():
		return ErrTooLong
	case e.tx.state != txIdle, e.cfg.HalfDuplex && e.rx.state != rxIdle:
		return ErrBusy
	}
	e.startSending(payload)
	return nil
}

// Receive gives the endpoint a frame of the bus. It reports whether the frame
// carries this endpoint's address, even if the rules say to ignore it.
func (e *Endpoint) Receive(now time.Duration, f *canbus.Frame) bool {
	if !e.cfg.matches(f) {
		return false
	}
	// What arrives at the very moment of a timeout is still in time.
	e.expire(e.clock(now), true)
	e.events.detach()
	if e.cfg.RequireDLC8 && f.Len != canbus.MaxClassicData {
		e.ignored[WrongDLC]++
		return true
	}
	p, why := parse(f.Data[:f.Len], e.off)
	if why == Accepted {
		why = e.dispatch(&p)
	}
	if why != Accepted {
		e.ignored[why]++
	}
	return true
}

// dispatch is the table of unexpected PDUs (ISO 15765-2:2016 table 22).
func (e *Endpoint) dispatch(p *pdu) Reason {
	if e.cfg.Functional && p.kind != single {
		return Segmented
	}
	if p.kind == flow {
		return e.takeFlow(p)
	}
	if e.cfg.HalfDuplex && e.tx.state >= txFirst {
		return HalfDuplexBusy
	}
	switch p.kind {
	case single:
		e.takeSingle(p)
		return Accepted
	case first:
		return e.takeFirst(p)
	}
	return e.takeConsecutive(p)
}

// Sent tells the endpoint that the frame handed out last is on the bus
// (L_Data.confirm). Without such a frame it does nothing.
func (e *Endpoint) Sent(now time.Duration) {
	e.expire(e.clock(now), true)
	s := e.out
	e.out = slot{}
	switch s.kind {
	case slotData:
		e.sentData(s.chunk)
	case slotFlow:
		e.sentFlow(s.fs)
	}
}

// Lost tells the endpoint that the frame handed out last will never leave. Its
// message ends with GeneralError.
func (e *Endpoint) Lost(now time.Duration) {
	e.expire(e.clock(now), true)
	s := e.out
	e.out = slot{}
	switch {
	case s.kind == slotData:
		e.failSending(GeneralError)
	case s.kind == slotFlow && s.fs != Overflow:
		e.failReceiving(GeneralError)
	case s.kind == slotFlow:
		e.rx.ar.stop()
	}
}

// Reset ends whatever is under way, with GeneralError, and forgets the frame
// handed out last.
func (e *Endpoint) Reset(now time.Duration) {
	e.expire(e.clock(now), true)
	e.failSending(GeneralError)
	e.failReceiving(GeneralError)
	e.stopReceiving()
	e.out = slot{}
}

// Tick lets time pass: timers that have run out by now act.
func (e *Endpoint) Tick(now time.Duration) { e.expire(e.clock(now), false) }

// Deadline is the moment at which Tick has something to do next, if any.
func (e *Endpoint) Deadline() (time.Duration, bool) {
	at, ok := time.Duration(0), false
	for _, t := range [...]*timer{
		&e.out.until, &e.tx.as, &e.rx.ar, &e.tx.bs, &e.rx.br, &e.tx.cs, &e.rx.cr,
	} {
		if t.on && (!ok || t.at < at) {
			at, ok = t.at, true
		}
	}
	return at, ok
}

// Paced is the moment at which the next consecutive frame is due, while a separation
// time runs.
func (e *Endpoint) Paced() (time.Duration, bool) { return e.tx.cs.at, e.tx.cs.on }

// expire runs the timers in a fixed order.
func (e *Endpoint) expire(now time.Duration, strict bool) {
	if e.out.until.take(now, strict) {
		e.out = slot{}
	}
	if e.tx.as.take(now, strict) {
		e.freeSlot(slotData)
		e.failSending(TimeoutA)
	}
	if e.rx.ar.take(now, strict) {
		e.freeSlot(slotFlow)
		e.failReceiving(TimeoutA)
		e.rx.asked = false // an overflow answer has no reception to end
	}
	if e.tx.bs.take(now, strict) {
		e.failSending(TimeoutBs)
	}
	if e.rx.br.take(now, strict) {
		e.askFlow()
	}
	if e.tx.cs.take(now, strict) {
		e.askData()
	}
	if e.rx.cr.take(now, strict) {
		e.failReceiving(TimeoutCr)
	}
}

func (e *Endpoint) freeSlot(k slotKind) {
	if e.out.kind == k {
		e.out = slot{}
	}
}

// orphan keeps the slot taken until the frame of an ended message is confirmed
// or its time is over: only one frame may be on its way.
func (e *Endpoint) orphan(k slotKind, until timer) {
	if e.out.kind != k {
		return
	}
	e.out = slot{kind: slotOrphan, until: until}
	if !until.on {
		e.out = slot{}
	}
}

func (e *Endpoint) clock(now time.Duration) time.Duration {
	e.now = max(e.now, now)
	return e.now
}

// NextEvent sets ev to the oldest event not fetched yet, if there is one.
func (e *Endpoint) NextEvent(ev *Event) bool { return e.events.pop(ev) }

// Ignored counts the frames with this endpoint's address that were ignored for
// the reason.
func (e *Endpoint) Ignored(why Reason) uint64 { return e.ignored[why%numReasons] }

// LostEvents counts events that nobody fetched before too many others came.
func (e *Endpoint) LostEvents() uint64 { return e.events.lost }

// Unconfirmed reports whether a frame was handed out and its confirmation is
// still of interest; stale says that its message has ended meanwhile, so that it
// is better not sent if that can be helped (Lost then makes room for the next).
func (e *Endpoint) Unconfirmed() (waiting, stale bool) {
	return e.out.kind != slotFree, e.out.kind == slotOrphan
}

// Idle reports whether nothing is being sent or received.
func (e *Endpoint) Idle() bool {
	return e.tx.state == txIdle && e.rx.state == rxIdle && !e.rx.asked
}
