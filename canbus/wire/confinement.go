package wire

import (
	"sawhorse/canbus"
)

// State is a node's state of fault confinement (ISO 11898-1:2015 clause 12.1.4);
// the warning level is common practice and changes nothing but what is reported.
type State uint8

const (
	ErrorActive  State = iota // may send active error flags
	ErrorWarning              // the same, with a counter at 96 or more
	ErrorPassive              // a counter at 128 or more: passive flags, waits longer
	BusOff                    // TEC at 256: silent and deaf
)

func (s State) String() string {
	return [...]string{"error-active", "error-warning", "error-passive", "bus-off"}[s&3]
}

const (
	warningAt = 96
	passiveAt = 128
	busOffAt  = 256
	// goodReceiver is where a well received frame sets a receive counter beyond
	// 127; the standard allows 119 to 127.
	goodReceiver = 119
	counterMax   = 255
)

// Confinement is a node's error counters and its state.
type Confinement struct {
	TEC   int // transmit error counter, 0 to 256
	REC   int // receive error counter, 0 to 255
	State State
	// Recovering is set while a bus-off node counts recessive bits.
	Recovering bool
}

func levelOf(counter int) State {
	switch {
	case counter >= passiveAt:
		return ErrorPassive
	case counter >= warningAt:
		return ErrorWarning
	}
	return ErrorActive
}

// Error classes and details of a controller's report (Linux can/error.h).
const (
	classLostArbitration = 0x002
	classController      = 0x004
	classProtocol        = 0x008
	classAck             = 0x020
	classBusOff          = 0x040
	classBusError        = 0x080
	classRestarted       = 0x100
	classCounters        = 0x200

	ctrlRxWarning = 0x04
	ctrlTxWarning = 0x08
	ctrlRxPassive = 0x10
	ctrlTxPassive = 0x20
	ctrlActive    = 0x40

	protBit      = 0x01
	protForm     = 0x02
	protStuff    = 0x04
	protBit0     = 0x08 // could not send dominant
	protBit1     = 0x10 // could not send recessive
	protOnSender = 0x80
)

// count changes the error counters and draws the consequences.
func (p *Port) count(tec, rec int) {
	if p.state == BusOff {
		return
	}
	p.tec = max(p.tec+tec, 0)
	p.rec = min(max(p.rec+rec, 0), counterMax)
	if p.tec >= busOffAt {
		p.tec = busOffAt
		p.goBusOff()
		return
	}
	was := p.state
	p.state = max(levelOf(p.tec), levelOf(p.rec))
	if p.state != was {
		p.reportState()
	}
}

// received is a frame received well.
func (p *Port) received() {
	if p.rec > passiveAt-1 {
		p.count(0, goodReceiver-p.rec)
		return
	}
	p.count(0, -1)
}

// reportState tells the tap of the state reached; the side that is there names
// itself.
func (p *Port) reportState() {
	var detail byte
	switch p.state {
	case ErrorActive:
		detail = ctrlActive
	case ErrorWarning:
		detail = sides(p, ErrorWarning, ctrlTxWarning, ctrlRxWarning)
	case ErrorPassive:
		detail = sides(p, ErrorPassive, ctrlTxPassive, ctrlRxPassive)
	}
	p.report(classController, 1, detail, "")
}

func sides(p *Port, s State, tx, rx byte) (detail byte) {
	if levelOf(p.tec) == s {
		detail |= tx
	}
	if levelOf(p.rec) == s {
		detail |= rx
	}
	return detail
}

// report puts a controller's error report on the tap, with the counters unless
// the node is bus-off or back from it.
func (p *Port) report(class canbus.ID, at int, detail byte, touched string) {
	f := canbus.Frame{Time: p.bus.loop.Now(), ID: class, Flags: canbus.Error, Len: 8, Bus: p.bus.cfg.Number}
	f.Data[at] = detail
	if class&(classBusOff|classRestarted) == 0 {
		f.ID |= classCounters
		f.Data[6], f.Data[7] = byte(min(p.tec, counterMax)), byte(p.rec)
	}
	p.bus.show(canbus.Sighting{Frame: &f, Sender: p.name, Touched: touched})
}

// reportError tells the tap of one error frame that this sender began.
func (p *Port) reportError(o *outcome) {
	if !p.bus.cfg.ReportErrors {
		return
	}
	switch o.kind {
	case ackError:
		p.report(classAck, 0, 0, o.touched)
		return
	case lostError:
		p.report(classLostArbitration, 0, byte(o.bit), o.touched)
		return
	}
	f := canbus.Frame{Time: p.bus.loop.Now(), ID: classProtocol | classBusError | classCounters, Flags: canbus.Error, Len: 8, Bus: p.bus.cfg.Number}
	f.Data[2] = o.detail | protOnSender
	f.Data[3] = byte(o.place)
	f.Data[6], f.Data[7] = byte(min(p.tec, counterMax)), byte(p.rec)
	p.bus.show(canbus.Sighting{Frame: &f, Sender: p.name, Touched: o.touched})
}

// goBusOff silences the node and drops what it had to send.
func (p *Port) goBusOff() {
	p.state = BusOff
	p.stats.BusOffs++
	p.stats.Dropped += uint64(p.q.drop())
	p.report(classBusOff, 0, 0, "")
	if after := p.bus.cfg.RecoverAfter; after > 0 && !p.closed {
		p.request.Set(p.bus.loop.Now() + after)
	}
}
