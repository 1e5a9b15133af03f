package tester

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

// learnECU is an engine control unit with the two learn routines, its sessions
// (ISO 14229-2: S3 5 s) and conditions, written apart from the tester.
type learnECU struct {
	w       *world
	rpm     uint16
	volts   uint16 // mV
	coolant byte
	// pedalDown says whether the pedal is down; parkingBrake likewise.
	pedalDown    func(now time.Duration) bool
	parkingBrake bool
	session      bool
	lastHeard    time.Duration
	started      time.Duration
	state        byte
	learned      bool
	aliveGaps    []time.Duration
	needs        time.Duration
	trace        []string
}

func (e *learnECU) script(now time.Duration, fn bool, req []byte) []answer {
	if e.session && now-e.lastHeard > 5*time.Second {
		e.session, e.state = false, 0x03
	}
	if e.session {
		e.aliveGaps = append(e.aliveGaps, now-e.lastHeard)
	}
	if !fn || req[0] == 0x3E {
		e.lastHeard = now
	}
	e.work(now)
	one := func(b ...byte) []answer { return []answer{{5 * time.Millisecond, b}} }
	switch req[0] {
	case 0x3E, 0x10, 0x31:
		return e.uds(now, req, one)
	case 0x03:
		if e.learned {
			return one(0x43, 0x00)
		}
		return one(0x43, 0x01, 0x08, 0x0A)
	}
	values := map[byte]string{0x0C: hex16(e.rpm * 4), 0x42: hex16(e.volts), 0x0D: "00", 0x05: hex8(e.coolant + 40)}
	return liveScript(with(engineTable, map[string][]string{"01 0C 05 0D 42": nil, "01 0C": nil}), values)(now, fn, req)
}

func hex16(v uint16) string { return hex8(byte(v>>8)) + hex8(byte(v)) }
func hex8(b byte) string    { return string("0123456789ABCDEF"[b>>4]) + string("0123456789ABCDEF"[b&15]) }

// work lets the routine go on.
func (e *learnECU) work(now time.Duration) {
	if e.state != 0x01 {
		return
	}
	for t := e.started; t <= now; t += 50 * time.Millisecond {
		if !e.pedalDown(t) {
			e.state = 0x02
			return
		}
	}
	if now-e.started >= e.needs {
		e.state, e.learned = 0x00, true
	}
}

func (e *learnECU) uds(now time.Duration, req []byte, one func(...byte) []answer) []answer {
	sid := req[0]
	switch {
	case sid == 0x3E && req[1] == 0x80:
		return nil
	case sid == 0x10:
		e.session = req[1] == 0x03
		e.trace = append(e.trace, "session "+hex8(req[1]))
		return one(0x50, req[1], 0x00, 0x32, 0x01, 0xF4)
	case !e.session:
		return one(0x7F, sid, 0x7F)
	case req[1] == 0x03:
		return one(0x71, 0x03, req[2], req[3], e.state, 0x00)
	case req[1] == 0x02:
		e.state = 0x02
		return one(0x71, 0x02, req[2], req[3])
	}
	variation := req[3] == 0x11
	switch {
	case !variation && e.rpm > 0:
		return one(0x7F, 0x31, 0x83)
	case !variation && !e.pedalDown(now), variation && !e.parkingBrake:
		return one(0x7F, 0x31, 0x22)
	case variation && e.rpm == 0:
		return one(0x7F, 0x31, 0x84)
	}
	e.state, e.started = 0x01, now
	e.trace = append(e.trace, "start")
	return one(0x71, 0x01, req[2], req[3], 0x01)
}

func always(time.Duration) bool { return true }
func never(time.Duration) bool  { return false }

func learnWorld(t testing.TB, cfg Config) (*world, *learnECU) {
	cfg.Task, cfg.UDS = "learn", []Pair{}
	if cfg.Position == "" {
		cfg.Position = "clutch"
	}
	w := newWorld(t, cfg)
	e := &learnECU{w: w, volts: 12600, coolant: 20, pedalDown: always, state: 0x03, needs: 4 * time.Second}
	w.add("engine", standard(0x7E0), standard(0x7E8), true, e.script)
	return w, e
}

