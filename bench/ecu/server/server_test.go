package server

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Response pending (ISO 14229-2): the first 78 before P2 is over, each next one
// before P2* is over and not sooner than 0.3 P2*, then exactly one answer.
func TestResponsePendingTimes(t *testing.T) {
	s := *loadUnit(t, "ecu-engine.yaml")
	s.Slow = []spec.Slow{{Service: 0x22, Takes: spec.Span(12 * time.Second)}}
	r := newRig(t, &s)
	start := r.now
	r.server.Request(r.now, false, []byte{0x22, 0xF1, 0x86})
	var times []time.Duration
	var last string
	for r.now < start+20*time.Second {
		if a, ok := r.server.NextResponse(); ok {
			times, last = append(times, r.now-start), ecutest.Spaced(a)
			r.server.Sent(r.now)
			continue
		}
		at, ok := r.server.Deadline()
		if !ok {
			break
		}
		r.now = at
		r.server.Tick(r.now)
	}
	require.Equal(t, "62 F1 86 01", last)
	require.Len(t, times, 5)
	assert.Less(t, times[0], 50*time.Millisecond)
	for i := 1; i < len(times); i++ {
		gap := times[i] - times[i-1]
		assert.Less(t, gap, 5*time.Second)
		if i < len(times)-1 {
			assert.GreaterOrEqual(t, gap, 1500*time.Millisecond)
		}
	}
	assert.Equal(t, 12*time.Second, times[4])
}

// After a 78 the final answer must come, whatever it is: also one that a
// functional request would not get, also one with the suppress bit.
func TestAfterPendingTheAnswerMustCome(t *testing.T) {
	s := *loadUnit(t, "ecu-engine.yaml")
	s.Slow = []spec.Slow{{Service: 0x31, Takes: spec.Span(200 * time.Millisecond)}}
	r := newRig(t, &s)
	r.ask("10 03")
	r.plant.Set("clutch_v", 3.86)
	assert.Equal(t, []string{"7F 31 78", "71 01 02 10 01"}, r.answers(true, "31 81 02 10", time.Second), "suppress bit")
	r.wait(4 * time.Second)
	// The pedal comes up while the unit thinks about the request.
	r.server.Request(r.now, false, []byte{0x31, 0x01, 0x02, 0x10})
	r.wait(100 * time.Millisecond)
	r.plant.Set("clutch_v", 1)
	r.wait(200 * time.Millisecond)
	var got []string
	for a, ok := r.server.NextResponse(); ok; a, ok = r.server.NextResponse() {
		got = append(got, ecutest.Spaced(a))
	}
	assert.Equal(t, []string{"7F 31 78", "7F 31 22"}, got)
}

func TestAFloodOfRequestsIsBounded(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	for range 100 {
		r.server.Request(r.now, false, []byte{0x3E, 0x00})
	}
	assert.Equal(t, 100-maxQueue, r.server.Dropped())
	assert.Len(t, r.answers(false, "3E 00", time.Second), maxQueue, "and then it is as before")
	assert.Equal(t, "7E 00", r.ask("3E 00"))
}

// The same seed gives the same seeds and the same times.
func TestServersAreDeterministic(t *testing.T) {
	run := func() string {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		r.ask("10 03")
		return r.ask("27 01") + r.now.String()
	}
	assert.Equal(t, run(), run())
}

// check is the property of every answer: nothing, positive with SID + 40, or a
// well-formed negative response to this request.
func checkAnswer(t testing.TB, req, answer []byte) {
	t.Helper()
	require.NotEmpty(t, answer)
	if answer[0] == uds.NegativeResponse {
		require.Len(t, answer, 3)
		require.Equal(t, req[0], answer[1], "negative response to another service")
		require.NotZero(t, answer[2])
		return
	}
	require.Equal(t, req[0]|0x40, answer[0])
	require.LessOrEqual(t, len(answer), spec.MaxMessage)
}

// isPeriodic reports an answer that nothing asks for each time (ISO 14229-3, answers of
// type 1): a periodic identifier that was started, and data for one frame.
func isPeriodic(answer []byte, running map[byte]bool) bool {
	return len(answer) > 1 && len(answer) <= 1+periodicBytes && running[answer[0]]
}

