package tester

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// keyWait is an engine control unit that is new to the immobiliser: ten minutes
// with the key on after the start of the routine, then a key cycle. Written apart
// from the tester, after the description of the stand-in car.
type keyWait struct {
	off     []span // when the key is off: nobody answers
	session bool
	open    bool
	state   byte
	from    time.Duration
	waited  bool
	last    time.Duration
	starts  int
}

type span struct{ from, to time.Duration }

func (k *keyWait) isOff(now time.Duration) bool {
	for _, s := range k.off {
		if now >= s.from && now < s.to {
			return true
		}
	}
	return false
}

// work follows the key from the last question to this one.
func (k *keyWait) work(now time.Duration) {
	for t := k.last; t < now; t += 50 * time.Millisecond {
		off := k.isOff(t)
		if off {
			k.session, k.open = false, false
		}
		switch {
		case k.state != 0x01:
		case k.waited && off:
			k.state = 0x00
		case k.waited:
		case off:
			k.from = t
		case t-k.from >= 10*time.Minute:
			k.waited = true
		}
	}
	k.last = now
}

func (k *keyWait) script(now time.Duration, fn bool, req []byte) []answer {
	k.work(now)
	one := func(s string) []answer { return []answer{parseAnswer(s)} }
	if k.isOff(now) {
		return nil
	}
	switch s := strings.ToUpper(hexText(req)); {
	case s == "3E80":
		return nil
	case s == "1003":
		k.session = true
		return one("50 03 00 32 01 F4")
	case s == "1001":
		k.session, k.open = false, false
		return one("50 01 00 32 01 F4")
	case req[0] == 0x27 && !k.session, req[0] == 0x31 && !k.session:
		return one("7F " + hex8(req[0]) + " 7F")
	case s == "2701":
		return one("67 01 01 23 45 67")
	case s == "2702F279A226": // as in TestIdentityIsWrittenAndReadBack
		k.open = true
		return one("67 02")
	case s == "31010220" && !k.open:
		return one("7F 31 33")
	case s == "31010220":
		k.starts++
		k.state, k.from, k.waited = 0x01, now, false
		return one("71 01 02 20 01")
	case s == "31020220":
		k.state = 0x02
		return one("71 02 02 20 02")
	case s == "31030220":
		return one("71 03 02 20 " + hex8(k.state) + " 00")
	case s == "03":
		return one("43 00")
	}
	values := map[byte]string{0x0C: "0000", 0x42: "3138", 0x0D: "00", 0x05: "7B"}
	return liveScript(with(engineTable, map[string][]string{"01 0C 05 0D 42": nil}), values)(now, fn, req)
}

func hexText(b []byte) string {
	s := ""
	for _, x := range b {
		s += hex8(x)
	}
	return s
}

func waitWorld(t *testing.T, off ...span) (*world, *keyWait) {
	w := newWorld(t, Config{Task: "learn", Position: "exchange", UDS: []Pair{}})
	k := &keyWait{off: off, state: 0x03}
	w.add("engine", standard(0x7E0), standard(0x7E8), true, k.script)
	return w, k
}

func minutes(m, s int) time.Duration {
	return time.Duration(m)*time.Minute + time.Duration(s)*time.Second
}

func TestTheSecurityWaitIsSatOut(t *testing.T) {
	w, k := waitWorld(t, span{minutes(10, 15), minutes(10, 25)})
	d := w.run(15 * time.Minute)
	require.Equal(t, StatusDone, d.Status, "%s %q", d.Reason, w.lines)
	assert.Equal(t, "learned", d.Learn.Outcome)
	assert.Equal(t, 1, k.starts)
	all := strings.Join(w.lines, "\n")
	assert.Contains(t, all, "leave the key on for ten minutes")
	assert.Contains(t, all, "5 min of the wait are left")
	assert.Contains(t, all, "switch the key off")
	assert.Contains(t, all, "connect a charger")
	assert.Less(t, strings.Index(all, "1 min of the wait"), strings.Index(all, "switch the key off"), "not before its end")
}