func TestClutchIsLearned(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.pedalDown = func(now time.Duration) bool { return now > 6*time.Second }
	d := w.run(60 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	assert.Equal(t, &Learn{Position: "clutch", Routine: "0210", Outcome: "learned", Reason: "clutch learned", Attempts: 1}, d.Learn)
	assert.Equal(t, []Code{}, d.ECUs[0].Stored, "the codes are those after the learn")
	assert.Equal(t, []string{"session 03", "start", "session 01"}, e.trace)
	all := strings.Join(w.lines, "\n")
	assert.Contains(t, all, "press the clutch pedal fully down")
	assert.Contains(t, all, "not yet: conditions not correct")
	assert.Contains(t, all, "release the clutch pedal")
}

// TestSessionIsKeptAlive: S3 client is 2 s (ISO 14229-2).
func TestSessionIsKeptAlive(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.needs = 15 * time.Second
	d := w.run(60 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	n := w.count("7DF [8] 02 3E 80")
	assert.GreaterOrEqual(t, n, 7)
	for _, g := range e.aliveGaps {
		require.LessOrEqual(t, g, 2500*time.Millisecond)
	}
}

func TestLearnIsRefusedWithTheEngineRunning(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.rpm = 600
	d := w.run(60 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "refused", d.Learn.Outcome)
	assert.Contains(t, d.Reason, "600 rpm")
	assert.Empty(t, e.trace, "no session was opened for it")
}

func TestLearnIsRefusedWithAWeakBattery(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.volts = 10400
	d := w.run(60 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "battery at 10.4 V")
}

func TestPedalNeverPressed(t *testing.T) {
	w, e := learnWorld(t, Config{Patience: 10 * time.Second})
	e.pedalDown = never
	d := w.run(20 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "clutch pedal fully down")
	assert.Equal(t, 0, d.Learn.Attempts)
	assert.Equal(t, []Code{{Code: "P080A"}}, d.ECUs[0].Stored)
	assert.Equal(t, "session 01", e.trace[len(e.trace)-1])
	assert.LessOrEqual(t, w.count("31 01 02 10"), 12, "once a second")
}

func TestPedalReleasedOnceIsTriedAgain(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.pedalDown = func(now time.Duration) bool { return now < 2*time.Second || now > 5*time.Second }
	d := w.run(60 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	assert.Equal(t, 2, d.Learn.Attempts)
	assert.Contains(t, strings.Join(w.lines, "\n"), "not held fully down")
}

func TestPedalReleasedAgainAndAgain(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.pedalDown = func(now time.Duration) bool { return now%(3*time.Second) < 2*time.Second }
	d := w.run(90 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "aborted", d.Learn.Outcome)
	assert.Equal(t, maxStarts, d.Learn.Attempts)
}

func TestRoutineThatNeverEnds(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.needs = time.Hour
	d := w.run(60 * time.Second)
	assert.Equal(t, "aborted", d.Learn.Outcome)
	assert.Equal(t, 1, w.count("31 02 02 10"), "the routine was stopped")
}

func TestUnknownRoutine(t *testing.T) {
	w, e := learnWorld(t, Config{})
	base := e.script
	w.ecus[0].script = func(now time.Duration, fn bool, req []byte) []answer {
		if req[0] == 0x31 {
			return []answer{parseAnswer("7F 31 31")}
		}
		return base(now, fn, req)
	}
	d := w.run(60 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "request out of range")
}

// crankECU is an engine whose variation learn goes through its three steps: to
// the fuel cut, back, and a key cycle in which nobody answers. The session does
// not outlive the key.
type crankECU struct {
	learnECU
	releaseAt, keyOff, keyOn time.Duration
}

func (e *crankECU) script(now time.Duration, fn bool, req []byte) []answer {
	off := now >= e.keyOff && now < e.keyOn
	switch {
	case off:
		e.session, e.rpm = false, 0
		if e.state == 0x01 {
			e.state, e.learned = 0x00, true
		}
		return nil
	case now >= e.keyOn:
		e.rpm = 0
	case now >= e.releaseAt:
		e.rpm = 900
	case e.state == 0x01:
		e.rpm = min(4000, e.rpm+200)
	}
	if req[0] == 0x31 && !e.session { // out of range in the default session
		return []answer{parseAnswer("7F 31 31")}
	}
	if req[0] == 0x31 && req[1] == 0x03 {
		return []answer{{5 * time.Millisecond, []byte{0x71, 0x03, req[2], req[3], e.state, 0x00}}}
	}
	return e.learnECU.script(now, fn, req)
}

func TestCrankVariation(t *testing.T) {
	w, base := learnWorld(t, Config{Position: "crank-variation"})
	e := &crankECU{learnECU: *base, releaseAt: 12 * time.Second, keyOff: 20 * time.Second, keyOn: 45 * time.Second}
	e.rpm, e.coolant, e.parkingBrake, e.needs = 620, 90, true, time.Hour
	w.ecus[0].script = e.script
	d := w.run(120 * time.Second)
	require.Equal(t, StatusDone, d.Status, "%s %q", d.Reason, w.lines)
	assert.Equal(t, "0211", d.Learn.Routine)
	assert.Equal(t, 1, d.Learn.Attempts, "the key cycle is no reason to start again")
	assert.Equal(t, []Code{}, d.ECUs[0].Stored)
	all := strings.Join(w.lines, "\n")
	at := 0
	for _, want := range []string{"workshop manual", "block the wheels", "ventilation", "parking brake set",
		"open the throttle", "4000 rpm: release the throttle now", "switch the key off", "answers come again", "learned"} {
		i := strings.Index(all[at:], want)
		require.GreaterOrEqual(t, i, 0, "%q comes in its place in %s", want, all)
		at += i
	}
}

func TestCrankVariationWithoutTheKeyCycle(t *testing.T) {
	w, base := learnWorld(t, Config{Position: "crank-variation"})
	e := &crankECU{learnECU: *base, releaseAt: 12 * time.Second, keyOff: time.Hour, keyOn: 2 * time.Hour}
	e.rpm, e.coolant, e.parkingBrake, e.needs = 620, 90, true, time.Hour
	w.ecus[0].script = e.script
	d := w.run(200 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "aborted", d.Learn.Outcome)
	assert.Equal(t, "session 01", e.trace[len(e.trace)-1])
}

func TestCrankVariationConditions(t *testing.T) {
	w, e := learnWorld(t, Config{Position: "crank-variation"})
	e.rpm, e.coolant = 620, 40
	d := w.run(60 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "coolant at 40 degC")

	w, e = learnWorld(t, Config{Position: "crank-variation"})
	e.coolant = 90
	d = w.run(60 * time.Second)
	assert.Contains(t, d.Reason, "does not run")

	w, e = learnWorld(t, Config{Position: "crank-variation", Patience: 5 * time.Second})
	e.rpm, e.coolant = 620, 90
	d = w.run(60 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "parking brake")
}

// TestCablePulledDuringALearn: back within S3 or not, the learn is finished.
func TestCablePulledDuringALearn(t *testing.T) {
	for _, length := range []time.Duration{time.Second, 3 * time.Second, 8 * time.Second} {
		w, e := learnWorld(t, Config{})
		w.cut = func(now time.Duration) bool { return now > 2*time.Second && now < 2*time.Second+length }
		d := w.run(120 * time.Second)
		require.Equal(t, StatusDone, d.Status, "%v: %s %q", length, d.Reason, w.lines)
		assert.True(t, e.learned)
	}
	w, _ := learnWorld(t, Config{})
	w.cut = func(now time.Duration) bool { return now > 2*time.Second }
	d := w.run(60 * time.Second)
	assert.Equal(t, StatusLost, d.Status)
	assert.Equal(t, "failed", d.Learn.Outcome)
}

func TestInterruptLeavesTheSession(t *testing.T) {
	w, e := learnWorld(t, Config{})
	e.needs = time.Hour
	for w.now < 3*time.Second {
		w.collect()
		at, _ := w.next()
		w.now = max(w.now, at)
		w.step()
	}
	w.tool.Interrupt(w.now)
	d := w.run(4 * time.Second)
	assert.Equal(t, StatusStopped, d.Status)
	assert.Equal(t, "interrupted", d.Reason)
	assert.Equal(t, "session 01", e.trace[len(e.trace)-1])
	var f canbus.Frame
	assert.False(t, w.tool.NextFrame(&f))
	_, set := w.tool.Deadline()
	assert.False(t, set)
}

func TestClear(t *testing.T) {
	w := newWorld(t, Config{Task: "clear-codes"})
	engine, _, _ := w.car()
	base, cleared := engine.script, false
	engine.script = func(now time.Duration, fn bool, req []byte) []answer {
		if req[0] == 0x04 {
			cleared = true
			return []answer{parseAnswer("7F 04 78"), parseAnswer("+1s 44")} // erasing takes its time
		}
		after := map[byte]string{0x03: "43 00", 0x07: "47 00", 0x02: "42 02 00 00 00"}
		if s, ok := after[req[0]]; ok && cleared {
			return []answer{parseAnswer(s)}
		}
		return base(now, fn, req)
	}
	d := w.run(30 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	require.NotNil(t, d.Cleared)
	assert.True(t, *d.Cleared)
	e := d.ECUs[0]
	assert.Equal(t, []Code{{Code: "P080A"}, {Code: "P0335"}}, e.Before.Stored)
	assert.Equal(t, "P080A", e.Before.FreezeFrames[0].Code)
	assert.Equal(t, 604.0, liveValue(t, e.Before.FreezeFrames[0].Values, "engine_rpm"))
	assert.Equal(t, []Code{}, e.Stored)
	assert.Empty(t, e.FreezeFrames)
	assert.Less(t, w.first("7DF [8] 03 02 02 00"), w.first("7DF [8] 01 04"), "read before it is erased")
	assert.Equal(t, 1, w.count("7DF [8] 01 04"))
	assert.Equal(t, 1, w.count("7A0 [8] 04 14 FF FF FF"))
	// The scripted body does not forget; the tool says what it reads.
	assert.Len(t, d.ECUs[2].Stored, 1)
	assert.Contains(t, d.Reason, "1 codes are stored again")
}

func TestClearIsRefused(t *testing.T) {
	w := newWorld(t, Config{Task: "clear-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(with(engineTable, map[string][]string{"04": {"7F 04 22"}})))
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.False(t, *d.Cleared)
	assert.Equal(t, "conditions not correct", d.ECUs[0].Refused)
	assert.Len(t, d.ECUs[0].Stored, 2, "the codes are still there")
}

func TestNoClearWithTheEngineRunning(t *testing.T) {
	w := newWorld(t, Config{Task: "clear-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(with(engineTable, map[string][]string{"01 0C": {"41 0C 09 70"}})))
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "604 rpm")
	assert.Zero(t, w.count("7DF [8] 01 04"))
}
