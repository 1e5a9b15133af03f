package tester

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus"
)

// minVoltage is what the tool checks itself before a learn, beside the engine's
// state. The control unit checks its own conditions.
const minVoltage = 11.0 // V; common practice: a weak battery alters a learn

const (
	retryGap     = time.Second
	remindGap    = 5 * time.Second
	maxStarts    = 3
	maxReentries = 3
)

// Marks of a crank variation learn: near the fuel cut, and run out again.
const (
	nearCut      = 3800 // rpm
	rising       = 3000 // rpm; on the way to the cut, which may lie between two looks
	falling      = 150  // rpm; and down from it
	runOut       = 2000 // rpm
	keyCycleWait = 90 * time.Second
)

// A wait with the key on: told once a minute, and a little longer than the car's,
// as a key turned too early costs all of it.
const (
	tellGap    = time.Minute
	waitMargin = 5 * time.Second
)

// What a learn routine's results say: the first byte behind the routine's
// number.
const (
	learnFinished = 0x00
	learnRunning  = 0x01
	learnAborted  = 0x02
	learnNever    = 0x03
)

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
	*procedure
	p         *peer         // whom the routine belongs to
	engine    *peer         // who knows the engine's speed
	until     time.Duration // for the conditions
	pollUntil time.Duration
	remindAt  time.Duration
	reentries int
	silent    bool    // the failure is a missing answer
	fresh     bool    // the session was opened just now
	unlocked  bool    // its security is open
	top       float64 // greatest engine speed seen, rpm
	cutSeen   bool    // the engine was near its cut
	keyCycle  bool    // the key is due
	// Of a wait: when it is over, when it is spoken of next, and how often the
	// car was away when it was heard last.
	waitUntil, tellAt time.Duration
	away              int
}