// A key turned too early starts the car's wait anew, and the tool's with it;
// however short it was.
func TestAKeyTurnedTooEarlyStartsTheWaitAgain(t *testing.T) {
	for _, gone := range []time.Duration{700 * time.Millisecond, 4 * time.Second, 40 * time.Second} {
		again := minutes(6, 0) + gone
		w, k := waitWorld(t, span{minutes(6, 0), again}, span{again + minutes(10, 20), again + minutes(10, 40)})
		d := w.run(20 * time.Minute)
		require.Equal(t, StatusDone, d.Status, "%v: %s %q", gone, d.Reason, w.lines)
		assert.Equal(t, 1, k.starts, "%v: the routine goes on by itself", gone)
		all := strings.Join(w.lines, "\n")
		assert.Contains(t, all, "the key was turned too early")
		assert.Less(t, strings.Index(all, "too early"), strings.Index(all, "switch the key off"), "%v", gone)
		assert.Greater(t, w.now, again+minutes(10, 0))
	}
}

// Who never turns the key is told, and gets no learned key.
func TestNobodyTurnsTheKey(t *testing.T) {
	w, _ := waitWorld(t)
	d := w.run(20 * time.Minute)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "aborted", d.Learn.Outcome)
	assert.Equal(t, 1, w.count("31 02 02 20"), "the routine was stopped")
}

func TestAKeyThatStaysOffEndsTheTask(t *testing.T) {
	w, _ := waitWorld(t, span{minutes(3, 0), time.Hour})
	d := w.run(20 * time.Minute)
	assert.Equal(t, StatusLost, d.Status)
}

// Routines of other control units are asked there.
func TestLearnsOfOtherUnits(t *testing.T) {
	for position, c := range map[string]struct{ id, rid, answers string }{
		"key":           {"7A0", "31 01 03 20", "03 20"},
		"battery":       {"7A0", "31 01 03 30", "03 30"},
		"steering-zero": {"7E1", "31 01 02 30", "02 30"},
	} {
		w := newWorld(t, Config{Task: "learn", Position: position})
		_, brake, body := w.car()
		owner, base := body, body.script
		if c.id == "7E1" {
			owner, base = brake, brake.script
		}
		owner.script = func(now time.Duration, fn bool, req []byte) []answer {
			for ask, say := range map[string]string{
				"10 03": "50 03 00 32 01 F4", "10 01": "50 01 00 32 01 F4", "27 01": "67 01 00 00 00 00",
				"31 01 " + c.answers: "71 01 " + c.answers + " 01", "31 03 " + c.answers: "71 03 " + c.answers + " 00 00",
			} {
				if hexText(req) == strings.ReplaceAll(ask, " ", "") {
					return []answer{parseAnswer(say)}
				}
			}
			return base(now, fn, req)
		}
		d := w.run(60 * time.Second)
		require.Equal(t, StatusDone, d.Status, "%s: %s %q", position, d.Reason, w.lines)
		assert.Equal(t, 1, w.count(c.id+" [8] 04 "+c.rid), position)
		assert.Equal(t, position, d.Learn.Position)
	}
}

// A unit beyond OBD does not hear what is sent to everybody, so its session is
// kept by name.
func TestTheSessionOfTheBodyUnitIsKept(t *testing.T) {
	w := newWorld(t, Config{Task: "learn", Position: "battery"})
	_, _, body := w.car()
	base := body.script
	var polls int
	body.script = func(now time.Duration, fn bool, req []byte) []answer {
		switch hexText(req) {
		case "1003":
			return []answer{parseAnswer("50 03 00 32 01 F4")}
		case "1001":
			return []answer{parseAnswer("50 01 00 32 01 F4")}
		case "31010330":
			return []answer{parseAnswer("71 01 03 30 01")}
		case "31030330":
			if polls++; polls < 12 {
				return []answer{parseAnswer("71 03 03 30 01 00")}
			}
			return []answer{parseAnswer("71 03 03 30 00 00")}
		}
		return base(now, fn, req)
	}
	d := w.run(60 * time.Second)
	require.Equal(t, StatusDone, d.Status, "%s %q", d.Reason, w.lines)
	assert.GreaterOrEqual(t, w.count("7A0 [8] 02 3E 80"), 2)
	assert.Zero(t, w.count("7DF [8] 02 3E 80"))
}
