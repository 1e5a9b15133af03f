package tester

import (
	"fmt"
	"slices"
	"time"
)

// Limits of the conditions that the tool checks itself before a learn. The
// control unit checks its own.
const (
	minVoltage = 11.0 // V; common practice: a weak battery spoils a learn
	minCoolant = 65.0 // degC, crank variation
)

const (
	pollGap      = 500 * time.Millisecond
	pollGapRun   = 200 * time.Millisecond // an engine on its way to the cut is quick
	retryGap     = time.Second
	remindGap    = 5 * time.Second
	maxStarts    = 3
	maxReentries = 3
)

// Marks of a crank variation learn: near the fuel cut, and run out again.
const (
	nearCut      = 3800 // rpm
	runOut       = 2000 // rpm
	keyCycleWait = 90 * time.Second
)

// What a learn routine's results say: the first byte behind the routine's
// number.
const (
	learnFinished = 0x00
	learnRunning  = 0x01
	learnAborted  = 0x02
	learnNever    = 0x03
)

// procedure is one learn routine and what the person has to do for it.
type procedure struct {
	position string
	rid      uint16
	cautions []string
	before   string // what to do before the routine starts
	during   string // what to do while it runs
	after    string // what to do when it has finished
	hold     string // what was not held when it aborted
	running  bool   // the engine has to run
	limit    time.Duration
}

var procedures = []procedure{
	{
		position: "clutch", rid: 0x0210,
		cautions: []string{"key on, engine off; parking brake set, gearbox in neutral"},
		before:   "press the clutch pedal fully down and hold it there",
		during:   "keep the clutch pedal fully down",
		after:    "release the clutch pedal",
		hold:     "the clutch pedal was not held fully down",
		limit:    20 * time.Second,
	},
	{
		position: "crank-variation", rid: 0x0211,
		cautions: []string{
			"the workshop manual of the car comes first",
			"block the wheels, set the parking brake, gearbox in neutral",
			"good ventilation or exhaust extraction; nobody under or in front of the car",
			"the engine runs near its limit for a moment: keep hands and clothes away from belts and fans",
		},
		before:  "warm engine, idling, parking brake set, gearbox in neutral",
		during:  "open the throttle fully until the control unit cuts the fuel (a V8 near 4000 rpm), then release it at once",
		after:   "the key cycle has finished it",
		hold:    "the throttle was released too early, or a condition was lost",
		running: true,
		limit:   90 * time.Second,
	},
}

// engineState is what the tool saw of the engine before it acts.
type engineState struct {
	rpm, coolant, kmh, volts         float64
	hasRPM, hasCoolant, hasKMH, hasV bool
}

func (t *Tester) noteEngine(vs []Value) {
	for _, v := range vs {
		switch v.Name {
		case "engine_rpm":
			t.seen.rpm, t.seen.hasRPM = max(t.seen.rpm, v.Value), true
		case "coolant_c":
			t.seen.coolant, t.seen.hasCoolant = v.Value, true
		case "vehicle_kmh":
			t.seen.kmh, t.seen.hasKMH = max(t.seen.kmh, v.Value), true
		case "battery_v":
			t.seen.volts, t.seen.hasV = v.Value, true
		}
	}
}

// learning is a learn under way.
type learning struct {
	procedure
	p         *peer
	until     time.Duration // for the conditions
	pollUntil time.Duration
	remindAt  time.Duration
	reentries int
	silent    bool // the failure is a missing answer
	fresh     bool // the session was opened just now
	cutSeen   bool // the engine was near its cut
	keyCycle  bool // and has run out: the key is due
}

func (t *Tester) learn() {
	i := slices.IndexFunc(procedures, func(p procedure) bool { return p.position == t.cfg.Position })
	g := &learning{procedure: procedures[i], until: t.l.now + t.cfg.Patience}
	t.doc.Learn = &Learn{Position: g.position, Routine: fmt.Sprintf("%04X", g.rid), Outcome: "failed"}
	g.p = t.engine()
	if g.p == nil {
		t.endLearn(g, "failed", "no engine control unit answers")
		return
	}
	t.pids(func() {
		batch := []byte{pidEngineSpeed, pidCoolant, pidVehicle, pidVoltage}
		t.readPIDs([]*peer{g.p}, batch, func(_ *peer, vs []Value) { t.noteEngine(vs) }, func() {
			if why := t.unmet(g); why != "" {
				t.endLearn(g, "refused", why)
				return
			}
			for _, c := range g.cautions {
				t.say("caution: " + c)
			}
			t.say("now: " + g.before)
			t.enterSession(g)
		})
	})
}