func (t *Tester) learn() {
	g := &learning{procedure: procedureOf(t.cfg.Position), until: t.l.now + t.cfg.Patience}
	t.doc.Learn = &Learn{Position: g.position, Routine: fmt.Sprintf("%04X", g.rid), Outcome: "failed"}
	g.engine = t.engine()
	if g.engine == nil {
		t.endLearn(g, "failed", "no engine control unit answers")
		return
	}
	if g.p = t.owner(g); g.p == nil {
		t.endLearn(g, "failed", "the control unit that learns this does not answer")
		return
	}
	t.pids(func() {
		batch := []byte{pidEngineSpeed, pidCoolant, pidVehicle, pidVoltage}
		// Everybody answers what is asked of all, so all are waited for.
		t.readPIDs(t.obd(), batch, func(p *peer, vs []Value) {
			if p == g.engine {
				t.noteEngine(vs)
			}
		}, func() {
			if why := t.seams.checking(g); why != "" {
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

// owner is the control unit that has the routine.
func (t *Tester) owner(g *learning) *peer {
	switch g.unit {
	case unitBrake:
		return t.listening(request11+1, at29(brake29))
	case unitBody:
		return t.listening(bodyRequest, at29(body29))
	case unitGearbox:
		return t.listening(0, at29(gearbox29))
	}
	return g.engine
}

// listening is the control unit found that listens to an 11-bit identifier, or to a
// 29-bit one.
func (t *Tester) listening(id11, id29 canbus.ID) *peer {
	ps := t.only(func(p *peer) bool { return p.tx == canbus.KeyOf(id11, false) || p.tx == canbus.KeyOf(id29, true) })
	if len(ps) == 0 {
		return nil
	}
	return ps[0]
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
	case g.running && s.hasCoolant && s.coolant < g.hot:
		return fmt.Sprintf("coolant at %.0f degC, expected %.0f or more: warm the engine first", s.coolant, g.hot)
	}
	return ""
}

// enterSession opens the extended session and keeps it open.
func (t *Tester) enterSession(g *learning) {
	t.extended(g.p, func(refused *reply) {
		switch {
		case refused != nil:
			t.endLearn(g, g.outcomeOf(refused), "extended session: "+refused.why())
		case t.doc.Learn.Attempts > 0:
			// It may have gone on, or even finished, without the session.
			g.fresh, g.unlocked = true, false
			t.poll(g)
		default:
			g.fresh, g.unlocked = true, false
			t.startRoutine(g)
		}
	})
}

// extended opens the extended session of a control unit and keeps it open. done
// gets nil, or the reply that refused.
func (t *Tester) extended(p *peer, done func(refused *reply)) {
	q := query{to: p, data: []byte{0x10, 0x03}, echo: []byte{0x03}, expect: []*peer{p}}
	t.ask(q, func(rs []*reply) {
		r := rs[0]
		if !r.ok() {
			done(r)
			return
		}
		t.session = p
		if len(r.data) >= 6 { // P2 in ms, P2* in 10 ms
			p.p2 = max(t.l.pace.p2, time.Duration(number(r.data[2:4]))*time.Millisecond)
			p.p2Star = max(t.l.pace.p2Star, time.Duration(number(r.data[4:6]))*10*time.Millisecond)
		}
		t.l.keepAlive(true, p)
		done(nil)
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
	if g.level > 0 && !g.unlocked {
		t.unlock(g.p, g.level, func(refused *reply) {
			switch {
			case refused == nil:
				g.unlocked = true
				t.startRoutine(g)
			case g.sessionGone(refused.nrc):
				t.reenter(g)
			default:
				t.endLearn(g, g.outcomeOf(refused), "security access: "+refused.why())
			}
		})
		return
	}
	t.ask(g.request(0x01), func(rs []*reply) {
		switch r := rs[0]; {
		case r.ok():
			g.fresh = false
			t.doc.Learn.Attempts++
			t.say("the learn routine runs: " + g.during)
			g.pollUntil = t.l.now + g.limit
			if g.cut || g.wait > 0 {
				// A key cycle belongs to it, and with the key off nobody answers.
				t.l.lostWait = max(t.l.lostWait, keyCycleWait)
			}
			t.beginWait(g)
			t.pause(g.gap, func() { t.poll(g) })
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
	case nrcConditions, nrcBusy, nrcEngineStopped, nrcRunTime, nrcTooCold, nrcPedal, nrcNotInNeutral, nrcNotInPark:
		return true
	}
	return false
}

// meaning says which condition a refusal is about.
func (g *learning) meaning(nrc byte) string {
	switch nrc {
	case nrcConditions:
		return "conditions not correct: " + g.refused
	case nrcEngineRunning:
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
	g.away-- // a key that was off for a moment ends it, too
	t.l.keepAlive(false, nil)
	t.enterSession(g)
}

// poll asks for the results; where the engine goes to its cut it looks at its
// speed first, to tell the person what comes next.
func (t *Tester) poll(g *learning) {
	if !g.cut {
		t.watchWait(g)
		t.askResults(g)
		return
	}
	rpm := 0.0
	t.readPIDs(t.obd(), []byte{pidEngineSpeed}, func(p *peer, vs []Value) {
		for _, v := range vs {
			if p == g.engine {
				rpm = v.Value
			}
		}
	}, func() {
		t.watchSpeed(g, rpm)
		t.askResults(g)
	})
}

// watchSpeed follows the engine to the fuel cut and back.
func (t *Tester) watchSpeed(g *learning, rpm float64) {
	g.top = max(g.top, rpm)
	switch {
	case !g.cutSeen && (rpm >= nearCut || g.top > rising && rpm < g.top-falling):
		g.cutSeen = true
		t.sayf("%.0f rpm: release the throttle now", rpm)
	case g.cutSeen && !g.keyCycle && rpm < runOut:
		t.askKeyCycle(g)
	}
}

// askKeyCycle has the person turn the key.
func (t *Tester) askKeyCycle(g *learning) {
	g.keyCycle = true
	t.say("now: switch the key off, wait ten seconds, switch it on again; leave the engine off")
	g.pollUntil = t.l.now + keyCycleWait
}

// beginWait starts the clock of a wait. The control unit does not tell how far it
// is, and starts anew when the key is turned.
func (t *Tester) beginWait(g *learning) {
	if g.wait == 0 {
		return
	}
	g.waitUntil, g.tellAt, g.away = t.l.now+g.wait+waitMargin, t.l.now+tellGap, t.l.returned
	g.pollUntil = t.l.now + g.limit
}

// watchWait tells how long the wait still takes.
func (t *Tester) watchWait(g *learning) {
	switch now := t.l.now; {
	case g.wait == 0 || g.keyCycle:
	case t.l.returned != g.away:
		t.say("the key was turned too early: the wait starts again, leave it on")
		t.beginWait(g)
	case now >= g.waitUntil:
		t.say("the wait is over: the security lamp must be out")
		t.askKeyCycle(g)
	case now >= g.tellAt:
		g.tellAt += tellGap
		if left := (g.waitUntil - now).Round(tellGap); left > 0 {
			t.sayf("%d min of the wait are left", left/time.Minute)
		}
	}
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
		t.pause(g.gap, func() { t.poll(g) })
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
		g.top, g.cutSeen, g.keyCycle = 0, false, false
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
	t.l.keepAlive(false, nil)
	t.session = nil
	if p == nil {
		then()
		return
	}
	p.p2, p.p2Star = t.l.pace.p2, t.l.pace.p2Star
	t.ask(query{to: p, data: []byte{0x10, 0x01}, echo: []byte{0x01}, expect: []*peer{p}, soft: true}, func([]*reply) { then() })
}
