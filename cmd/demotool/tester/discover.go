package tester

import (
	"fmt"

	"sawhorse/canbus"
)

// discover finds the control units: service 01 PID 00 on 7DF, then on
// 18DB33F1 (ISO 15765-4), then the given physical pairs with tester present.
func (t *Tester) discover() {
	t.say("looking for control units")
	t.round(1)
}

func (t *Tester) round(n int) {
	t.tryOBD(canbus.KeyOf(functional11, false), func() {
		if len(t.obd()) > 0 {
			t.tryUDS(n)
			return
		}
		t.tryOBD(canbus.KeyOf(functional29, true), func() {
			if len(t.obd()) == 0 {
				t.l.functional = canbus.KeyOf(functional11, false)
			}
			t.tryUDS(n)
		})
	})
}

func (t *Tester) tryOBD(functional canbus.Key, then func()) {
	t.l.functional = functional
	q := query{data: []byte{0x01, 0x00}, echo: []byte{0x00}, open: true, soft: true}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			switch {
			case !r.ok() || !r.from.obd:
			case len(r.data) != 6:
				t.problem(fmt.Sprintf("%s: supported PIDs in %d bytes, expected 6", r.from.ecu.Name, len(r.data)))
			default:
				r.from.present = true
				r.from.pids = t.seams.supported(0, r.data[2:])
				t.sayf("%s answers", r.from.rx)
			}
		}
		then()
	})
}

func (t *Tester) tryUDS(n int) {
	var asked []*peer
	for _, p := range t.l.peers {
		// Where OBD has found the kind of identifiers, a unit on the other is none.
		if !p.obd && !p.present && (len(t.obd()) == 0 || p.tx.Extended() == t.l.functional.Extended()) {
			asked = append(asked, p)
		}
	}
	forEach(asked, func(p *peer, next func()) {
		q := query{to: p, data: []byte{0x3E, 0x00}, expect: []*peer{p}, soft: true}
		t.ask(q, func(rs []*reply) {
			// A refusal is a sign of life, too.
			if rs[0].fail == "" {
				p.present = true
				t.sayf("%s answers (%s)", p.rx, p.ecu.Name)
			}
			next()
		})
	}, func() { t.found(n) })
}

func (t *Tester) found(n int) {
	// A unit beyond OBD may have woken before the others: they are asked again first.
	switch {
	case len(t.obd()) > 0, len(t.present()) > 0 && n >= discoveryRounds:
		t.perform()
	case n < discoveryRounds:
		t.pause(discoveryPause, func() { t.round(n + 1) })
	default:
		t.stop(StatusNoCar, "no control unit answers: is the cable in, is the key on?")
	}
}
