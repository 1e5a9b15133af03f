package tester

import (
	"fmt"
	"slices"
	"strings"
)

// readiness reads PID 01 of all OBD control units.
func (t *Tester) readiness(next func()) {
	holders := t.only(func(p *peer) bool { return p.obd && slices.Contains(p.pids, pidMonitors) })
	if len(holders) == 0 {
		next()
		return
	}
	q := query{data: []byte{0x01, pidMonitors}, echo: []byte{pidMonitors}, expect: holders}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			switch {
			case !r.ok():
				t.refusal(r, "readiness")
			case len(r.data) != 6:
				t.problem(fmt.Sprintf("%s: readiness of %d bytes, expected 4", r.from.ecu.Name, len(r.data)-2))
			default:
				rd := t.seams.readiness(r.data[2:])
				r.from.ecu.Readiness = &rd
			}
		}
		next()
	})
}

// codes reads stored, pending and permanent codes.
func (t *Tester) codes(next func()) {
	t.say("reading trouble codes")
	for _, p := range t.present() {
		p.silent = nil
	}
	services := []byte{0x03, 0x07, 0x0A}
	if len(t.obd()) == 0 {
		services = nil
	}
	forEach(services, t.codeService, func() { t.codesAgain(func() { forEach(t.uds(), t.codesUDS, next) }) })
}

func (t *Tester) codeService(sid byte, next func()) {
	// Cars before permanent codes were required stay silent to 0A.
	q := query{data: []byte{sid}, expect: t.obd(), soft: sid == 0x0A}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			if r.fail != "" && !q.soft {
				r.from.silent = append(r.from.silent, fmt.Sprintf("service %02X", sid))
			}
			if !r.ok() || !r.from.present {
				t.refusal(r, fmt.Sprintf("service %02X", sid))
				continue
			}
			codes, err := t.seams.obdCodes(r.data[1:])
			if err != nil {
				t.problem(fmt.Sprintf("%s: service %02X: %v", r.from.ecu.Name, sid, err))
			}
			switch e := r.from.ecu; sid {
			case 0x03:
				e.Stored = codes
			case 0x07:
				e.Pending = codes
			case 0x0A:
				e.Permanent = codes
			}
		}
		next()
	})
}

// codesUDS reads all codes with their status (service 19 02, any status).
func (t *Tester) codesUDS(p *peer, next func()) {
	q := query{to: p, data: []byte{0x19, 0x02, 0xFF}, echo: []byte{0x02}, expect: []*peer{p}}
	t.ask(q, func(rs []*reply) {
		switch r := rs[0]; {
		case !r.ok():
			if r.fail != "" {
				p.silent = append(p.silent, "service 19")
			}
			t.refusal(r, "trouble codes")
		case len(r.data) < 3:
			t.problem(fmt.Sprintf("%s: trouble codes in %d bytes, expected at least 3", p.ecu.Name, len(r.data)))
		default:
			stored, pending, err := t.seams.udsCodes(r.data[3:])
			if err != nil {
				t.problem(fmt.Sprintf("%s: trouble codes: %v", p.ecu.Name, err))
			}
			p.ecu.Stored, p.ecu.Pending = stored, pending
		}
		next()
	})
}

const frame00 = 0x00

// freezeFrames reads frame 00 of whoever has one.
func (t *Tester) freezeFrames(next func()) {
	if len(t.obd()) == 0 {
		next()
		return
	}
	// Not every control unit has service 02, so silence is an answer.
	q := query{data: []byte{0x02, pidFreezeCode, frame00}, echo: []byte{pidFreezeCode, frame00}, expect: t.obd(), soft: true}
	t.ask(q, func(rs []*reply) {
		var holders []*peer
		for _, r := range rs {
			r.from.ecu.FreezeFrames = nil
			if r.ok() {
				r.from.ecu.FreezeFrames = []FreezeFrame{}
			}
			switch {
			case !r.ok():
			case len(r.data) != 5:
				t.problem(fmt.Sprintf("%s: code of the freeze frame in %d bytes, expected 2", r.from.ecu.Name, len(r.data)-3))
			case r.from.present && (r.data[3] != 0 || r.data[4] != 0):
				r.from.ecu.FreezeFrames = []FreezeFrame{{Code: codeText(r.data[3], r.data[4]), Values: []Value{}}}
				holders = append(holders, r.from)
			}
		}
		if len(holders) == 0 {
			next()
			return
		}
		for _, p := range holders {
			p.frames = nil
		}
		t.frameMasks(0x00, holders, func() { t.frameValues(holders, next) })
	})
}

// frameMasks asks which identifiers the frame holds, range by range.
func (t *Tester) frameMasks(base byte, holders []*peer, next func()) {
	q := query{data: []byte{0x02, base, frame00}, echo: []byte{base, frame00}, expect: holders}
	t.ask(q, func(rs []*reply) {
		var more []*peer
		for _, r := range rs {
			if !r.ok() || len(r.data) != 7 || !slices.Contains(holders, r.from) {
				continue
			}
			ids := t.seams.supported(base, r.data[3:])
			r.from.frames = append(r.from.frames, ids...)
			if base < 0xE0 && slices.Contains(ids, base+0x20) {
				more = append(more, r.from)
			}
		}
		if len(more) == 0 {
			next()
			return
		}
		t.frameMasks(base+0x20, more, next)
	})
}

// frameValues reads the frame, three identifiers a request.
func (t *Tester) frameValues(holders []*peer, next func()) {
	want := wanted(holders, func(p *peer) []byte { return p.frames })
	forEach(batches(want, 3), func(batch []byte, next func()) {
		data := []byte{0x02}
		for _, id := range batch {
			data = append(data, id, frame00)
		}
		expect := supporting(holders, batch, func(p *peer) []byte { return p.frames })
		t.ask(query{data: data, asked: batch, expect: expect}, func(rs []*reply) {
			for _, r := range rs {
				if r.ok() && len(r.from.ecu.FreezeFrames) > 0 {
					ff := &r.from.ecu.FreezeFrames[0]
					ff.Values = append(ff.Values, t.values(r, 1, batch)...)
				}
			}
			next()
		})
	}, next)
}

// unanswered says which control units did not answer what was asked of their codes: a
// check that lacks them is not done. "" if all did.
func (t *Tester) unanswered() string {
	var parts []string
	for _, p := range t.present() {
		if len(p.silent) > 0 {
			parts = append(parts, p.ecu.Name+" did not answer "+strings.Join(p.silent, ", "))
		}
	}
	return strings.Join(parts, "; ")
}