// engine is the control unit that knows the engine speed; with several the one
// with the lowest identifier.
func (t *Tester) engine() *peer {
	ps := t.only(func(p *peer) bool { return p.obd && slices.Contains(p.pids, pidEngineSpeed) })
	if len(ps) == 0 {
		return nil
	}
	return slices.MinFunc(ps, func(a, b *peer) int { return int(int64(a.tx) - int64(b.tx)) })
}

// unmet names the condition that is not fulfilled, "" if all are.
func (t *Tester) unmet(g *learning) string {
	s := &t.seen
	switch {
	case !s.hasRPM:
		return "the engine speed cannot be read"
	case s.hasV && s.volts < minVoltage:
		return fmt.Sprintf("battery at %.1f V, expected %.1f V or more: charge it first", s.volts, minVoltage)
	case s.hasKMH && s.kmh > 0:
		return fmt.Sprintf("the car moves at %.0f km/h, expected standstill", s.kmh)
	case !g.running && s.rpm > 0:
		return fmt.Sprintf("the engine runs at %.0f rpm, expected key on and engine off", s.rpm)
	case g.running && s.rpm == 0:
		return "the engine does not run, expected idle"
	case g.running && s.hasCoolant && s.coolant < minCoolant:
		return fmt.Sprintf("coolant at %.0f degC, expected %.0f or more: warm the engine first", s.coolant, minCoolant)
	}
	return ""
}

// enterSession opens the extended session and keeps it open.
func (t *Tester) enterSession(g *learning) {
	q := query{to: g.p, data: []byte{0x10, 0x03}, echo: []byte{0x03}, expect: []*peer{g.p}}
	t.ask(q, func(rs []*reply) {
		r := rs[0]
		if !r.ok() {
			t.endLearn(g, g.outcomeOf(r), "extended session: "+r.why())
			return
		}
		t.session = g.p
		g.fresh = true
		if len(r.data) >= 6 { // P2 in ms, P2* in 10 ms
			g.p.p2 = max(p2, time.Duration(number(r.data[2:4]))*time.Millisecond)
			g.p.p2Star = max(p2Star, time.Duration(number(r.data[4:6]))*10*time.Millisecond)
		}
		t.l.keepAlive(true)
		if t.doc.Learn.Attempts > 0 {
			// It may have gone on, or even finished, without the session.
			t.poll(g)
			return
		}
		t.startRoutine(g)
	})
}

// outcomeOf tells a refusal of the control unit from silence.
func (g *learning) outcomeOf(r *reply) string {
	if r.fail != "" {
		g.silent = true
		return "failed"
	}
	return "refused"
}

func (g *learning) request(sub byte) query {
	data := []byte{0x31, sub, byte(g.rid >> 8), byte(g.rid)}
	return query{to: g.p, data: data, echo: data[1:], expect: []*peer{g.p}}
}

func (t *Tester) startRoutine(g *learning) {
	t.ask(g.request(0x01), func(rs []*reply) {
		switch r := rs[0]; {
		case r.ok():
			g.fresh = false
			t.doc.Learn.Attempts++
			t.say("the learn routine runs: " + g.during)
			g.pollUntil = t.l.now + g.limit
			t.pause(g.gap(), func() { t.poll(g) })
		case r.fail != "":
			t.endLearn(g, g.outcomeOf(r), "start of the routine: "+r.fail)
		case g.sessionGone(r.nrc):
			t.reenter(g)
		case waitable(r.nrc) && t.l.now < g.until:
			g.fresh = false
			t.remind(g, r.nrc)
			t.pause(retryGap, func() { t.startRoutine(g) })
		default:
			t.endLearn(g, "refused", g.meaning(r.nrc))
		}
	})
}

// sessionGone reports a refusal that only says that the control unit is in its
// default session again. A routine that is unknown there is out of range, but
// so is one that is unknown everywhere: in a new session it is that.
func (g *learning) sessionGone(nrc byte) bool {
	return nrc == nrcNotInSession || nrc == nrcSubNotInThis || nrc == nrcOutOfRange && !g.fresh
}

// waitable are refusals that a person can cure while the tool waits.
func waitable(nrc byte) bool {
	switch nrc {
	case nrcConditions, nrcBusy, nrcEngineStopped, nrcTooCold, nrcNotInNeutral:
		return true
	}
	return false
}

// meaning says which condition a refusal is about.
func (g *learning) meaning(nrc byte) string {
	switch {
	case nrc == nrcConditions && !g.running:
		return "conditions not correct: key on, engine off, clutch pedal fully down and held?"
	case nrc == nrcConditions:
		return "conditions not correct: is the parking brake set?"
	case nrc == nrcEngineRunning:
		return "the engine is running: switch it off, key on"
	}
	return nrcText(nrc)
}

