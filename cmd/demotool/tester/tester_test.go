package tester

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

func liveValue(t *testing.T, vs []Value, name string) float64 {
	t.Helper()
	for _, v := range vs {
		if v.Name == name {
			return v.Value
		}
	}
	require.Fail(t, "no value", name)
	return 0
}

// TestHealthCheck reads everything of a car whose answers are the worked
// examples of SAE J1979 and ISO 14229-1.
func TestHealthCheck(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check"})
	w.car()
	d := w.run(10 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	assert.Empty(t, d.Problems)
	assert.Equal(t, "TESTCAR0123456789", d.VIN)
	require.Len(t, d.ECUs, 3)

	e := d.ECUs[0]
	assert.Equal(t, []string{"ECM", "EngineControl", "7E0", "7E8", "obd"}, []string{e.Name, e.Title, e.Listens, e.Answers, e.Protocol})
	assert.Equal(t, []string{"P48-CAL-01"}, e.Calibrations)
	assert.Equal(t, []string{"00123456"}, e.Verifications)
	assert.Equal(t, []Code{{Code: "P080A"}, {Code: "P0335"}}, e.Stored)
	assert.Equal(t, []Code{{Code: "P0102"}}, e.Pending)
	assert.Equal(t, []Code{}, e.Permanent)
	assert.True(t, e.Readiness.MIL)
	assert.Equal(t, "P080A", e.FreezeFrames[0].Code)
	assert.Equal(t, 604.0, liveValue(t, e.FreezeFrames[0].Values, "engine_rpm"))
	assert.Equal(t, 83.0, liveValue(t, e.FreezeFrames[0].Values, "coolant_c"))
	assert.Equal(t, 604.0, liveValue(t, e.Live, "engine_rpm"))
	assert.Equal(t, 14.3, liveValue(t, e.Live, "battery_v"))
	assert.Equal(t, 90.0, liveValue(t, e.Live, "oil_c"))
	// Forty identifiers of data; 03 and 34 oxygen sensors give two values.
	assert.Len(t, e.Live, len(liveValues)+1+2)

	b := d.ECUs[1]
	assert.Equal(t, "ABS", b.Name)
	assert.Equal(t, []Code{}, b.Stored)
	assert.Empty(t, b.VIN)
	assert.Empty(t, b.FreezeFrames)

	u := d.ECUs[2]
	assert.Equal(t, []string{"body", "Body", "7A0", "uds"}, []string{u.Name, u.Title, u.Listens, u.Protocol})
	assert.Equal(t, []Code{{"U0073", "00", "2F"}}, u.Stored)
	assert.Nil(t, u.Permanent, "the body has no permanent codes service: not read is not empty")
	assert.Equal(t, []Identifier{{"F190", "TESTCAR0123456789"}, {"F197", "Body"}, {"F18C", "B-001"}}, u.Identifiers)
}

// TestRequestsKeepTheRulesOfOBD checks ISO 15765-4: requests functional, eight
// bytes, at most six identifiers, no support identifiers among data, flow
// control physical with BS 0 and STmin 0.
func TestRequestsKeepTheRulesOfOBD(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check"})
	w.car()
	w.run(10 * time.Second)
	flows := 0
	for _, s := range w.trace {
		_, frame, _ := strings.Cut(s, " ")
		id, rest, _ := strings.Cut(frame, " ")
		require.True(t, strings.HasPrefix(rest, "[8] "), "eight bytes always: %s", s)
		b := unhex(rest[4:])
		switch id {
		case "7DF":
			n := int(b[0])
			require.LessOrEqual(t, n, 7)
			require.NotZero(t, n)
			if b[1] == 0x01 && n > 2 {
				for _, p := range b[2 : 1+n] {
					require.NotZero(t, p&0x1F, "support identifiers stay alone: %s", s)
				}
			}
			if b[1] == 0x02 {
				require.LessOrEqual(t, n, 7, "at most three pairs")
			}
		case "7E0", "7E1":
			flows++
			require.Equal(t, "[8] 30 00 00 CC CC CC CC CC", rest, "only flow control goes to physical OBD identifiers")
		}
	}
	assert.Positive(t, flows)
	// The engine's first frame is answered to the engine, the brake's to the brake.
	assert.Positive(t, w.count(" 7E1 [8] 30"))
}

// TestNextRequestWaitsForP2 wants the whole of P2 (50 ms, ISO 15765-4) where
// the set of those who answer is not known, and no longer than needed where it is.
func TestNextRequestWaitsForP2(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.car()
	w.run(10 * time.Second)
	discovery := w.first("7DF [8] 02 01 00")
	next := w.first("7DF [8] 02 01 01")
	assert.GreaterOrEqual(t, next-discovery, 50*time.Millisecond)
	assert.Less(t, next-discovery, 300*time.Millisecond)
	assert.Less(t, w.first("7DF [8] 01 07")-w.first("7DF [8] 01 03"), 50*time.Millisecond)
}

func TestLateStartOfAnAnswerIsStillTaken(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, liveScript(engineTable, liveValues))
	// 49 ms is within P2.
	w.add("brake", standard(0x7E1), standard(0x7E9), true, scripted(with(brakeTable, map[string][]string{"01 00": {"+49ms 41 00 80 00 00 00"}, "03": {"+49ms 43 00"}})))
	d := w.run(10 * time.Second)
	require.Len(t, d.ECUs, 2)
	assert.Equal(t, []Code{}, d.ECUs[1].Stored)
	assert.Equal(t, 1, w.count("7DF [8] 01 03"))
}

