package dtc

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// life is a memory on its own, with its time.
type life struct {
	t   testing.TB
	m   *Memory
	now time.Duration
}

// tinySpec has one code of each kind; debounce 100 ms.
func tinySpec(t testing.TB, more string) *spec.Unit {
	t.Helper()
	s, err := spec.Load("tiny.yaml", []byte(`
ecu: tiny
addresses: {request: 0x7E0, response: 0x7E8}
power: {powered: {signal: powered, is: 1}, cycle: {signal: key, at_least: 2}}
sessions: [{session: default, id: 0x01}]
memory:
  readiness: [components, fuel, misfire, catalyst, evap]
`+more+`
codes:
  - {code: P0102, ftb: 0x16, trips: 2, mil: true, emission: true, fail: 100ms, pass: 100ms, monitor: components}
  - {code: P0335, ftb: 0x31, trips: 1, mil: true, emission: true, fail: 100ms, pass: 100ms}
  - {code: P080A, ftb: 0x54, kind: condition, emission: true}
  - {code: P0171, ftb: 0x00, trips: 2, mil: true, emission: true, priority: 2, fail: 100ms, pass: 100ms, monitor: fuel}
  - {code: P0420, ftb: 0x00, trips: 2, mil: true, emission: true, fail: 100ms, pass: 100ms, monitor: catalyst, ratio: catalyst_1}
  - {code: P0442, ftb: 0x00, trips: 2, mil: true, emission: true, fail: 100ms, pass: 100ms, monitor: evap, ratio: evap}
  - {code: C0035, ftb: 0x31, fail: 100ms, pass: 100ms}
`), &spec.Vocabulary{})
	require.NoError(t, err)
	return s
}

func newLife(t testing.TB) *life { return &life{t: t, m: New(tinySpec(t, ""))} }

func (l *life) ref(code string) int {
	l.t.Helper()
	i, ok := l.m.Ref(code)
	require.True(l.t, ok, code)
	return i
}

// test hands in samples for as long as the debounce wants.
func (l *life) test(code string, failed bool) {
	l.t.Helper()
	for range 14 {
		l.now += 10 * time.Millisecond
		l.m.Test(l.ref(code), l.now, failed)
	}
}

// drive is a whole driving cycle: start, the tests' results, warm-up, end.
func (l *life) drive(results string) {
	l.t.Helper()
	l.m.BeginCycle()
	l.m.Started()
	for _, r := range strings.Fields(results) {
		code, failed := strings.CutSuffix(r, "!")
		l.test(code, failed)
	}
	l.m.WarmUp()
	l.m.EndCycle()
}

func (l *life) status(code string) string { return fmt.Sprintf("%02X", l.m.Status(l.ref(code))) }

func (l *life) lists() string {
	return fmt.Sprintf("07 %v, 03 %v, 0A %v, lamp %v", l.m.Pending(nil), l.m.Confirmed(nil), l.m.Permanent(nil), l.m.MIL())
}

// The two-trip run of P0102, present in cycles 1 and 2 and then repaired
// (13 CCR 1968.2 (e)(6.4); lamp off after three good cycles and erasure after 40
// warm-ups are common practice).
func TestTwoTripRun(t *testing.T) {
	l := newLife(t)
	for i, c := range []struct{ result, running, after string }{
		{"P0102!", "07 [P0102], 03 [], 0A [], lamp false", "07 [P0102], 03 [], 0A [], lamp false"},
		{"P0102!", "07 [P0102], 03 [P0102], 0A [P0102], lamp true", "07 [P0102], 03 [P0102], 0A [P0102], lamp true"},
		{"P0102", "07 [P0102], 03 [P0102], 0A [P0102], lamp true", "07 [], 03 [P0102], 0A [P0102], lamp true"},
		{"P0102", "07 [], 03 [P0102], 0A [P0102], lamp true", "07 [], 03 [P0102], 0A [P0102], lamp true"},
		{"P0102", "07 [], 03 [P0102], 0A [P0102], lamp true", "07 [], 03 [P0102], 0A [], lamp false"},
	} {
		l.m.BeginCycle()
		l.m.Started()
		code, failed := strings.CutSuffix(c.result, "!")
		l.test(code, failed)
		assert.Equal(t, c.running, l.lists(), "in cycle %d", i+1)
		l.m.EndCycle()
		assert.Equal(t, c.after, l.lists(), "after cycle %d", i+1)
	}
	for i := range warmUpsForErasure {
		assert.Equal(t, "07 [], 03 [P0102], 0A [], lamp false", l.lists(), "after %d warm-ups", i)
		l.drive("P0102")
	}
	assert.Equal(t, "07 [], 03 [], 0A [], lamp false", l.lists(), "after 40 warm-ups")
}

