package tester

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// query is one request and whom it concerns.
type query struct {
	// to is nil for a functional request.
	to   *peer
	data []byte
	// echo is what a positive answer repeats of the request, behind its service
	// byte; it keeps late answers to earlier requests apart.
	echo []byte
	// asked replaces echo where the answer may begin with any of several.
	asked []byte
	// expect are the control units that have to answer. With open set, others
	// may too, so the whole of P2 is waited for.
	expect []*peer
	open   bool
	// soft: no repeats and no search for a lost car; what comes, comes.
	soft bool
}

type exchangeState uint8

const (
	stateSending exchangeState = iota // handed out, not confirmed
	stateWaiting                      // confirmed, answers may come
	statePause                        // somebody was busy; repeat soon
	stateLost                         // nobody answers; probing
)

// exchange is one query until its answers are in.
type exchange struct {
	l        *link
	q        query
	frame    canbus.Frame
	probe    canbus.Frame
	state    exchangeState
	until    time.Duration // of the state
	giveUp   time.Duration // of stateLost and stateSending
	tries    int
	busy     int
	returns  int
	touched  []*peer // who said anything
	finished func([]*reply, bool)
}

// begin starts the exchange; done gets the replies, in the order of the
// expected ones and then of appearance, or lost = true when the car has gone.
func (l *link) begin(q query, done func(rs []*reply, lost bool)) {
	to := l.functional
	if q.to != nil {
		to = q.to.tx
	}
	for _, p := range l.peers {
		p.got, p.receiving, p.pending, p.owes = nil, false, 0, false
	}
	e := &exchange{l: l, q: q, frame: single(to, q.data), finished: done}
	e.probe = single(l.functional, []byte{0x01, 0x00})
	if i := slices.IndexFunc(l.peers, func(p *peer) bool { return p.present && !p.obd }); i >= 0 && !l.hasOBD() {
		e.probe = single(l.peers[i].tx, []byte{0x3E, 0x00})
	}
	l.ex = e
	e.transmit()
}

func (l *link) hasOBD() bool {
	return slices.ContainsFunc(l.peers, func(p *peer) bool { return p.present && p.obd })
}

func (e *exchange) transmit() {
	e.tries++
	e.state = stateSending
	e.giveUp = e.l.now + e.l.lostWait
	for _, p := range e.touched {
		p.owes = p.got != nil && e.q.to == nil
	}
	if !e.segmented() {
		e.l.send(e.frame)
	} else if e.q.to.ep.Send(e.l.now, e.q.data) != nil {
		e.unsent() // the one before has not ended yet
	}
}

// segmented reports a request that does not fit a single frame.
func (e *exchange) segmented() bool { return len(e.q.data) > maxSingle }

// unsent ends the sending of a request that nobody took: as if there were no
// answer.
func (e *exchange) unsent() {
	e.state = stateWaiting
	e.until = e.l.now + e.l.pace.busyPause
}

// confirmed takes the confirmation of a frame of ours.
func (e *exchange) confirmed(f *canbus.Frame) {
	if e.state == stateSending && !e.segmented() && f.Key() == e.frame.Key() && e.sameMessage(f) {
		e.waitForAnswers()
	}
}

// sameMessage compares length and message; padding says nothing.
func (e *exchange) sameMessage(f *canbus.Frame) bool {
	n := 1 + len(e.q.data)
	return slices.Equal(f.Data[:n], e.frame.Data[:n])
}

func (e *exchange) waitForAnswers() {
	wait := e.l.pace.p2
	if e.q.to != nil {
		wait = e.q.to.p2
	}
	e.state = stateWaiting
	e.until = e.l.now + wait + e.l.pace.margin
}

