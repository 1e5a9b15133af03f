package tester

import (
	"fmt"
	"slices"
	"strings"
)

// Defect is one realistic mistake that a diagnostic tool can have. The tool has one
// on demand, so that whoever judges tools can be judged.
type Defect struct {
	// ID selects it, Group is what it is about, Says is one sentence.
	ID, Group, Says string
	install         func(t *Tester)
}

// Defects lists all of them, group by group.
func Defects() []Defect {
	return slices.Concat(timingDefects, segmentDefects, decodingDefects, orderDefects, severalDefects,
		refusalDefects, clearingDefects, sessionDefects, learnDefects, outputDefects, givingUpDefects, endDefects, reportDefects)
}

// takeDefect gives the tool the defect of that name.
func (t *Tester) takeDefect(id string) error {
	if id == "" {
		return nil
	}
	var known []string
	for _, d := range Defects() {
		if d.ID == id {
			d.install(t)
			return nil
		}
		known = append(known, d.ID)
	}
	return fmt.Errorf("%w: defect %q, expected one of %s", ErrUsage, id, strings.Join(known, ", "))
}

// asked is a request on its way: whoever wraps asking can change it, answer it
// itself, or look at the replies.
type asked struct {
	query
	then func([]*reply)
	next func(query, func([]*reply))
}

// go on with the request as it is.
func (a asked) pass() { a.next(a.query, a.then) }

// begins reports whether the request begins with these bytes.
func (a asked) begins(b ...byte) bool {
	return len(a.data) >= len(b) && slices.Equal(a.data[:len(b)], b)
}

// pretend answers positively without asking anybody: the request's own bytes and
// some more.
func (a asked) pretend(more ...byte) {
	var rs []*reply
	for _, p := range a.expect {
		rs = append(rs, a.made(p, more...))
	}
	a.then(rs)
}

// made is a positive reply that nobody gave.
func (a asked) made(p *peer, more ...byte) *reply {
	data := append([]byte{a.data[0] + 0x40}, a.data[1:]...)
	return &reply{from: p, data: append(data, more...)}
}

// afterwards passes the request on and changes the replies.
func (a asked) afterwards(change func(rs []*reply) []*reply) {
	a.next(a.query, func(rs []*reply) { a.then(change(rs)) })
}

// wrapAsking has do carry out the requests of tasks.
func (t *Tester) wrapAsking(do func(asked)) {
	next := t.seams.asking
	t.seams.asking = func(q query, then func([]*reply)) { do(asked{q, then, next}) }
}

// wrapHearing has do take the messages; pass goes on.
func (t *Tester) wrapHearing(do func(e *exchange, p *peer, m []byte, pass func([]byte))) {
	next := t.seams.hearing
	t.seams.hearing = func(e *exchange, p *peer, m []byte) {
		do(e, p, m, func(m []byte) { next(e, p, m) })
	}
}

// wrapCodes has change alter every list of codes that is decoded.
func (t *Tester) wrapCodes(change func([]Code) []Code) {
	obd, uds := t.seams.obdCodes, t.seams.udsCodes
	t.seams.obdCodes = func(d []byte) ([]Code, error) {
		codes, err := obd(d)
		return change(codes), err
	}
	t.seams.udsCodes = func(d []byte) (stored, pending []Code, err error) {
		stored, pending, err = uds(d)
		return change(stored), change(pending), err
	}
}

// wrapValue has change alter every value that is decoded.
func (t *Tester) wrapValue(change func(g group, v *Value)) {
	next := t.seams.value
	t.seams.value = func(g group, fourBanks bool) []Value {
		vs := next(g, fourBanks)
		for i := range vs {
			change(g, &vs[i])
		}
		return vs
	}
}

// wrapTelling has change alter what is told of every control unit.
func (t *Tester) wrapTelling(change func(e *ECU)) {
	t.seams.telling = func(d *Document) {
		for _, e := range d.ECUs {
			change(e)
		}
	}
}

// negative reports a negative response other than "answer pending".
func negative(m []byte) bool { return len(m) >= 3 && m[0] == 0x7F && m[2] != nrcPending }

// pendingAnswer reports the negative response "answer pending".
func pendingAnswer(m []byte) bool { return len(m) >= 3 && m[0] == 0x7F && m[2] == nrcPending }
