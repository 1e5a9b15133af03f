package rules

import (
	"bytes"
	"slices"
	"time"

	"sawhorse/canbus"

	"sawhorse/canbus/uds"
)

// Timing of the sessions and of the answers: ISO 15765-4:2011 and the table of
// default values of ISO 14229-2:2013.
const (
	p2       = 50 * time.Millisecond
	p2Star   = 5 * time.Second
	s3Server = 5 * time.Second
	nBsOBD   = 75 * time.Millisecond
	nBs      = time.Second
	nCrOBD   = 150 * time.Millisecond
	nCr      = time.Second
)

// calm is how long after a disturbance a tool may still be busy with it.
const calm = p2Star + time.Second

// book keeps what an outsider knows of the conversation: who was asked what and
// has answered, and in which state everybody must be.
type book struct {
	opt   Options
	units []*unit
	now   time.Duration
	// task is the running task's name.
	task string
	// last is the functional request asked last that wants an answer, nil after a
	// physical one.
	last *exchange
	// faults are those on that disturb, altered is when the last of them went.
	faults  []string
	altered time.Duration
	reached []*unit // reused
	// cut says that what there is ends in the middle: what is owed could still come.
	cut bool
}

// unit is one ECU as the bus shows it.
type unit struct {
	name              string
	request, response canbus.Key
	// beyond is set for one outside the range of emission diagnostics.
	beyond bool
	// asked is the last request to it that wants an answer. found says that it has
	// answered to everybody, heardOf that it has said anything in this task.
	asked          *exchange
	found, heardOf bool
	foundAt        time.Duration
	// frozen says that it has told of a freeze frame.
	frozen bool
	// pending says that it has announced an answer (7F xx 78), and when.
	pending   bool
	pendingBy mark
	star      time.Duration // P2* of its session
	// session is its diagnostic session, heard when it was last asked anything,
	// entered by which response.
	session byte
	heard   time.Duration
	entered mark
	// lost says that it left the session with its supply, which a tool learns only when
	// it asks again.
	lost bool
	// in is the segmented answer under way.
	in *inbound
	// supported are the items that its masks announce, masked the ranges of the
	// masks read, each by service.
	supported [16]map[byte]bool
	masked    [16]map[byte]bool
}

// inbound is an answer of several frames under way.
type inbound struct {
	mark
	moved   time.Duration // when its last frame came
	length  int
	service byte // as the first frame shows it
	flowed  bool // the tool has sent flow control
	late    bool // that it did not has been told
}

// exchange is one request of the tool.
type exchange struct {
	mark
	data       []byte
	functional bool
	to         *unit
	said       []*unit // who has answered finally
}

func (x *exchange) answered(u *unit) bool { return slices.Contains(x.said, u) }

func newBook(opt Options) *book {
	b := &book{opt: opt, altered: -1}
	for _, p := range opt.Pairs {
		b.units = append(b.units, &unit{
			name: p.Name, request: p.Request, response: p.Response,
			beyond: !emission(p.Request), session: uds.DefaultSession, star: p2Star,
		})
	}
	return b
}

// emission reports a physical request identifier of emission diagnostics (ISO
// 15765-4: 7E0 to 7E7, 18DA xx F1).
func emission(k canbus.Key) bool {
	id := k.ID()
	if k.Extended() {
		return id&0x1FFF00FF == 0x18DA00F1
	}
	return id >= 0x7E0 && id <= 0x7E7
}

// functionalKey reports an identifier on which all are asked.
func functionalKey(k canbus.Key) bool {
	if k.Extended() {
		return k.ID() == 0x18DB33F1
	}
	return k.ID() == 0x7DF
}

// asked finds the unit with a request identifier, answering the one with that of
// its responses. A unit of emission diagnostics that was not announced is made.
func (b *book) asked(k canbus.Key) *unit {
	for _, u := range b.units {
		if u.request == k {
			return u
		}
	}
	if !emission(k) {
		return nil
	}
	id := k.ID() + 8
	if k.Extended() {
		id = 0x18DAF100 | k.ID()>>8&0xFF
	}
	return b.add(k, canbus.KeyOf(id, k.Extended()))
}

func (b *book) answering(k canbus.Key) *unit {
	for _, u := range b.units {
		if u.response == k {
			return u
		}
	}
	id := k.ID()
	switch {
	case k.Extended() && id&0x1FFFFF00 == 0x18DAF100:
		return b.add(canbus.KeyOf(0x18DA00F1|id&0xFF<<8, true), k)
	case !k.Extended() && id >= 0x7E8 && id <= 0x7EF:
		return b.add(canbus.KeyOf(id-8, false), k)
	}
	return nil
}

