package tester

import (
	"fmt"
	"strings"
)

// Lines that are told before an identity is written.
var writeCautions = []string{
	"the number is that of this car, read at its body and in its papers; local law applies",
	engineOff + "; a charger that supports the supply is connected",
}

// writeIdentity gives the engine control unit the vehicle's number: extended
// session, security access, service 2E, and then it is read back.
func (t *Tester) writeIdentity() {
	w := &Written{DID: fmt.Sprintf("%04X", didVIN), Text: t.cfg.VIN, Outcome: "failed"}
	t.doc.Written = w
	p := t.engine()
	if p == nil {
		t.endWrite(StatusRefused, "failed", "no engine control unit answers")
		return
	}
	read := func(next func()) {
		// Everybody who has them answers, and is waited for.
		t.readPIDs(t.obd(), []byte{pidEngineSpeed, pidVoltage}, func(q *peer, vs []Value) {
			if q == p {
				t.noteEngine(vs)
			}
		}, next)
	}
	sequence([]step{t.identify, t.pids, read}, func() {
		w.ECU = p.ecu.Name
		if why := t.unwritable(p); why != "" {
			t.endWrite(StatusRefused, "refused", why)
			return
		}
		if !checkDigitFits(w.Text) {
			t.problem(fmt.Sprintf("the check digit of %s does not fit (49 CFR 565): right for a car of a market that has none, else a slip", w.Text))
		}
		for _, c := range writeCautions {
			t.say("caution: " + c)
		}
		t.openForWriting(p)
	})
}

// unwritable says why nothing is written, "" if it can be.
func (t *Tester) unwritable(p *peer) string {
	s := &t.seen
	switch {
	case s.hasRPM && s.rpm > 0:
		return fmt.Sprintf("the engine runs at %.0f rpm, expected key on and engine off", s.rpm)
	case s.hasV && s.volts < minVoltage:
		return fmt.Sprintf("battery at %.1f V, expected %.1f V or more: charge it first", s.volts, minVoltage)
	}
	for _, q := range t.present() {
		if q != p && q.ecu.VIN != "" && q.ecu.VIN != t.cfg.VIN {
			return fmt.Sprintf("%s belongs to car %s: read the number again", q.ecu.Name, q.ecu.VIN)
		}
	}
	return ""
}

func (t *Tester) openForWriting(p *peer) {
	t.extended(p, func(refused *reply) {
		if refused != nil {
			t.refuseWrite(refused, "extended session")
			return
		}
		t.unlock(p, 1, func(refused *reply) {
			if refused != nil {
				t.refuseWrite(refused, "security access")
				return
			}
			t.write(p)
		})
	})
}

func (t *Tester) write(p *peer) {
	id := []byte{didVIN >> 8, didVIN & 0xFF}
	t.say("writing the vehicle's number")
	data := append(append([]byte{0x2E}, id...), t.cfg.VIN...)
	t.ask(query{to: p, data: data, echo: id, expect: []*peer{p}}, func(rs []*reply) {
		if !rs[0].ok() {
			t.refuseWrite(rs[0], "writing")
			return
		}
		t.ask(query{to: p, data: append([]byte{0x22}, id...), echo: id, expect: []*peer{p}}, func(rs []*reply) {
			r := rs[0]
			if !r.ok() {
				t.refuseWrite(r, "reading back")
				return
			}
			got := text(r.data[3:])
			if got != t.cfg.VIN {
				t.endWrite(StatusRefused, "failed", fmt.Sprintf("read back %q, expected %q", got, t.cfg.VIN))
				return
			}
			p.ecu.VIN = got
			t.endWrite(StatusDone, "written", "vehicle number written and read back")
		})
	})
}

// refuseWrite ends the task after a reply that is not positive.
func (t *Tester) refuseWrite(r *reply, what string) {
	if r.fail != "" {
		t.endWrite(StatusLost, "failed", what+": "+r.fail)
		return
	}
	t.endWrite(StatusRefused, "refused", what+": "+nrcText(r.nrc))
}

// endWrite leaves the session, reads the codes as they are now and ends.
func (t *Tester) endWrite(status int, outcome, reason string) {
	t.doc.Written.Outcome, t.doc.Written.Reason = outcome, reason
	t.leaveSession(func() { t.codes(func() { t.stop(status, reason) }) })
}

// checkDigitFits checks the ninth character of a vehicle number: the weighted sum
// of the others modulo 11, X for ten (49 CFR 565.15 (c), from memory).
func checkDigitFits(vin string) bool {
	const letters, values = "ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789"
	weights := [vinLength]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	sum := 0
	for i := range vinLength {
		c := vin[i]
		if j := strings.IndexByte(letters, c); j >= 0 {
			c = values[j]
		}
		sum += weights[i] * int(c-'0')
	}
	return vin[8] == "0123456789X"[sum%11]
}