// The status byte of the same code, ISO 14229-1 annex D: bit 0 is kept over the
// change of cycles, bit 5 is kept when the code ages out (both the maker's choice).
func TestStatusByteOfATwoTripCode(t *testing.T) {
	l := newLife(t)
	is := func(want, moment string) {
		t.Helper()
		assert.Equal(t, want, l.status("P0102"), moment)
	}
	l.m.Clear(uds.AllGroups)
	is("50", "clear")
	l.m.BeginCycle()
	l.m.Started()
	l.test("P0102", false)
	is("00", "tested, passed")
	l.m.EndCycle()
	l.m.BeginCycle()
	l.m.Started()
	l.test("P0102", true)
	is("27", "first fail, cycle 1")
	l.test("P0102", false)
	is("26", "now passing, still cycle 1")
	l.m.EndCycle()
	l.m.BeginCycle()
	is("64", "cycle 2 started, the last result was a pass")
	l.m.Started()
	l.test("P0102", true)
	is("AF", "fail in cycle 2, confirmed, lamp")
	l.m.EndCycle()
	l.m.BeginCycle()
	is("ED", "cycle 3 start, not tested")
	l.m.Started()
	l.test("P0102", false)
	is("AC", "cycle 3 tested, passed")
	l.m.EndCycle()
	is("A8", "end of cycle 3")
	l.drive("P0102")
	l.drive("P0102")
	is("28", "lamp off after the third good cycle")
	for range 40 {
		l.drive("P0102")
	}
	is("20", "aged out")
}

func TestAFailWithoutAPassBetweenCycles(t *testing.T) {
	l := newLife(t)
	l.drive("P0102!")
	l.m.BeginCycle()
	assert.Equal(t, "65", l.status("P0102"), "bit 0 is kept when the last result was a fail")
}

// One-trip monitors are confirmed and light the lamp at the first detection.
func TestOneTripCode(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	l.test("P0335", true)
	assert.Equal(t, "AF", l.status("P0335"), "without engine start: a car that does not start must say why")
	assert.Equal(t, "07 [P0335], 03 [P0335], 0A [P0335], lamp true", l.lists())
}

// A driving cycle needs the start of the engine (UN Regulation 83 annex 11): key
// on and off with the fault is no second trip, and without it no good one.
func TestKeyCyclesAreNoTrips(t *testing.T) {
	l := newLife(t)
	for range 3 {
		l.m.BeginCycle()
		l.test("P0102", true)
		l.m.EndCycle()
	}
	assert.Equal(t, "07 [P0102], 03 [], 0A [], lamp false", l.lists())
	l.drive("P0102!")
	assert.Equal(t, "07 [P0102], 03 [], 0A [], lamp false", l.lists(), "the first trip")
	l.drive("P0102!")
	for range 5 {
		l.m.BeginCycle()
		l.test("P0102", false)
		l.m.EndCycle()
	}
	assert.Equal(t, "07 [P0102], 03 [P0102], 0A [P0102], lamp true", l.lists())
}

// A fail before the engine starts counts once it has started.
func TestFailBeforeTheStartCounts(t *testing.T) {
	l := newLife(t)
	l.drive("P0102!")
	l.m.BeginCycle()
	l.test("P0102", true)
	assert.Empty(t, l.m.Confirmed(nil))
	l.m.Started()
	assert.Equal(t, []uds.DTC{0x0102}, l.m.Confirmed(nil))
}

func TestACycleInWhichTheMonitorDidNotRunChangesNothing(t *testing.T) {
	l := newLife(t)
	l.drive("P0102!")
	for range 3 {
		l.drive("")
	}
	assert.Equal(t, []uds.DTC{0x0102}, l.m.Pending(nil))
	l.drive("P0102!")
	require.True(t, l.m.MIL())
	for range 5 {
		l.drive("")
	}
	assert.True(t, l.m.MIL(), "only cycles in which the monitor ran and passed count")
	l.drive("P0102")
	l.drive("P0102")
	l.drive("P0102!")
	l.drive("P0102")
	l.drive("P0102")
	assert.True(t, l.m.MIL(), "three in a row")
	l.drive("P0102")
	assert.False(t, l.m.MIL())
}