func (b *book) add(req, resp canbus.Key) *unit {
	u := &unit{name: req.String(), request: req, response: resp, session: uds.DefaultSession, star: p2Star}
	u.asked = b.last // it may answer what all were asked
	b.units = append(b.units, u)
	return u
}

// disturbed reports whether a fault keeps the tool from seeing the bus as it is, or
// did so a moment ago.
func (b *book) disturbed(at time.Duration) bool {
	return len(b.faults) > 0 || b.altered >= 0 && at <= b.altered+calm
}

// obd are the units that have answered to everybody.
func (b *book) obd() []*unit {
	return slices.DeleteFunc(slices.Clone(b.units), func(u *unit) bool { return !u.found || u.beyond })
}

// flowLimit is how long an ECU waits for flow control (N_Bs), quiet how long one
// waits for its next consecutive frame (N_Cr).
func (u *unit) flowLimit() time.Duration {
	if u.beyond || u.in != nil && !u.in.emission() {
		return nBs
	}
	return nBsOBD
}

func (u *unit) quiet() time.Duration {
	if u.beyond || u.in != nil && !u.in.emission() {
		return nCr
	}
	return nCrOBD
}

// emission reports an answer of emission diagnostics.
func (in *inbound) emission() bool { return in.service >= 0x41 && in.service <= 0x4A }

// coming reports that a segmented answer is under way and has not stalled.
func (u *unit) coming(at time.Duration) bool {
	switch {
	case u.in == nil:
		return false
	case !u.in.flowed:
		return at <= u.in.at+u.flowLimit()
	}
	return at <= u.in.moved+u.quiet()
}

// update takes an event into the book, after the rules have seen it.
func (b *book) update(e *event) {
	b.now = max(b.now, e.at)
	switch e.kind {
	case carFrame:
		b.carFrame(e)
	case toolFlow:
		if e.unit != nil && e.unit.in != nil {
			e.unit.in.flowed, e.unit.in.moved = true, e.at
		}
	case carBroken:
		if u := e.unit; u != nil && u.in != nil && u.in.first <= e.first {
			u.in = nil
		}
	case request:
		b.request(e)
	case response:
		b.response(e)
	case taskStart:
		b.task = e.task.Task
		if b.opt.Fresh {
			b.forget()
		}
	case taskEnd:
		b.task = ""
		for _, u := range b.units {
			if b.opt.Fresh { // what is on its way has no receiver any more
				u.in, u.pending = nil, false
			}
		}
	case powerOff:
		for _, u := range b.units {
			u.lost = u.lost || u.session != uds.DefaultSession
			u.session, u.pending, u.in, u.asked = uds.DefaultSession, false, nil, nil
		}
	}
}

// forget: a new process knows of no open question and of no ECU.
func (b *book) forget() {
	b.last = nil
	for _, u := range b.units {
		u.asked, u.in, u.pending, u.found, u.heardOf, u.frozen = nil, nil, false, false, false, false
		u.session, u.lost = uds.DefaultSession, false
		u.supported, u.masked = [16]map[byte]bool{}, [16]map[byte]bool{}
	}
}

func (b *book) carFrame(e *event) {
	if e.unit == nil || e.frame.Len < 8 {
		return
	}
	d := e.frame.Data
	switch {
	case e.pci() == 1:
		in := &inbound{mark: e.mark(), moved: e.at, length: int(d[0]&0xF)<<8 | int(d[1]), service: d[2]}
		if in.length == 0 { // the form for more than 4095 bytes
			in.length, in.service = int(d[2])<<24|int(d[3])<<16|int(d[4])<<8|int(d[5]), d[6]
		}
		if in.length > 7 { // a shorter one is to be ignored
			e.unit.in = in
		}
	case e.pci() == 2 && e.unit.in != nil:
		e.unit.in.moved = e.at
	}
}

func (b *book) request(e *event) {
	for _, u := range b.to(e) {
		if u.session != uds.DefaultSession && !u.pending && e.at-u.heard > s3Server {
			u.session = uds.DefaultSession // S3 server of ISO 14229-2
		}
		u.heard = e.at
		if e.resets() {
			u.session = uds.DefaultSession
		}
	}
	if e.suppressed() {
		return
	}
	x := &exchange{mark: e.mark(), data: bytes.Clone(e.m.Data), functional: e.functional, to: e.unit}
	b.last = nil
	if e.functional {
		b.last = x
	}
	for _, u := range b.to(e) {
		u.asked, u.pending = x, false
	}
}