// event takes one event of a control unit's transport layer.
func (l *link) event(p *peer, ev *isotp.Event) {
	e := l.ex
	switch ev.Kind {
	case isotp.Started:
		if e != nil && e.state != stateLost {
			p.receiving = true
		}
	case isotp.Delivered:
		if e != nil && e.state == stateSending && e.q.to == p {
			e.waitForAnswers()
		}
	case isotp.Failed:
		if !ev.Receiving {
			l.problem(fmt.Sprintf("%s: request broken off: %v", p.ecu.Name, ev.Result))
			if e != nil && e.state == stateSending && e.q.to == p {
				e.unsent()
			}
			return
		}
		p.receiving = false
		l.problem(fmt.Sprintf("%s: message broken off: %v", p.ecu.Name, ev.Result))
	case isotp.Received:
		p.receiving = false
		if e != nil {
			l.seams.hearing(e, p, slices.Clone(ev.Payload))
		}
	}
}

// message takes a whole message of a control unit.
func (e *exchange) message(p *peer, m []byte) {
	if e.state == stateLost {
		e.back()
		return
	}
	if e.l.probed && e.answersProbe(m) && !e.isProbe() {
		return // probes piled up while the cable was out; their answers come late
	}
	if e.q.to != nil && e.q.to != p || len(m) == 0 {
		return
	}
	if p.got != nil && p.got.fail == "" && p.got.nrc != nrcBusy {
		e.again(p, m)
		return
	}
	r := &reply{from: p}
	switch {
	case len(m) >= 3 && m[0] == 0x7F && m[1] == e.q.data[0]:
		if m[2] == nrcPending {
			e.answerPending(p)
			return
		}
		r.nrc = m[2]
	case m[0] == e.q.data[0]+0x40 && e.echoes(m[1:]):
		r.data = m
	case m[0] == 0x7F && len(m) < 3:
		e.l.problem(fmt.Sprintf("%s: negative answer of %d bytes, expected 3", p.ecu.Name, len(m)))
		return
	default:
		e.l.problem(fmt.Sprintf("%s: answer % X does not belong to request % X", p.ecu.Name, head(m), e.q.data))
		return
	}
	if e.state == stateSending { // the answer overtook the confirmation
		e.waitForAnswers()
	}
	p.pending = 0
	p.got = r
	e.touch(p)
}

// again takes an answer of somebody who has answered before: the first one counts.
func (e *exchange) again(p *peer, m []byte) {
	switch {
	case !p.owes:
	case len(m) >= 3 && m[0] == 0x7F && m[1] == e.q.data[0] && m[2] == nrcPending:
		e.answerPending(p)
	default:
		p.owes, p.pending = false, 0
	}
}

// answersProbe reports an answer to the question whether anybody is there.
func (e *exchange) answersProbe(m []byte) bool {
	return len(m) >= 2 && m[0] == e.probe.Data[1]+0x40 && m[1] == e.probe.Data[2]
}

func (e *exchange) isProbe() bool {
	return e.q.data[0] == e.probe.Data[1] && e.q.data[1] == e.probe.Data[2]
}

func head(m []byte) []byte { return m[:min(len(m), 8)] }

func (e *exchange) touch(p *peer) {
	if !slices.Contains(e.touched, p) {
		e.touched = append(e.touched, p)
	}
}

func (e *exchange) echoes(m []byte) bool {
	if len(e.q.asked) > 0 {
		return len(m) > 0 && slices.Contains(e.q.asked, m[0])
	}
	return len(m) >= len(e.q.echo) && slices.Equal(m[:len(e.q.echo)], e.q.echo)
}

func (e *exchange) answerPending(p *peer) {
	if e.state == stateSending {
		e.waitForAnswers()
	}
	e.touch(p)
	p.pending++
	p.until = e.l.now + p.p2Star + e.l.pace.margin
	if p.pending > maxPending {
		p.pending = 0
		p.got = &reply{from: p, fail: "answer pending without end"}
	}
}