func TestAFaultThatComesBackWhileAging(t *testing.T) {
	l := newLife(t)
	l.drive("P0335!")
	for range 3 + 30 {
		l.drive("P0335")
	}
	l.drive("P0335!")
	assert.True(t, l.m.MIL())
	for range 3 + 39 {
		l.drive("P0335")
	}
	assert.Equal(t, []uds.DTC{0x0335}, l.m.Confirmed(nil), "the warm-ups count from the last failure")
	l.drive("P0335")
	assert.Empty(t, l.m.Confirmed(nil))
}

func TestClearLeavesThePermanentCode(t *testing.T) {
	l := newLife(t)
	l.drive("P0335! P0420! P080A!")
	l.drive("P0420!")
	require.Equal(t, []uds.DTC{0x0335, 0x0420}, l.m.Permanent(nil))
	require.True(t, l.m.Clear(uds.EmissionGroup))
	assert.Equal(t, "07 [], 03 [], 0A [P0335 P0420], lamp false", l.lists())
	assert.Equal(t, "50", l.status("P0335"))
	// (d)(2.5.2)(A): a monitor with in-use ratio needs one clean driving cycle;
	// any other also one with the general conditions.
	l.drive("P0335 P0420")
	assert.Equal(t, []uds.DTC{0x0335}, l.m.Permanent(nil))
	l.drive("P0335")
	assert.Equal(t, []uds.DTC{0x0335}, l.m.Permanent(nil))
	l.generalDrive("P0335")
	assert.Empty(t, l.m.Permanent(nil))
}

func TestAPermanentCodeOutlivesACycleWithAFailure(t *testing.T) {
	l := newLife(t)
	l.drive("P0420! P0335!")
	l.drive("P0420!")
	l.m.Clear(uds.AllGroups)
	l.drive("P0420 P0420!")
	assert.Contains(t, l.m.Permanent(nil), uds.DTC(0x0420), "passed once, but failed too")
}

// generalDrive meets the general conditions: 600 s running, 300 s at 40 km/h or
// more, 30 s of idle in a row (13 CCR 1968.2).
func (l *life) generalDrive(results string) {
	l.driveIn(func(v *Vehicle, _ int) {}, results)
}

// driveIn is the same with something changed of each second.
func (l *life) driveIn(change func(v *Vehicle, s int), results string) {
	l.m.BeginCycle()
	for s := 0; s <= 600; s++ {
		v := Vehicle{Running: true, CoolantC: 20 + float64(s)/8, Kmh: 60, AmbientC: 18, BaroKPa: 101}
		if s < 40 {
			v.Kmh, v.Idle = 0, true
		}
		change(&v, s)
		l.now += time.Second
		l.m.Observe(l.now, v)
	}
	for _, r := range strings.Fields(results) {
		code, failed := strings.CutSuffix(r, "!")
		l.test(code, failed)
	}
	l.m.EndCycle()
}

func TestClearOneCodeLeavesTheRest(t *testing.T) {
	l := newLife(t)
	l.drive("P0335! P080A! C0035!")
	assert.True(t, l.m.Clear(0x033531))
	assert.Equal(t, []uds.DTC{0x080A}, l.m.Confirmed(nil))
	assert.False(t, l.m.Clear(0x033532), "another failure type is another code")
	assert.True(t, l.m.Clear(uds.EmissionGroup))
	assert.Equal(t, "2F", l.status("C0035"), "the emission group leaves a chassis code alone")
	assert.True(t, l.m.Clear(uds.AllGroups))
	assert.Equal(t, "50", l.status("C0035"))
}

// A condition in memory needs no debounce, and comes back after a clear for as
// long as it holds.
func TestConditionCode(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	ref := l.ref("P080A")
	l.m.Test(ref, 1, true)
	assert.Equal(t, []uds.DTC{0x080A}, l.m.Confirmed(nil), "at first sight")
	l.m.Clear(uds.AllGroups)
	assert.Empty(t, l.m.Confirmed(nil))
	l.m.Test(ref, 2, true)
	assert.Equal(t, []uds.DTC{0x080A}, l.m.Confirmed(nil))
	l.m.Test(ref, 3, false)
	assert.Equal(t, "2E", l.status("P080A"), "mended: stored until it is cleared or ages out")
	l.m.Clear(uds.AllGroups)
	l.m.Test(ref, 4, false)
	assert.Empty(t, l.m.Confirmed(nil))
}

