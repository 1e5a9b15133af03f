package isotp

import "time"

type rxState uint8

const (
	rxIdle rxState = iota
	// rxFlow: the peer waits for a flow control.
	rxFlow
	// rxData: a consecutive frame is awaited.
	rxData
)

// receiver is the receiving half of an endpoint.
type receiver struct {
	state      rxState
	buf        []byte
	length     int
	sn         byte
	dl         int // RX_DL: the CAN_DL of the first frame
	block      int
	open       bool // ready for more
	waits      int  // WAITs sent in a row
	asked      bool // a flow control wants to be sent
	fs         FlowStatus
	demands    func(usual Demand) Demand
	demand     Demand // of the message under way
	announced  byte   // the block size of the last CTS
	owed       int    // WAITs that the demand still wants before the next CTS
	ar, br, cr timer
}

// Demand is what an endpoint asks of a sender in its flow control.
type Demand struct {
	// BlockSize and STmin are as in [Config].
	BlockSize, STmin byte
	// Waits are the WAITs before each continue-to-send, half of N_Bs apart; with less
	// than none it waits for as long as the sender does.
	Waits int
	// Overflow answers each first frame with overflow and takes none of the message.
	Overflow bool
}

// Demand has fn say, for each segmented message that begins, what the endpoint asks of
// its sender; usual is what the Config says. The endpoint acts accordingly itself. With
// nil it asks the usual.
func (e *Endpoint) Demand(fn func(usual Demand) Demand) { e.rx.demands = fn }

// asks settles what the endpoint asks of the sender of a message that begins.
func (e *Endpoint) asks() Demand {
	usual := Demand{BlockSize: e.cfg.BlockSize, STmin: e.cfg.STmin}
	if e.rx.demands == nil {
		return usual
	}
	return e.rx.demands(usual)
}

// SetReady says whether this end has room for more of a message: an endpoint
// that is not ready answers with WAIT, at most WaitMax times in a row and half
// of N_Bs apart, and gives up with WaitOverrun after that. A new one is ready.
func (e *Endpoint) SetReady(now time.Duration, ready bool) {
	e.expire(e.clock(now), true)
	r := &e.rx
	r.open = ready
	if !ready || r.state != rxFlow || r.waits == 0 {
		return
	}
	if r.br.on { // between two WAITs
		r.br.stop()
		e.askFlow()
	} else if r.asked && r.fs == Wait {
		r.fs, r.waits = ContinueToSend, 0
	}
}

func (e *Endpoint) takeSingle(p *pdu) {
	e.failReceiving(UnexpectedPDU)
	n := copy(e.short[:], p.data)
	e.events.push(Event{Kind: Received, Receiving: true, Length: n, Done: n, Payload: e.short[:n]})
}

func (e *Endpoint) takeFirst(p *pdu) Reason {
	e.failReceiving(UnexpectedPDU)
	e.stopReceiving() // an overflow answer that has not left is out of date
	r := &e.rx
	r.demand = e.asks()
	if uint64(p.length) > uint64(e.cfg.MaxLen) || r.demand.Overflow {
		e.answer(Overflow)
		return FirstNoRoom
	}
	r.buf = append(r.buf[:0], p.data...)
	r.length, r.dl, r.sn, r.waits = int(p.length), p.canDL, 1, 0
	e.events.push(Event{Kind: Started, Receiving: true, Segmented: true, Length: r.length, Done: len(r.buf)})
	e.owedFlow()
	return Accepted
}

// owedFlow begins the peer's wait for a flow control.
func (e *Endpoint) owedFlow() {
	r := &e.rx
	r.state, r.owed = rxFlow, r.demand.Waits
	if e.cfg.Timing.Br == 0 {
		e.askFlow()
		return
	}
	r.br.set(e.now + e.cfg.Timing.Br)
}

// askFlow asks for the flow control that fits: CTS, WAIT, or none any more.
func (e *Endpoint) askFlow() {
	r := &e.rx
	switch {
	case r.open && r.owed != 0:
		r.owed--
		e.answer(Wait)
	case r.open:
		r.waits = 0
		e.answer(ContinueToSend)
	case r.waits >= e.cfg.WaitMax:
		e.failReceiving(WaitOverrun)
	default:
		r.waits++
		e.answer(Wait)
	}
}

func (e *Endpoint) answer(fs FlowStatus) {
	r := &e.rx
	e.orphan(slotFlow, r.ar)
	r.asked, r.fs = true, fs
	r.ar.set(e.now + e.cfg.Timing.Ar)
}

// sentFlow goes on after the confirmation of a flow control.
func (e *Endpoint) sentFlow(fs FlowStatus) {
	r := &e.rx
	r.ar.stop()
	switch {
	case fs == ContinueToSend && r.state == rxFlow:
		e.awaitBlock()
		r.cr.set(e.now + e.cfg.Timing.Cr)
	case fs == Wait && r.open && r.demand.Waits == 0:
		e.askFlow()
	case fs == Wait:
		r.br.set(e.now + e.cfg.Timing.Bs/2)
	}
}

func (e *Endpoint) awaitBlock() {
	e.rx.state = rxData
	e.rx.block = int(e.rx.announced)
	if e.rx.block == 0 {
		e.rx.block = unlimited
	}
}

func (e *Endpoint) takeConsecutive(p *pdu) Reason {
	r := &e.rx
	// The answer to a CTS may be told before the CTS is confirmed.
	early := r.state == rxFlow && e.out.kind == slotFlow && e.out.fs == ContinueToSend
	if r.state != rxData && !early {
		return NotAwaited
	}
	left := r.length - len(r.buf)
	if p.canDL > r.dl || p.canDL < r.dl && len(p.data) < left {
		return ConsecutiveDL
	}
	if p.sn != r.sn {
		e.failReceiving(WrongSN)
		return Accepted
	}
	if early {
		e.orphan(slotFlow, r.ar)
		r.ar.stop()
		e.awaitBlock()
	}
	r.sn = (r.sn + 1) & 0xF
	r.buf = append(r.buf, p.data[:min(left, len(p.data))]...)
	if len(r.buf) == r.length {
		e.events.push(Event{
			Kind: Received, Receiving: true, Segmented: true, Length: r.length, Done: r.length, Payload: r.buf,
		})
		e.stopReceiving()
		return Accepted
	}
	if r.block > 0 {
		r.block--
	}
	if r.block == 0 {
		r.cr.stop()
		e.owedFlow()
		return Accepted
	}
	r.cr.set(e.now + e.cfg.Timing.Cr)
	return Accepted
}

func (e *Endpoint) failReceiving(res Result) {
	r := &e.rx
	if r.state == rxIdle {
		return
	}
	e.events.push(Event{
		Kind: Failed, Result: res, Receiving: true, Segmented: true, Length: r.length, Done: len(r.buf),
	})
	e.stopReceiving()
}

func (e *Endpoint) stopReceiving() {
	r := &e.rx
	e.orphan(slotFlow, r.ar)
	r.state, r.asked = rxIdle, false
	r.ar.stop()
	r.br.stop()
	r.cr.stop()
}
