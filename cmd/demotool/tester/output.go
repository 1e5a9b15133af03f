package tester

import (
	"fmt"
	"time"
)

// actuator is one output of the engine control unit and what driving it needs.
type actuator struct {
	name string
	did  uint16
	// state is what it is driven to.
	state []byte
	// running: the engine has to run; standing: it must not.
	running, standing bool
	cautions          []string
}

// driveTime is how long an output is driven.
const driveTime = 2 * time.Second

// Parameters of service 2F (ISO 14229-1:2013 annex E, inputOutputControlParameter, from
// memory).
const (
	returnControl = 0x00
	adjust        = 0x03
)

const (
	moves = "the part moves or starts by itself: hands, hair and clothes away"
	halts = "only for a few seconds: unburned fuel or heat harms the catalyst"
)

// actuators are those of the stand-in cars.
var actuators = func() []actuator {
	list := []actuator{
		{name: "fan", did: 0x0400, state: []byte{1}, cautions: []string{moves}},
		{name: "fuel-pump", did: 0x0401, state: []byte{1}, standing: true, cautions: []string{"the fuel line comes under pressure: no leaks, no sparks"}},
		{name: "purge", did: 0x0402, state: []byte{0x80}},
		{name: "vent", did: 0x0403, state: []byte{1}},
		{name: "throttle", did: 0x0404, state: []byte{0x40}, standing: true, cautions: []string{moves}},
		{name: "lamp", did: 0x0405, state: []byte{1}},
		{name: "alternator", did: 0x0406, state: []byte{0}},
	}
	for n := range 8 {
		list = append(list, actuator{
			name: fmt.Sprintf("injector-%d", n+1), did: uint16(0x0411 + n), state: []byte{0}, running: true, cautions: []string{blocked, ventilated, halts},
		})
	}
	return list
}()

// Outputs are what the task drive-output can be asked for.
var Outputs = func() []string {
	var names []string
	for i := range actuators {
		names = append(names, actuators[i].name)
	}
	return names
}()

// Driven is the result of driving an output.
type Driven struct {
	// Output is its name, DID its identifier in hex, ECU who has it.
	Output string `json:"output"`
	DID    string `json:"did"`
	ECU    string `json:"ecu"`
	// Outcome is done, refused or failed. Done means that the control unit has driven
	// it and has taken it back.
	Outcome string `json:"outcome"`
	Reason  string `json:"reason"`
}

// driveOutput drives an output for a moment: look at the engine, extended session,
// service 2F, and back.
func (t *Tester) driveOutput() {
	var a *actuator
	for i := range actuators {
		if actuators[i].name == t.cfg.Output {
			a = &actuators[i]
		}
	}
	d := &Driven{Output: a.name, DID: fmt.Sprintf("%04X", a.did), Outcome: "failed"}
	t.doc.Output = d
	p := t.engine()
	if p == nil {
		t.endOutput(StatusRefused, "failed", "no engine control unit answers")
		return
	}
	d.ECU = p.ecu.Name
	look := func(next func()) {
		t.readPIDs(t.obd(), []byte{pidEngineSpeed, pidVehicle}, func(q *peer, vs []Value) {
			if q == p {
				t.noteEngine(vs)
			}
		}, next)
	}
	look(func() {
		if why := t.seams.driving(a); why != "" {
			t.endOutput(StatusRefused, "refused", why)
			return
		}
		for _, c := range a.cautions {
			t.say("caution: " + c)
		}
		t.extended(p, func(refused *reply) {
			if refused != nil {
				t.refuseOutput(refused, "extended session")
				return
			}
			t.adjust(p, a)
		})
	})
}

// undrivable says why an output is not driven, "" if it can be.
func (t *Tester) undrivable(a *actuator) string {
	s := &t.seen
	switch {
	case s.kmh > 0:
		return fmt.Sprintf("the car moves at %.0f km/h, expected standstill", s.kmh)
	case a.standing && s.rpm > 0:
		return fmt.Sprintf("the engine runs at %.0f rpm, expected key on and engine off", s.rpm)
	case a.running && s.rpm == 0:
		return "the engine does not run, expected idle"
	}
	return ""
}

// control is a request of service 2F.
func (a *actuator) control(p *peer, parameter byte, state ...byte) query {
	id := []byte{byte(a.did >> 8), byte(a.did), parameter}
	return query{to: p, data: append(append([]byte{0x2F}, id...), state...), echo: id, expect: []*peer{p}}
}

func (t *Tester) adjust(p *peer, a *actuator) {
	t.sayf("driving %s", a.name)
	t.ask(a.control(p, adjust, a.state...), func(rs []*reply) {
		if !rs[0].ok() {
			t.refuseOutput(rs[0], "driving "+a.name)
			return
		}
		t.pause(driveTime, func() { t.giveBack(p, a) })
	})
}

// giveBack returns the output to the control unit's own program.
func (t *Tester) giveBack(p *peer, a *actuator) {
	t.ask(a.control(p, returnControl), func(rs []*reply) {
		if !rs[0].ok() {
			t.refuseOutput(rs[0], "giving "+a.name+" back")
			return
		}
		t.endOutput(StatusDone, "done", a.name+" driven and given back")
	})
}

// refuseOutput ends the task after a reply that is not positive.
func (t *Tester) refuseOutput(r *reply, what string) {
	if r.fail != "" {
		t.endOutput(StatusLost, "failed", what+": "+r.fail)
		return
	}
	t.endOutput(StatusRefused, "refused", what+": "+nrcText(r.nrc))
}

// endOutput leaves the session, which gives back what is still driven, and ends.
func (t *Tester) endOutput(status int, outcome, reason string) {
	t.doc.Output.Outcome, t.doc.Output.Reason = outcome, reason
	t.leaveSession(func() { t.stop(status, reason) })
}
