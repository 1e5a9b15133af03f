package tester

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// Identifiers of emission OBD (ISO 15765-4).
const (
	functional11 canbus.ID = 0x7DF
	request11    canbus.ID = 0x7E0
	bodyRequest  canbus.ID = 0x7A0
	// Addresses of a car with 29-bit identifiers, beside the engine's.
	gateway29    canbus.ID = 0x0A
	gearbox29    canbus.ID = 0x18
	brake29      canbus.ID = 0x28
	cluster29    canbus.ID = 0x60
	body29       canbus.ID = 0x40
	response11   canbus.ID = 0x7E8
	functional29 canbus.ID = 0x18DB33F1
	request29    canbus.ID = 0x18DA00F1
	response29   canbus.ID = 0x18DAF100
	maxOBD                 = 8
)

const (
	probeGap    = 500 * time.Millisecond
	maxPending  = 12 // 78s in a row; with P2* each, a minute
	maxReturns  = 2  // times one request is repeated after the bus came back
	maxInFlight = 32 // frames waiting to be handed out
	padding     = 0xCC
	maxSingle   = 7 // bytes of a request in a single frame
)

// pace is how long the tool waits and how often it asks again.
type pace struct {
	// p2 and p2Star are what a control unit has for an answer, unless it asks for
	// more (ISO 15765-4 P2CAN, ISO 14229-2 P2 and P2*), margin what the network and
	// the operating system may add.
	p2, p2Star, margin time.Duration
	// busyPause passes before a request is repeated to somebody who was busy.
	busyPause time.Duration
	// aliveGap is the time between two messages of tester present (ISO 14229-2, S3
	// of the client).
	aliveGap time.Duration
	// tries are for a request that is not answered, busy for one that came at a bad
	// time.
	tries, busy int
}

// properPace keeps the standards.
func properPace() pace {
	return pace{
		p2: 50 * time.Millisecond, p2Star: 5 * time.Second, margin: 100 * time.Millisecond,
		busyPause: 100 * time.Millisecond, aliveGap: 2 * time.Second, tries: 3, busy: 5,
	}
}

// Pair is a control unit known only by its physical identifiers.
type Pair struct {
	Name             string
	Request, Respond canbus.Key
}

// peer is one control unit.
type peer struct {
	tx, rx  canbus.Key
	ep      *isotp.Endpoint
	obd     bool
	present bool
	ecu     *ECU
	p2      time.Duration
	p2Star  time.Duration
	// silent is what of its codes it did not answer.
	silent []string
	// Supported identifiers by service, as far as asked.
	pids, frames, infos []byte

	// Of the exchange that runs: the answer, what it waits for, and how long.
	got       *reply
	receiving bool
	pending   int
	until     time.Duration
	// owes: it has answered, and will once more, as the request was repeated to all.
	owes bool
}

// reply is the final answer of one control unit to one request.
type reply struct {
	from *peer
	data []byte // the whole positive answer
	nrc  byte   // of a negative one
	fail string // why there is neither
}

// ok reports a positive answer.
func (r *reply) ok() bool { return r.data != nil }

func (r *reply) why() string {
	if r.fail != "" {
		return r.fail
	}
	return nrcText(r.nrc)
}

// link carries requests and answers. It belongs to one Tester.
type link struct {
	now         time.Duration
	functional  canbus.Key
	peers       []*peer // in order of appearance
	out         []canbus.Frame
	unconfirmed int
	ex          *exchange
	probed      bool // a probe was sent at some time
	alive       bool
	aliveTo     canbus.Key
	aliveAt     time.Duration
	returned    int // times that a car came back which had fallen silent
	lostWait    time.Duration
	pace        pace
	seams       *seams
	got         canbus.Frame // being taken
	say         func(string)
	problem     func(string)
}

func (l *link) newPeer(tx, rx canbus.Key, obd bool) *peer {
	cfg := isotp.Enhanced(isotp.Normal(tx, rx))
	if obd {
		cfg = isotp.Emission(isotp.Normal(tx, rx))
	}
	l.seams.transport(&cfg)
	ep, err := isotp.New(cfg)
	if err != nil {
		panic(fmt.Sprintf("tester: %v", err)) // the configuration above is a valid one
	}
	return &peer{tx: tx, rx: rx, ep: ep, obd: obd, p2: l.pace.p2, p2Star: l.pace.p2Star,
		ecu: &ECU{Name: tx.String(), Listens: tx.String(), Answers: rx.String(), Protocol: protocolName(obd)}}
}

func protocolName(obd bool) string {
	if obd {
		return "obd"
	}
	return "uds"
}

// peerOf finds who answers with the identifier, and makes the place for an OBD
// control unit heard for the first time.
func (l *link) peerOf(k canbus.Key) *peer {
	n := 0
	for _, p := range l.peers {
		if p.rx == k {
			return p
		}
		if p.obd {
			n++
		}
	}
	tx, ok := requestOf(k)
	if !ok || n >= maxOBD || k.Extended() != l.functional.Extended() {
		return nil
	}
	p := l.newPeer(tx, k, true)
	l.peers = append(l.peers, p)
	return p
}

