package tester

import (
	"fmt"
	"strings"
)

// clear erases the codes of every control unit: not with the engine running,
// and not before codes and freeze frames were read and kept.
func (t *Tester) clear() {
	cleared := false
	t.doc.Cleared = &cleared
	holders := t.obd()
	t.readPIDs(holders, []byte{pidEngineSpeed}, func(_ *peer, vs []Value) { t.noteEngine(vs) }, func() {
		if t.seen.rpm > 0 {
			t.stop(StatusRefused, fmt.Sprintf("the engine runs at %.0f rpm: switch it off, key on, and try again", t.seen.rpm))
			return
		}
		sequence(t.seams.clearing(), t.cleared)
	})
}

// clearSteps are read, keep, clear, read again.
func (t *Tester) clearSteps() []step {
	return []step{t.codes, t.freezeFrames, t.keepBefore, t.clearOBD, t.clearUDS, t.readiness, t.codes, t.freezeFrames}
}

// keepBefore keeps what will be lost.
func (t *Tester) keepBefore(next func()) {
	for _, p := range t.present() {
		before := p.ecu.Codes
		p.ecu.Before = &before
	}
	t.say("clearing trouble codes")
	next()
}

func (t *Tester) clearOBD(next func()) {
	if len(t.obd()) == 0 {
		next()
		return
	}
	t.ask(query{data: []byte{0x04}, expect: t.obd()}, func(rs []*reply) {
		for _, r := range rs {
			t.noteClear(r)
		}
		t.clearAgain(next)
	})
}

func (t *Tester) clearUDS(next func()) {
	forEach(t.uds(), func(p *peer, next func()) {
		q := query{to: p, data: []byte{0x14, 0xFF, 0xFF, 0xFF}, expect: []*peer{p}}
		t.ask(q, func(rs []*reply) {
			t.noteClear(rs[0])
			next()
		})
	}, next)
}

func (t *Tester) noteClear(r *reply) {
	r.from.ecu.Refused = ""
	if !r.ok() {
		r.from.ecu.Refused = r.why()
		t.sayf("%s does not clear: %s", r.from.ecu.Name, r.why())
	}
}

func (t *Tester) cleared() {
	var refused []string
	left := 0
	for _, p := range t.present() {
		if p.ecu.Refused != "" {
			refused = append(refused, p.ecu.Name+": "+p.ecu.Refused)
		}
		left += len(p.ecu.Stored)
	}
	if len(refused) > 0 {
		t.stop(StatusRefused, "not cleared by "+strings.Join(refused, ", "))
		return
	}
	*t.doc.Cleared = true
	if left > 0 {
		t.stop(StatusDone, fmt.Sprintf("cleared; %d codes are stored again already", left))
		return
	}
	t.stop(StatusDone, "cleared; no codes are stored")
}