// TestPendingThenAnswer is the case "7F 09 78, then the answer at 4 s": wait, no repeat.
func TestPendingThenAnswer(t *testing.T) {
	w := newWorld(t, Config{Task: "identify", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true,
		scripted(with(engineTable, map[string][]string{"09 06": {"7F 09 78", "+4s 49 06 01 00 12 34 56"}})))
	d := w.run(20 * time.Second)
	assert.Equal(t, []string{"00123456"}, d.ECUs[0].Verifications)
	assert.Equal(t, 1, w.count("7DF [8] 02 09 06"))
	assert.Empty(t, d.Problems)
}

// TestPendingForEver is the case "5 seconds of silence after 78": give up after P2*.
func TestPendingForEver(t *testing.T) {
	w := newWorld(t, Config{Task: "identify", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true,
		scripted(with(engineTable, map[string][]string{"09 06": {"7F 09 78"}})))
	d := w.run(20 * time.Second)
	require.Equal(t, StatusDone, d.Status)
	assert.Nil(t, d.ECUs[0].Verifications)
	require.Len(t, d.Problems, 1)
	assert.Contains(t, d.Problems[0], "no answer within 5s")
	assert.Equal(t, 1, w.count("7DF [8] 02 09 06"))
	assert.GreaterOrEqual(t, w.now, 5*time.Second)
}

func TestBusyIsRepeated(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	n := 0
	base := liveScript(engineTable, liveValues)
	w.add("engine", standard(0x7E0), standard(0x7E8), true, func(now time.Duration, fn bool, req []byte) []answer {
		if req[0] == 0x03 {
			if n++; n <= 2 {
				return []answer{parseAnswer("7F 03 21")}
			}
		}
		return base(now, fn, req)
	})
	d := w.run(10 * time.Second)
	assert.Equal(t, []Code{{Code: "P080A"}, {Code: "P0335"}}, d.ECUs[0].Stored)
	assert.Equal(t, 3, w.count("7DF [8] 01 03"))
}

func TestBusyForEverIsReported(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(with(engineTable, map[string][]string{"03": {"7F 03 21"}})))
	d := w.run(10 * time.Second)
	assert.Nil(t, d.ECUs[0].Stored)
	assert.Contains(t, strings.Join(d.Problems, "\n"), "busy")
}

// TestInterleaved has two control units whose consecutive frames mix on the
// wire: both messages are kept apart (ISO 15765-2), with a flow control each.
func TestInterleaved(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(with(engineTable, map[string][]string{
		"03": {"43 05 01 01 01 02 01 03 01 04 01 05"},
	})))
	w.add("brake", standard(0x7E1), standard(0x7E9), true, scripted(with(brakeTable, map[string][]string{
		"03": {"+5ms 43 05 40 01 40 02 40 03 40 04 40 05"},
	})))
	d := w.run(10 * time.Second)
	require.Len(t, d.ECUs, 2)
	assert.Len(t, d.ECUs[0].Stored, 5)
	assert.Equal(t, Code{Code: "P0105"}, d.ECUs[0].Stored[4])
	assert.Len(t, d.ECUs[1].Stored, 5)
	assert.Equal(t, Code{Code: "C0005"}, d.ECUs[1].Stored[4])
	i, j := w.first("7E8 [8] 10 0C"), w.first("7E9 [8] 10 0C")
	assert.Less(t, i, w.first("7E9 [8] 21"))
	assert.Less(t, j, w.first("7E8 [8] 21"), "the test means nothing unless the messages overlap")
}