// at29 is the physical request identifier of an address (ISO 15765-4, normal fixed
// addressing).
func at29(address canbus.ID) canbus.ID { return request29 | address<<8 }

// requestOf is the physical request identifier of the OBD control unit that
// answers with k (ISO 15765-4: 7E0+n and 7E8+n; 18DAxxF1 and 18DAF1xx).
func requestOf(k canbus.Key) (canbus.Key, bool) {
	id := k.ID()
	if k.Extended() {
		if id&^0xFF != response29 {
			return 0, false
		}
		return canbus.KeyOf(at29(id&0xFF), true), true
	}
	if id < response11 || id >= response11+maxOBD {
		return 0, false
	}
	return canbus.KeyOf(id-response11+request11, false), true
}

// single builds a request in a single frame.
func single(to canbus.Key, data []byte) canbus.Frame {
	f := canbus.Frame{ID: to.ID(), Len: canbus.MaxClassicData}
	if to.Extended() {
		f.Flags = canbus.Extended
	}
	for i := range f.Len {
		f.Data[i] = padding
	}
	f.Data[0] = byte(len(data))
	copy(f.Data[1:f.Len], data)
	return f
}

// isSegment reports a frame of the transport layer: flow control, or a part of a
// request that does not fit a single frame.
func isSegment(f *canbus.Frame) bool { return f.Len > 0 && f.Data[0]>>4 != 0 }

func (l *link) send(f canbus.Frame) {
	if len(l.out) < maxInFlight {
		l.out = append(l.out, f)
	}
}

// nextFrame hands out the next frame for the bus.
func (l *link) nextFrame(f *canbus.Frame) bool {
	for l.nextWhole(f) {
		if l.seams.leaving(f) {
			return true
		}
	}
	return false
}

// nextWhole is the next frame, flow control before requests.
func (l *link) nextWhole(f *canbus.Frame) bool {
	for _, p := range l.peers {
		if p.ep.NextFrame(f) {
			return true
		}
	}
	if len(l.out) == 0 {
		return false
	}
	*f = l.out[0]
	l.out = l.out[1:]
	l.unconfirmed++
	return true
}

// sent takes the confirmation that a frame is on the bus.
func (l *link) sent(f *canbus.Frame) {
	if isSegment(f) {
		for _, p := range l.peers {
			if p.tx == f.Key() {
				p.ep.Sent(l.now)
				l.drain(p)
			}
		}
		return
	}
	l.unconfirmed = max(0, l.unconfirmed-1)
	if l.ex != nil {
		l.ex.confirmed(f)
	}
}

// wants reports whether a frame of the bus can concern the tool: the traffic of a car
// does not, but a defect may look at all of it.
func (l *link) wants(f *canbus.Frame) bool {
	if f.Flags&(canbus.Error|canbus.Remote|canbus.FD) != 0 {
		return false
	}
	if l.seams.arriving != nil {
		return true
	}
	key := f.Key()
	for _, p := range l.peers {
		if p.rx == key {
			return true
		}
	}
	_, ok := requestOf(key)
	return ok
}

func (l *link) receive(f *canbus.Frame) {
	if !l.wants(f) {
		return
	}
	l.got = *f
	if l.seams.arriving != nil {
		l.seams.arriving(&l.got)
	}
	p := l.peerOf(l.got.Key())
	if p == nil {
		return
	}
	p.ep.Receive(l.now, &l.got)
	l.drain(p)
}

// drain takes what the transport layer of one control unit has to say.
func (l *link) drain(p *peer) {
	var ev isotp.Event
	for p.ep.NextEvent(&ev) {
		l.event(p, &ev)
	}
	// Only now: a broken message and its successor may come in one go.
	if l.ex != nil {
		l.ex.check()
	}
}

// keepAlive switches the tester-present message on or off: functional, or to a
// control unit that does not hear that.
func (l *link) keepAlive(on bool, p *peer) {
	l.alive, l.aliveTo = on, l.functional
	if p != nil && !p.obd {
		l.aliveTo = p.tx
	}
	l.aliveAt = l.now + l.pace.aliveGap
}

func (l *link) tick() {
	for _, p := range l.peers {
		p.ep.Tick(l.now)
		l.drain(p)
	}
	if l.alive && l.now >= l.aliveAt {
		// With the answer suppressed, so it disturbs no exchange.
		if l.unconfirmed == 0 {
			l.send(single(l.aliveTo, []byte{0x3E, 0x80}))
		}
		l.aliveAt = l.now + l.pace.aliveGap
	}
	if l.ex != nil {
		l.ex.tick()
	}
}

// deadline is the next moment at which tick has something to do.
func (l *link) deadline() (time.Duration, bool) {
	var at time.Duration
	ok := false
	earlier := func(t time.Duration, set bool) {
		if set && (!ok || t < at) {
			at, ok = t, true
		}
	}
	for _, p := range l.peers {
		earlier(p.ep.Deadline())
	}
	earlier(l.aliveAt, l.alive)
	if l.ex != nil {
		earlier(l.ex.deadline(), true)
	}
	return at, ok
}