// to are the units that a request reaches; the list is the book's, until the next call.
func (b *book) to(e *event) []*unit {
	b.reached = b.reached[:0]
	for _, u := range b.units {
		if e.unit == u || e.unit == nil && u.request.Extended() == e.key.Extended() {
			b.reached = append(b.reached, u)
		}
	}
	return b.reached
}

func (b *book) response(e *event) {
	u := e.unit
	if u == nil {
		return
	}
	if u.in != nil && u.in.first >= e.first {
		u.in = nil
	}
	u.heardOf = true
	u.heard = max(u.heard, e.at)
	x := u.asked
	matches := x != nil && len(x.data) > 0 && int(x.data[0]) == e.m.Service
	if e.says(uds.ResponsePending) {
		if matches {
			u.pending, u.pendingBy = true, e.mark()
		}
		return
	}
	if matches {
		if !x.answered(u) {
			x.said = append(x.said, u)
		}
		u.pending = false
		if x.functional && !u.found {
			u.found, u.foundAt = true, x.at
		}
	}
	if e.m.Positive {
		b.learn(u, e)
	}
}

// learn takes what a positive response tells of a unit's state.
func (b *book) learn(u *unit, e *event) {
	d := e.m.Data
	switch {
	case e.about(uds.DiagnosticSessionControl) && len(d) > 1:
		u.lost = false
		u.session, u.entered, u.star = sub(d), e.mark(), p2Star
		if len(d) >= 6 { // P2* in steps of 10 ms
			u.star = max(p2Star, time.Duration(int(d[4])<<8|int(d[5]))*10*time.Millisecond)
		}
	case e.about(uds.ECUReset):
		u.session = uds.DefaultSession
	case e.about(uds.FreezeFrame) && len(d) >= 5 && d[1] == itemFreezeCode:
		u.frozen = d[3] != 0 || d[4] != 0
	case uds.Service(max(0, e.m.Service)).IsOBD() && !e.about(uds.PermanentCodes):
		b.masks(u, e)
	}
}

// masks notes the items that a response announces. Service 02 has the frame's
// number between the item and its mask.
func (b *book) masks(u *unit, e *event) {
	d, s := e.m.Data, e.m.Service
	group := 5 // an item and its mask
	if e.about(uds.FreezeFrame) {
		group = 6
	}
	for i := 1; i+group <= len(d) && uds.IsRange(d[i]); i += group {
		if u.supported[s] == nil {
			u.supported[s], u.masked[s] = map[byte]bool{}, map[byte]bool{}
		}
		u.masked[s][d[i]] = true
		mask := d[i+group-4:]
		for n := 0; n < 32; n++ {
			if mask[n/8]>>(7-n%8)&1 != 0 {
				u.supported[s][d[i]+byte(n)+1] = true
			}
		}
	}
}

// announced reports whether any of the units says that it has an item, known
// whether any has been asked.
func announced(us []*unit, service int, item byte) (known, ok bool) {
	base := (item - 1) / 0x20 * 0x20
	for _, u := range us {
		known = known || u.masked[service][base]
		ok = ok || u.supported[service][item]
	}
	return known, ok
}

// expected are the units that have to answer a functional request of emission
// diagnostics, as far as the bus has shown before it. known is false if that cannot
// be told, so that everybody's time must be waited for.
func (b *book) expected(x *exchange) (us []*unit, known bool) {
	all := slices.DeleteFunc(b.obd(), func(u *unit) bool { return u.foundAt >= x.at })
	if !x.functional || len(x.data) == 0 || len(all) == 0 || !uds.Service(x.data[0]).IsOBD() {
		return nil, false
	}
	s, items := x.data[0], x.data[1:]
	frozen := uds.Service(s) == uds.FreezeFrame
	if frozen && len(items) > 1 {
		items = items[:1]
	}
	if frozen && slices.ContainsFunc(all, func(u *unit) bool { return u.frozen }) && !slices.Equal(items, []byte{itemFreezeCode}) {
		// Who has told that it has no frame has nothing to say about one.
		all = slices.DeleteFunc(all, func(u *unit) bool { return !u.frozen })
	}
	for _, u := range all {
		if slices.ContainsFunc(items, func(item byte) bool { return u.supported[s][item] }) {
			us = append(us, u)
		}
	}
	if len(us) == 0 {
		us = all
	}
	return us, true
}

// open reports whether the time for answers to a request still runs and some are
// missing.
func (b *book) open(x *exchange, at time.Duration) bool {
	if at >= x.at+p2 {
		return false
	}
	if !x.functional {
		return !x.answered(x.to)
	}
	us, known := b.expected(x)
	return !known || slices.ContainsFunc(us, func(u *unit) bool { return !x.answered(u) })
}