// tick looks at what has run out.
func (e *exchange) tick() {
	now := e.l.now
	switch e.state {
	case stateSending:
		if now >= e.giveUp {
			e.end(true)
		}
	case stateWaiting:
		for _, p := range e.l.peers {
			if p.pending > 0 && !p.receiving && now >= p.until {
				p.pending, p.owes = 0, false
				p.got = &reply{from: p, fail: fmt.Sprintf("no answer within %v after \"answer pending\"", p.p2Star)}
			}
		}
		e.check()
	case statePause:
		if now >= e.until {
			e.transmit()
		}
	case stateLost:
		if now >= e.giveUp {
			e.end(true)
		} else if now >= e.until {
			e.until = now + probeGap
			if e.l.unconfirmed == 0 && len(e.l.out) == 0 {
				e.l.send(e.probe)
				e.l.probed = true
			}
		}
	}
}

func (e *exchange) deadline() time.Duration {
	switch e.state {
	case stateSending:
		return e.giveUp
	case stateWaiting:
		// Whoever receives or is pending sets the pace once P2 is over; if nobody
		// does, the wait is over, whatever else came by in the meantime.
		at, busy := e.l.now+e.l.pace.p2Star, false
		for _, p := range e.l.peers {
			busy = busy || p.receiving || p.pending > 0
			if p.pending > 0 && !p.receiving {
				at = min(at, p.until)
			}
		}
		if e.l.now < e.until || !busy {
			return e.until
		}
		return at
	case stateLost:
		return min(e.until, e.giveUp)
	default:
		return e.until
	}
}

// check ends the wait when nothing more can come.
func (e *exchange) check() {
	if e.state != stateWaiting {
		return
	}
	missing, owed := 0, false
	for _, p := range e.l.peers {
		if e.q.to != nil && p != e.q.to {
			continue
		}
		if p.receiving || p.pending > 0 {
			return
		}
		owed = owed || p.owes
	}
	for _, p := range e.q.expect {
		if p.got == nil {
			missing++
		}
	}
	// Only when every answerer is known may the wait end before P2 does.
	early := missing == 0 && !owed && len(e.q.expect) > 0 && !e.q.open
	if e.l.now < e.until && !early {
		return
	}
	e.settle(missing)
}

// settle decides, with all answers in that will come, whether to repeat.
func (e *exchange) settle(missing int) {
	if e.busy < e.l.pace.busy && e.forgetBusy() {
		e.busy++
		e.tries--
		e.state, e.until = statePause, e.l.now+e.l.pace.busyPause
		return
	}
	if missing == 0 || e.q.soft {
		e.end(false)
		return
	}
	if e.tries < e.l.pace.tries {
		e.transmit()
		return
	}
	if missing == len(e.q.expect) && len(e.touched) == 0 && e.returns < maxReturns {
		e.state = stateLost
		e.until = e.l.now
		e.giveUp = e.l.now + e.l.lostWait
		e.l.say("no answer any more: is the cable in, is the key on?")
		return
	}
	e.end(false)
}

// forgetBusy drops the answers of all that were busy, as the repeat has to wait for
// each of them.
func (e *exchange) forgetBusy() bool {
	any := false
	for _, p := range e.touched {
		if p.got != nil && p.got.nrc == nrcBusy {
			p.got, any = nil, true
		}
	}
	return any
}

// back leaves stateLost: somebody answers again, so the request is repeated, once
// the others have had their time to answer the probe.
func (e *exchange) back() {
	e.l.say("answers come again")
	e.l.returned++
	e.returns++
	e.tries = 0
	e.state, e.until = statePause, e.l.now+e.l.pace.p2+e.l.pace.margin
}

func (e *exchange) end(lost bool) {
	l := e.l
	l.ex = nil
	var rs []*reply
	for _, p := range e.q.expect {
		if p.got == nil {
			p.got = &reply{from: p, fail: "no answer"}
			if !lost && !e.q.soft {
				l.problem(fmt.Sprintf("%s: no answer to request % X", p.ecu.Name, e.q.data))
			}
		} else if p.got.fail != "" {
			l.problem(fmt.Sprintf("%s: request % X: %s", p.ecu.Name, e.q.data, p.got.fail))
		}
		rs = append(rs, p.got)
	}
	for _, p := range l.peers {
		if p.got != nil && !slices.Contains(e.q.expect, p) {
			rs = append(rs, p.got)
		}
	}
	e.finished(rs, lost)
}