func TestExtendedIdentifiers(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check", UDS: []Pair{}})
	// ISO 15765-4: functional 18DB33F1, answers 18DAF1xx, flow control 18DAxxF1.
	w.add("engine", canbus.KeyOf(0x18DA10F1, true), canbus.KeyOf(0x18DAF110, true), true, liveScript(engineTable, liveValues))
	d := w.run(10 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	assert.Equal(t, "TESTCAR0123456789", d.VIN)
	assert.Equal(t, "18DA10F1", d.ECUs[0].Listens)
	assert.Positive(t, w.count("18DA10F1 [8] 30 00 00"))
	assert.Equal(t, 1, w.count(" 7DF "), "one try with 11 bits")
}

// Units of emission OBD that are late to wake are found although another unit has
// answered before them.
func TestLateUnitsAreFoundBehindAnEarlyOne(t *testing.T) {
	w := newWorld(t, Config{Task: "identify", UDS: []Pair{{Name: "body", Request: canbus.KeyOf(0x18DA40F1, true), Respond: canbus.KeyOf(0x18DAF140, true)}}})
	live := liveScript(engineTable, liveValues)
	w.add("engine", canbus.KeyOf(0x18DA10F1, true), canbus.KeyOf(0x18DAF110, true), true, func(now time.Duration, functional bool, req []byte) []answer {
		if now < 600*time.Millisecond {
			return nil
		}
		return live(now, functional, req)
	})
	w.add("body", canbus.KeyOf(0x18DA40F1, true), canbus.KeyOf(0x18DAF140, true), false, scripted(map[string][]string{"3E 00": {"7E 00"}}))
	d := w.run(20 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	require.Len(t, d.ECUs, 2)
	assert.Equal(t, "18DA10F1", d.ECUs[0].Listens)
	assert.Equal(t, "18DA40F1", d.ECUs[1].Listens)
}

func TestEqualNumbersOfBothFormatsAreKeptApart(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.car()
	f := canbus.NewExtended(0x7E8, 0x06, 0x41, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0)
	w.raw = append(w.raw, answerFrame{2 * time.Millisecond, f})
	d := w.run(10 * time.Second)
	assert.Len(t, d.ECUs, 2)
}

func TestNobodyThere(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check"})
	d := w.run(20 * time.Second)
	assert.Equal(t, StatusNoCar, d.Status)
	assert.Empty(t, d.ECUs)
	assert.NotNil(t, d.ECUs)
	assert.Equal(t, 3, w.count(" 7DF [8] 02 01 00"))
	assert.Equal(t, 3, w.count("18DB33F1 [8] 02 01 00"))
	assert.Equal(t, 3, w.count("7A0 [8] 02 3E 00"))
}

func TestNobodyAcknowledges(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check"})
	w.car()
	w.cut = func(time.Duration) bool { return true }
	d := w.run(20 * time.Second)
	assert.Equal(t, StatusNoCar, d.Status)
	assert.Contains(t, d.Reason, "acknowledges")
	assert.Len(t, w.held, 1, "one frame waits; no more are piled up behind it")
}

func TestCablePulledForGood(t *testing.T) {
	for at := 100 * time.Millisecond; at < 1500*time.Millisecond; at += 37 * time.Millisecond {
		w := newWorld(t, Config{Task: "health-check"})
		w.car()
		w.cut = func(now time.Duration) bool { return now >= at }
		d := w.run(60 * time.Second)
		if d.Status == StatusDone {
			require.Less(t, w.now, at+50*time.Millisecond, "done only if it was done before")
			continue
		}
		require.Contains(t, []int{StatusLost, StatusNoCar}, d.Status, "pulled at %v", at)
	}
}

func TestCablePutBack(t *testing.T) {
	for at := 150 * time.Millisecond; at < 900*time.Millisecond; at += 61 * time.Millisecond {
		w := newWorld(t, Config{Task: "health-check"})
		w.car()
		w.cut = func(now time.Duration) bool { return now >= at && now < at+3*time.Second }
		d := w.run(60 * time.Second)
		require.Equal(t, StatusDone, d.Status, "pulled at %v: %s", at, d.Reason)
		assert.Equal(t, []Code{{Code: "P080A"}, {Code: "P0335"}}, d.ECUs[0].Stored, "pulled at %v", at)
		assert.Equal(t, "TESTCAR0123456789", d.VIN)
	}
}

func TestOneControlUnitDies(t *testing.T) {
	w := newWorld(t, Config{Task: "health-check"})
	_, brake, _ := w.car()
	base := brake.script
	brake.script = func(now time.Duration, fn bool, req []byte) []answer {
		if req[0] == 0x03 {
			brake.dead = true
			return nil
		}
		return base(now, fn, req)
	}
	d := w.run(30 * time.Second)
	require.Equal(t, StatusPartly, d.Status, "a check that lacks a control unit's codes is not done")
	assert.Contains(t, d.Reason, "ABS did not answer service 03")
	assert.NotNil(t, d.ECUs[0].Stored)
	assert.Nil(t, d.ECUs[1].Stored, "not read is not the same as no codes")
	assert.Contains(t, strings.Join(d.Problems, "\n"), "ABS: no answer to request 03")
}

func TestFramesThatOBDForbidsAreIgnored(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(engineTable))
	w.frameFn = func(f *canbus.Frame) []canbus.Frame {
		if f.Data[1] == 0x43 { // ISO 15765-4: data frames of other than 8 bytes are ignored
			g := *f
			g.Len = 7
			return []canbus.Frame{g}
		}
		return []canbus.Frame{*f}
	}
	d := w.run(30 * time.Second)
	assert.Nil(t, d.ECUs[0].Stored)
	assert.Equal(t, 3*(1+maxReturns), w.count("7DF [8] 01 03"), "repeated, probed, and given up")
	assert.Equal(t, StatusPartly, d.Status)
}

func TestWrongSequenceNumberIsReportedAndRepeated(t *testing.T) {
	w := newWorld(t, Config{Task: "identify", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(engineTable))
	altered := false
	w.frameFn = func(f *canbus.Frame) []canbus.Frame {
		if !altered && f.Data[0] == 0x22 && f.ID == 0x7E8 {
			altered = true
			g := *f
			g.Data[0] = 0x23
			return []canbus.Frame{g}
		}
		return []canbus.Frame{*f}
	}
	d := w.run(30 * time.Second)
	assert.Equal(t, "TESTCAR0123456789", d.VIN)
	assert.Equal(t, "ECM", d.ECUs[0].Name)
	assert.Contains(t, strings.Join(d.Problems, "\n"), "N_WRONG_SN")
}

func TestAnswersThatDoNotBelong(t *testing.T) {
	w := newWorld(t, Config{Task: "read-codes", UDS: []Pair{}})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, scripted(with(engineTable, map[string][]string{
		"01 01": {"41 0C 09 70", "+10ms 41 01 83 07 65 00"}, // a PID not asked, then the right one
		"03":    {"47 00", "+10ms 43 03 08 0A 03 35"},       // an answer to 07; a count that is wrong
		"07":    {"7F 07"},                                  // too short
	})))
	d := w.run(30 * time.Second)
	e := d.ECUs[0]
	require.NotNil(t, e.Readiness)
	assert.Equal(t, 3, e.Readiness.Count)
	assert.Len(t, e.Stored, 2)
	assert.Nil(t, e.Pending)
	all := strings.Join(d.Problems, "\n")
	for _, want := range []string{"41 0C 09 70 does not belong", "47 00 does not belong", "count says 3", "negative answer of 2 bytes"} {
		assert.Contains(t, all, want)
	}
}

func TestOverallLimit(t *testing.T) {
	w := newWorld(t, Config{Task: "identify", UDS: []Pair{}, Limit: 3 * time.Second})
	w.add("engine", standard(0x7E0), standard(0x7E8), true, func(now time.Duration, fn bool, req []byte) []answer {
		if req[0] == 0x09 && req[1] == 0x06 {
			var as []answer
			for i := range 100 {
				as = append(as, answer{time.Duration(i)*500*time.Millisecond + 5*time.Millisecond, unhex("7F0978")})
			}
			return as
		}
		return scripted(engineTable)(now, fn, req)
	})
	d := w.run(4 * time.Second)
	assert.Equal(t, StatusStopped, d.Status)
	assert.Equal(t, "TESTCAR0123456789", d.VIN, "what was read is kept")
}

func TestUsage(t *testing.T) {
	for _, c := range []Config{
		{}, {Task: "dance"}, {Task: "learn"}, {Task: "learn", Position: "seat"}, {Task: "identify", Position: "clutch"},
		{Task: "identify", Limit: -1}, {Task: "identify", UDS: []Pair{{Name: "x", Request: 1, Respond: 1}}},
	} {
		_, err := New(c)
		require.ErrorIs(t, err, ErrUsage, fmt.Sprint(c))
	}
	_, err := Start("identify", map[string]string{"colour": "red"})
	require.ErrorIs(t, err, ErrUsage)
	m, err := Start("learn", map[string]string{"position": "clutch"})
	require.NoError(t, err)
	at, ok := m.Deadline()
	assert.True(t, ok)
	assert.Zero(t, at, "it begins at once")
}

// TestSameInputSameOutput: the tester depends on nothing but its input.
func TestSameInputSameOutput(t *testing.T) {
	run := func() ([]string, string) {
		w := newWorld(t, Config{Task: "health-check"})
		w.car()
		w.run(10 * time.Second)
		return w.trace, string(w.tool.Output())
	}
	t1, o1 := run()
	t2, o2 := run()
	assert.Equal(t, t1, t2)
	assert.Equal(t, o1, o2)
}

// A defect is found by its id, so one that is there twice could never be had.
func TestDefectsAreEachThereOnce(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range Defects() {
		require.NotEmpty(t, d.ID)
		require.NotEmpty(t, d.Group, d.ID)
		require.NotEmpty(t, d.Says, d.ID)
		require.NotNil(t, d.install, d.ID)
		require.False(t, seen[d.ID], d.ID)
		require.NotContains(t, d.Group, "-", "%s: an id in the place of a group", d.ID)
		seen[d.ID] = true
	}
}

// The steady style comes to the same in another way: single items, no calibrations, codes
// by UDS from every unit.
func TestTheSteadyStyleIsAnotherWayToTheSame(t *testing.T) {
	docs, worlds := map[string]*Document{}, map[string]*world{}
	for _, style := range Styles {
		w := newWorld(t, Config{Task: "health-check", Style: style})
		w.car()
		docs[style], worlds[style] = w.run(20*time.Second), w
	}
	swift, steady := docs[StyleSwift], docs[StyleSteady]
	assert.Equal(t, swift.VIN, steady.VIN)
	assert.Equal(t, swift.ECUs[0].Stored, steady.ECUs[0].Stored)
	assert.Len(t, steady.ECUs[0].Live, len(swift.ECUs[0].Live))
	assert.NotEmpty(t, swift.ECUs[0].Calibrations)
	assert.Nil(t, steady.ECUs[0].Calibrations)
	assert.Zero(t, worlds[StyleSwift].count("7E1 [8] 03 19 02"))
	assert.NotZero(t, worlds[StyleSteady].count("7E1 [8] 03 19 02"))
	_, err := New(Config{Task: "identify", Style: "hasty"})
	require.ErrorIs(t, err, ErrUsage)
}
