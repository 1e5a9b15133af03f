package server

import (
	"testing"

	"sawhorse/bench/ecu/ecutest"

	"github.com/stretchr/testify/assert"
)

// situation brings a fresh rig to where a case begins.
type situation func(r *rig)

func inDefault(*rig) {}

func inExtended(r *rig) { r.ask("10 03") }

func unlocked(r *rig) {
	inExtended(r)
	r.unlock()
}

func running(then situation) situation {
	return func(r *rig) {
		then(r)
		r.plant.Set("engine_running", 1)
		r.plant.Set("engine_rpm", 700)
	}
}

func (r *rig) unlock() {
	seed := ecutest.Bytes(r.t, r.ask("27 01"))
	key := SecurityKey(r.spec.Security[0].Secret, [4]byte(seed[2:]))
	assert.Equal(r.t, "67 02", r.ask("27 02 "+ecutest.Spaced(key[:])))
}

// The order of checks of ISO 14229-1:2013 figures 5 and 6: 11 before 7F before
// 13 before 12 before 7E; 13 before 31 before 33 before 22. A functional request
// gets no answer where the code is 11, 12, 31, 7E or 7F (clause 7.5).
func TestOrderOfChecks(t *testing.T) {
	for _, c := range []struct {
		name     string
		begin    situation
		req      string
		want     string
		unspoken bool // on the functional identifier
	}{
		{"unknown service", inDefault, "BA", "7F BA 11", true},
		{"unknown service 00", inDefault, "00", "7F 00 11", true},
		{"unknown service in the emission range", inDefault, "05", "7F 05 11", true},

		{"10 too short", inDefault, "10", "7F 10 13", false},
		{"10 unknown session", inDefault, "10 44", "7F 10 12", true},
		{"10 unknown session, too long: sub-function first", inDefault, "10 44 00", "7F 10 12", true},
		{"10 session not from here", inDefault, "10 02", "7F 10 7E", true},
		{"10 session not from here, too long: session first", inDefault, "10 02 00", "7F 10 7E", true},
		{"10 too long", inDefault, "10 03 00", "7F 10 13", false},
		{"10 conditions", running(inExtended), "10 02", "7F 10 83", false},
		{"10 good", inExtended, "10 02", "50 02 00 32 01 F4", false},

		{"11 too short", inDefault, "11", "7F 11 13", false},
		{"11 unknown", inDefault, "11 09", "7F 11 12", true},
		{"11 too long", inDefault, "11 01 00", "7F 11 13", false},
		{"11 conditions", running(inDefault), "11 01", "7F 11 22", false},
		{"11 conditions, too long: length first", running(inDefault), "11 01 00", "7F 11 13", false},

		{"14 too short", inDefault, "14 FF FF", "7F 14 13", false},
		{"14 too long", inDefault, "14 FF FF FF 00", "7F 14 13", false},
		{"14 unknown group", inDefault, "14 12 34 56", "7F 14 31", true},
		{"14 unknown group, conditions: group first", running(inDefault), "14 12 34 56", "7F 14 31", true},
		{"14 conditions", running(inDefault), "14 FF FF FF", "7F 14 22", false},

		{"19 too short", inDefault, "19", "7F 19 13", false},
		{"19 unknown", inDefault, "19 57", "7F 19 12", true},
		{"19 55 without group", inDefault, "19 55", "7F 19 13", false},
		{"19 02 without mask", inDefault, "19 02", "7F 19 13", false},
		{"19 0A with a stray byte", inDefault, "19 0A 00", "7F 19 13", false},
		{"19 04 unknown code", inDefault, "19 04 12 34 56 FF", "7F 19 31", true},
		{"19 06 unknown code", inDefault, "19 06 12 34 56 FF", "7F 19 31", true},
		{"19 06 unknown record", inDefault, "19 06 08 0A 54 77", "7F 19 31", true},

		{"22 too short", inDefault, "22 F1", "7F 22 13", false},
		{"22 half an identifier", inDefault, "22 F1 90 F1", "7F 22 13", false},
		{"22 unknown", inDefault, "22 12 34", "7F 22 31", true},
		{"22 not in this session", inDefault, "22 01 10", "7F 22 31", true},
		{"22 one of two unknown: the other is answered", inDefault, "22 12 34 F1 86", "62 F1 86 01", false},

		{"27 not in this session", inDefault, "27 01", "7F 27 7F", true},
		{"27 not in this session, too short: session first", inDefault, "27", "7F 27 7F", true},
		{"27 too short", inExtended, "27", "7F 27 13", false},
		{"27 unknown level", inExtended, "27 05", "7F 27 12", true},
		{"27 seed with a stray byte", inExtended, "27 01 00", "7F 27 13", false},
		{"27 key too short", inExtended, "27 02 00", "7F 27 13", false},
		{"27 key without seed", inExtended, "27 02 00 00 00 00", "7F 27 24", false},
		{"27 already unlocked", unlocked, "27 01", "67 01 00 00 00 00", false},

		{"28 not in this session", inDefault, "28 03 01", "7F 28 7F", true},
		{"28 unknown", inExtended, "28 09 01", "7F 28 12", true},
		{"28 too short", inExtended, "28 03", "7F 28 13", false},
		{"28 no message type", inExtended, "28 03 00", "7F 28 31", true},
		{"28 unknown subnet", inExtended, "28 03 51", "7F 28 31", true},

		{"2E not in this session", inDefault, "2E F1 90 00", "7F 2E 7F", true},
		{"2E too short", inExtended, "2E F1 90", "7F 2E 13", false},
		{"2E unknown", inExtended, "2E 12 34 00", "7F 2E 31", true},
		{"2E read only", inExtended, "2E F1 86 01", "7F 2E 31", true},
		{"2E wrong length for it, locked: length first", inExtended, "2E F1 90 00", "7F 2E 13", false},
		{"2E locked", inExtended, "2E F1 98 57 4F 52 4B 53 48 4F 50 20 31", "7F 2E 33", false},
		{"2E locked and engine running: security first", running(inExtended),
			"2E F1 90 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 34 38", "7F 2E 33", false},
		{"2E not printable", unlocked, "2E F1 98 01 02 03 04 05 06 07 08 09 0A", "7F 2E 31", true},
		{"2E conditions", running(unlocked), "2E F1 90 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 34 38", "7F 2E 22", false},

		{"31 not in this session", inDefault, "31 01 02 10", "7F 31 7F", true},
		{"31 too short for a sub-function", inExtended, "31", "7F 31 13", false},
		{"31 unknown sub-function, too short: sub-function first", inExtended, "31 09 02", "7F 31 12", true},
		{"31 too short", inExtended, "31 01 02", "7F 31 13", false},
		{"31 unknown routine", inExtended, "31 01 12 34", "7F 31 31", true},
		{"31 stray byte", inExtended, "31 01 02 10 00", "7F 31 13", false},
		{"31 stop before start", inExtended, "31 02 02 10", "7F 31 24", false},
		{"31 results before start", inExtended, "31 03 02 10", "71 03 02 10 03 00", false},
		{"31 engine running", running(inExtended), "31 01 02 10", "7F 31 83", false},
		{"31 pedal up", inExtended, "31 01 02 10", "7F 31 22", false},

		{"3E too short", inDefault, "3E", "7F 3E 13", false},
		{"3E unknown", inDefault, "3E 01", "7F 3E 12", true},
		{"3E too long", inDefault, "3E 00 00", "7F 3E 13", false},
		{"3E good", inDefault, "3E 00", "7E 00", false},

		{"85 not in this session", inDefault, "85 02", "7F 85 7F", true},
		{"85 unknown", inExtended, "85 07", "7F 85 12", true},
		{"85 too long", inExtended, "85 02 00", "7F 85 13", false},
		{"85 good", inExtended, "85 02", "C5 02", false},
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		c.begin(r)
		assert.Equal(t, c.want, r.ask(c.req), "physical: %s", c.name)

		r = newRig(t, loadUnit(t, "ecu-engine.yaml"))
		c.begin(r)
		want := c.want
		if sid := ecutest.Bytes(t, c.req)[0]; c.unspoken || saidToOne(sid) {
			want = ""
		}
		got := r.call(c.req)
		if len(got) > 5 && len(want) > 5 && want[:5] == "67 01" {
			got = want[:5] + got[5:]
		}
		assert.Equal(t, want, got, "functional: %s", c.name)
	}
}

// The suppress bit (bit 7 of the sub-function): no positive answer, negative
// answers are sent, subject to the functional rule (ISO 14229-1 clause 7.5).
func TestSuppressBit(t *testing.T) {
	for _, c := range []struct{ name, req, physical, functional string }{
		{"tester present", "3E 80", "", ""},
		{"session", "10 83", "", ""},
		{"wrong length", "3E 80 00", "7F 3E 13", "7F 3E 13"},
		{"unknown sub-function", "3E 81", "7F 3E 12", ""},
		{"not in session", "85 82", "7F 85 7F", ""},
	} {
		assert.Equal(t, c.physical, newRig(t, loadUnit(t, "ecu-engine.yaml")).ask(c.req), c.name)
		assert.Equal(t, c.functional, newRig(t, loadUnit(t, "ecu-engine.yaml")).call(c.req), c.name)
	}
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Empty(t, r.ask("10 83"))
	assert.Equal(t, "62 F1 86 03", r.ask("22 F1 86"), "the session has changed all the same")
	assert.Empty(t, r.ask("11 81"))
	assert.Empty(t, r.ask("22 F1 86"), "the reset happens at once, the unit boots")
}