// FuzzRequest sends arbitrary requests, one after the other, separated by FF FF.
func FuzzRequest(f *testing.F) {
	for _, seed := range []string{
		"0100", "010C0D", "0202000C00", "03", "04", "0906", "0A", "1003FFFF2701FFFF270200000000", "1002", "1003FFFF1101",
		"14FFFFFF", "1902FF", "1904080A54FF", "1906080A54FF", "190A", "1914", "22F190F186", "22F40C", "22F80A",
		"1003FFFF280301FFFF8502", "1003FFFF2EF19830", "1003FFFF31010210FFFF31030210FFFF31020210", "3E80", "3E00",
		"1003FFFF2C01F200F40C0101FFFF2A0300FFFF3E00FFFF2A04", "7F2278", "", "BA",
	} {
		b, err := hex.DecodeString(seed)
		require.NoError(f, err)
		f.Add(b, true)
		f.Add(b, false)
	}
	spec := loadUnit(f, "ecu-engine.yaml")
	f.Fuzz(func(t *testing.T, data []byte, functional bool) {
		r := newRig(t, spec)
		r.plant.Set("clutch_v", 3.9)
		running := map[byte]bool{} // identifiers that a service 2A has started
		for _, part := range strings.Split(string(data), "\xFF\xFF") {
			req := []byte(part)
			if len(req) > 4095 {
				continue
			}
			r.server.Request(r.now, functional, req)
			pended := false
			for end := r.now + 700*time.Millisecond; r.now < end; {
				for _, p := range r.server.periods {
					running[p.id] = true
				}
				for a, ok := r.server.NextResponse(); ok; a, ok = r.server.NextResponse() {
					if isPeriodic(a, running) {
						r.server.Sent(r.now)
						continue
					}
					checkAnswer(t, req, a)
					if a[0] == uds.NegativeResponse {
						require.False(t, functional && uds.NRC(a[2]).UnsaidToAll() && !pended, "not to be said on the functional identifier: % X", a)
						pended = pended || a[2] == byte(uds.ResponsePending)
					}
					r.server.Sent(r.now)
				}
				r.wait(50 * time.Millisecond)
			}
		}
		at, ok := r.server.Deadline()
		require.True(t, !ok || at > r.now, "a deadline in the past would never let the loop go on")
	})
}

// The harness can fail: an answer of another shape is found.
func TestTheAnswerCheckCanFail(t *testing.T) {
	for _, bad := range []string{"7F2222FF", "7F2311", "637F", "7F2200"} {
		b, _ := hex.DecodeString(bad)
		probe := &failing{TB: t}
		func() {
			defer func() { _ = recover() }()
			checkAnswer(probe, []byte{0x22, 0xF1, 0x90}, b)
		}()
		assert.True(t, probe.failed, bad)
	}
}

// failing is a test that only notes that it failed.
type failing struct {
	testing.TB
	failed bool
}

func (f *failing) Helper()               {}
func (f *failing) Errorf(string, ...any) { f.failed = true }
func (f *failing) FailNow()              { panic("failed") }

func BenchmarkCurrentData(b *testing.B) {
	r := newRig(b, loadUnit(b, "ecu-engine.yaml"))
	req := []byte{0x01, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F}
	b.ReportAllocs()
	for range b.N {
		r.server.Request(r.now, true, req)
		r.now += 20 * time.Millisecond
		r.server.Tick(r.now)
		if _, ok := r.server.NextResponse(); !ok {
			b.Fatal("no answer")
		}
	}
}

// What a fault of the unit refuses is not done: neither a clear nor a session, and a
// request that takes its time is refused when its time is over (ISO 14229-1 clause 7.5: a
// negative response says that the service was not carried out).
func TestWhatIsRefusedIsNotDone(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.fail("P0335")
	var seen []string
	remove := r.server.Refuse(func(answer []byte) (uds.NRC, bool) {
		seen = append(seen, ecutest.Spaced(answer))
		return uds.ConditionsNotCorrect, answer[0] != 0x62
	})
	assert.Equal(t, []string{"7F 04 78", "7F 04 22"}, r.answers(false, "04", time.Second), "the engine unit takes its time to clear")
	assert.NotEmpty(t, r.mem.Confirmed(nil))
	assert.Equal(t, "7F 10 22", r.ask("10 03"))
	assert.Equal(t, "62 F1 86 01", r.ask("22 F1 86"))
	assert.Equal(t, []string{"44", "50 03 00 32 01 F4", "62 F1 86 01"}, seen, "each request once")
	remove()
	assert.Equal(t, []string{"7F 04 78", "44"}, r.answers(false, "04", time.Second))
	assert.Empty(t, r.mem.Confirmed(nil))
}