func (t *Tester) remind(g *learning, nrc byte) {
	if t.l.now >= g.remindAt {
		g.remindAt = t.l.now + remindGap
		t.say("not yet: " + g.meaning(nrc))
	}
}

// reenter opens the session again after the control unit has left it.
func (t *Tester) reenter(g *learning) {
	g.reentries++
	if g.reentries > maxReentries {
		t.endLearn(g, "failed", "the control unit keeps leaving the extended session")
		return
	}
	t.say("the control unit has left the session; opening it again")
	t.l.keepAlive(false)
	t.enterSession(g)
}

// poll asks for the results; with the engine running it looks at its speed
// first, to tell the person what comes next.
func (t *Tester) poll(g *learning) {
	if !g.running {
		t.askResults(g)
		return
	}
	rpm := 0.0
	t.readPIDs([]*peer{g.p}, []byte{pidEngineSpeed}, func(_ *peer, vs []Value) {
		for _, v := range vs {
			rpm = v.Value
		}
	}, func() {
		t.watchSpeed(g, rpm)
		t.askResults(g)
	})
}

// watchSpeed follows the engine to the fuel cut and back.
func (t *Tester) watchSpeed(g *learning, rpm float64) {
	switch {
	case !g.cutSeen && rpm >= nearCut:
		g.cutSeen = true
		t.sayf("%.0f rpm: release the throttle now", rpm)
	case g.cutSeen && !g.keyCycle && rpm < runOut:
		g.keyCycle = true
		t.say("now: switch the key off, wait ten seconds, switch it on again; leave the engine off")
		// With the key off nobody answers.
		t.l.lostWait = max(t.l.lostWait, keyCycleWait)
		g.pollUntil = t.l.now + keyCycleWait
	}
}

func (g *learning) gap() time.Duration {
	if g.running {
		return pollGapRun
	}
	return pollGap
}

func (t *Tester) askResults(g *learning) {
	t.ask(g.request(0x03), func(rs []*reply) {
		switch r := rs[0]; {
		case !r.ok() && r.fail != "":
			t.endLearn(g, g.outcomeOf(r), "results of the routine: "+r.fail)
		case !r.ok() && g.sessionGone(r.nrc):
			t.reenter(g)
		case !r.ok():
			t.endLearn(g, "refused", "results of the routine: "+nrcText(r.nrc))
		case len(r.data) < 5:
			t.endLearn(g, "failed", fmt.Sprintf("results of the routine in %d bytes, expected 5 or more", len(r.data)))
		default:
			g.fresh = false
			t.result(g, r.data[4], r.data[5:])
		}
	})
}

func (t *Tester) result(g *learning, status byte, rest []byte) {
	switch status {
	case learnFinished:
		t.say("learned; " + g.after)
		t.endLearn(g, "learned", g.position+" learned")
	case learnRunning:
		if t.l.now >= g.pollUntil {
			t.ask(g.request(0x02), func([]*reply) {
				t.endLearn(g, "aborted", fmt.Sprintf("the routine did not finish within %v", g.limit))
			})
			return
		}
		t.pause(g.gap(), func() { t.poll(g) })
	case learnAborted, learnNever:
		why := g.hold
		if len(rest) > 0 && rest[0] != 0 {
			why += fmt.Sprintf(" (reason %02X)", rest[0])
		}
		if t.doc.Learn.Attempts >= maxStarts || t.l.now >= g.until {
			t.endLearn(g, "aborted", why)
			return
		}
		t.say("broken off: " + why + "; " + g.before)
		g.cutSeen, g.keyCycle = false, false
		t.pause(retryGap, func() { t.startRoutine(g) })
	default:
		t.endLearn(g, "failed", fmt.Sprintf("unknown result %02X of the routine, expected 00 to 03", status))
	}
}

// endLearn leaves the session, reads the codes as they are now and ends.
func (t *Tester) endLearn(g *learning, outcome, reason string) {
	t.doc.Learn.Outcome, t.doc.Learn.Reason = outcome, reason
	status := StatusRefused
	switch {
	case outcome == "learned":
		status = StatusDone
	case g.silent:
		status = StatusLost
	}
	t.leaveSession(func() { t.codes(func() { t.stop(status, reason) }) })
}

// leaveSession goes back to the default session, if another one is open; the
// answer is not needed.
func (t *Tester) leaveSession(then func()) {
	p := t.session
	t.l.keepAlive(false)
	t.session = nil
	if p == nil {
		then()
		return
	}
	p.p2, p.p2Star = p2, p2Star
	t.ask(query{to: p, data: []byte{0x10, 0x01}, echo: []byte{0x01}, expect: []*peer{p}, soft: true}, func([]*reply) { then() })
}
