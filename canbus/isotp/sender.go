package isotp

import "time"

type txState uint8

const (
	txIdle txState = iota
	txSingle
	// From here on segments are being sent.
	txFirst
	txAwaitFlow
	txConsecutive
)

// unlimited is a block without an end.
const unlimited = -1

// sender is the sending half of an endpoint. A frame is asked for when the
// protocol wants it on the bus; N_As runs from there to its confirmation.
type sender struct {
	state      txState
	msg        []byte
	done       int // bytes in confirmed frames
	sn         byte
	asked      bool
	afterFirst bool // no CTS yet
	early      bool // CTS came before the confirmation of the frame it answers
	block      int  // CFs left in the block
	nextBlock  int  // of an early CTS
	gap        time.Duration
	as, bs, cs timer
}

func (e *Endpoint) maxSingle() int { return maxSingle(e.cfg.TxDL, e.off) }

func (e *Endpoint) startSending(payload []byte) {
	t := &e.tx
	t.msg = append(t.msg[:0], payload...)
	t.done, t.sn, t.early, t.afterFirst = 0, 1, false, true
	t.state = txFirst
	if len(payload) <= e.maxSingle() {
		t.state = txSingle
	}
	e.askData()
}

func (e *Endpoint) askData() {
	e.tx.asked = true
	e.tx.as.set(e.now + e.cfg.Timing.As)
}

// appendData appends the PDU that was asked for and says how many bytes of the
// message it carries.
func (e *Endpoint) appendData(b []byte) ([]byte, int) {
	t := &e.tx
	switch t.state {
	case txSingle:
		return appendSingle(b, t.msg, e.off)
	case txFirst:
		return appendFirst(b, t.msg, e.cfg.TxDL)
	}
	return appendConsecutive(b, t.msg[t.done:], t.sn, e.cfg.TxDL)
}

// sentData goes on after the confirmation of a data frame.
func (e *Endpoint) sentData(chunk int) {
	t := &e.tx
	t.as.stop()
	t.done += chunk
	if t.done == len(t.msg) {
		e.events.push(Event{Kind: Delivered, Segmented: t.state != txSingle, Length: len(t.msg), Done: t.done})
		t.state = txIdle
		return
	}
	if t.state == txConsecutive {
		t.sn = (t.sn + 1) & 0xF
		if t.block > 0 {
			t.block--
		}
		if t.block != 0 {
			e.scheduleData(max(t.gap, e.cfg.Timing.Cs))
			return
		}
	}
	if t.early {
		t.early = false
		e.startBlock(t.nextBlock)
		return
	}
	t.state = txAwaitFlow
	t.bs.set(e.now + e.cfg.Timing.Bs)
}

// scheduleData asks for the next CF after d.
func (e *Endpoint) scheduleData(d time.Duration) {
	if d == 0 {
		e.askData()
		return
	}
	e.tx.cs.set(e.now + d)
}

// startBlock begins a block of CFs. STmin separates CFs within a block, so the
// first one waits only for what this node takes itself.
func (e *Endpoint) startBlock(block int) {
	t := &e.tx
	t.state, t.block, t.afterFirst = txConsecutive, block, false
	e.scheduleData(e.cfg.Timing.Cs)
}

// takeFlow acts on a flow control frame if one is awaited. A confirmation may
// be told after the frame that answers it, so the frame on its way counts.
func (e *Endpoint) takeFlow(p *pdu) Reason {
	t := &e.tx
	waiting := t.state == txAwaitFlow
	if !waiting && (t.early || !e.flowNext()) {
		return NotAwaited
	}
	switch fs := p.flow.Status; {
	case fs == ContinueToSend:
		t.gap = Gap(p.flow.STmin)
		block := int(p.flow.BlockSize)
		if block == 0 {
			block = unlimited
		}
		if !waiting {
			t.early, t.nextBlock = true, block
			break
		}
		t.bs.stop()
		e.startBlock(block)
	case fs == Wait:
		if waiting {
			t.bs.set(e.now + e.cfg.Timing.Bs)
		}
	case fs == Overflow && t.afterFirst:
		e.failSending(BufferOverflow)
	default:
		e.failSending(InvalidFS)
	}
	return Accepted
}

// flowNext reports whether the frame on its way is one that a flow control answers.
func (e *Endpoint) flowNext() bool {
	t := &e.tx
	if e.out.kind != slotData {
		return false
	}
	return t.state == txFirst ||
		t.state == txConsecutive && t.block == 1 && t.done+e.out.chunk < len(t.msg)
}

func (e *Endpoint) failSending(r Result) {
	t := &e.tx
	if t.state == txIdle {
		return
	}
	e.events.push(Event{
		Kind: Failed, Result: r, Segmented: t.state != txSingle, Length: len(t.msg), Done: t.done,
	})
	e.orphan(slotData, t.as)
	t.state, t.asked = txIdle, false
	t.as.stop()
	t.bs.stop()
	t.cs.stop()
}