func TestDebounce(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	ref := l.ref("P0102")
	at := func(ms int, failed bool) (byte, int8) {
		l.m.Test(ref, time.Duration(ms)*time.Millisecond, failed)
		return l.m.Status(ref), l.m.recs[ref].counter(&l.m.limits[ref])
	}
	step := func(ms int, failed bool, status byte, counter int8) {
		t.Helper()
		s, n := at(ms, failed)
		assert.Equal(t, status, s, "status at %d ms", ms)
		assert.Equal(t, counter, n, "fault detection counter at %d ms", ms)
	}
	step(1000, true, 0x50, 0)
	step(1050, true, 0x50, 63)
	step(1070, false, 0x50, 38)
	step(1130, true, 0x50, 114)
	step(1140, true, 0x27, 127)
	step(1150, false, 0x27, 0)
	step(1200, false, 0x27, -64)
	step(1250, false, 0x26, -128)
	step(1260, true, 0x26, 12)
	// A pause of the monitor counts as one long sample at most.
	step(9000, false, 0x26, -115)
}

// A monitor that did not run for long does not fail by the pause alone.
func TestAPauseIsNoDebounce(t *testing.T) {
	s := tinySpec(t, "")
	s.Codes[0].Fail = spec.Span(2 * time.Second)
	m := New(s)
	m.BeginCycle()
	m.Test(0, time.Second, true)
	m.Test(0, 10*time.Second, true)
	assert.Equal(t, byte(0x50), m.Status(0))
}

func TestNothingIsKeptOutsideTheCycleOrWhileStopped(t *testing.T) {
	l := newLife(t)
	l.test("P0335", true)
	assert.Equal(t, "50", l.status("P0335"), "no operation cycle")
	l.m.BeginCycle()
	l.m.SetRecording(false)
	l.test("P0335", true)
	assert.Equal(t, "50", l.status("P0335"), "service 85 off")
	l.m.SetRecording(true)
	l.test("P0335", true)
	assert.Equal(t, "AF", l.status("P0335"))
}

// Status bits that can never be together, whatever happens (ISO 14229-1 annex D).
func TestLifeKeepsItsInvariants(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := newLife(t)
		codes := []string{"P0102", "P0335", "P080A", "P0171", "P0420", "C0035"}
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			code := rapid.SampledFrom(codes).Draw(rt, "code")
			switch rapid.IntRange(0, 7).Draw(rt, "what") {
			case 0:
				l.m.BeginCycle()
			case 1:
				l.m.EndCycle()
			case 2:
				l.m.Started()
			case 3:
				l.m.WarmUp()
			case 4:
				l.m.Clear(rapid.SampledFrom([]uint32{uds.AllGroups, uds.EmissionGroup, 0x033531}).Draw(rt, "group"))
			case 5:
				l.test(code, true)
			case 6:
				l.test(code, false)
			case 7:
				l.m.SetRecording(rapid.Bool().Draw(rt, "recording"))
			}
			for i := range l.m.recs {
				checkRecord(rt, &l.m.recs[i])
			}
			lit := 0
			for i := range l.m.recs {
				if l.m.recs[i].status&uds.WarningIndicatorRequested != 0 {
					lit++
				}
			}
			require.Equal(rt, lit, l.m.lamps)
			require.Equal(rt, l.m.frame.code >= 0, l.m.FrameCode() != 0)
		}
	})
}

func checkRecord(t *rapid.T, r *record) {
	has := func(bits byte) bool { return r.status&bits == bits }
	require.False(t, has(uds.TestFailed|uds.TestNotCompletedSinceLastClear), "failed without a completed test: %02X", r.status)
	require.False(t, has(uds.TestFailedThisOperationCycle|uds.TestNotCompletedThisOperationCycle), "failed in a cycle without a completed test: %02X", r.status)
	require.False(t, has(uds.TestNotCompletedSinceLastClear) && !has(uds.TestNotCompletedThisOperationCycle), "completed in this cycle but not since clear: %02X", r.status)
	if has(uds.TestFailedThisOperationCycle) {
		require.True(t, has(uds.PendingDTC|uds.TestFailedSinceLastClear), "%02X", r.status)
	}
	if has(uds.WarningIndicatorRequested) {
		require.True(t, has(uds.ConfirmedDTC), "lamp without a confirmed code: %02X", r.status)
	}
	if has(uds.ConfirmedDTC) || has(uds.PendingDTC) {
		require.True(t, has(uds.TestFailedSinceLastClear), "%02X", r.status)
	}
}
