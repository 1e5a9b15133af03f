package monitor

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/task"
)

func (r *rig) fault(t time.Duration, kind judge.Kind, name string) *rig {
	o := judge.Saw(kind, t)
	o.Fault = name
	return r.see(o)
}

func TestWhileFaultsOn(t *testing.T) {
	r := newRig(t)
	clears := r.cond(`event.kind == "request" && event.service == 0x04`)
	w := WhileFaultsOn{Hold: clears, Never: true, Of: []string{"cable"}}
	play := func(w Want, at time.Duration) judge.Verdict {
		r.want(w).message(judge.Request, 5*ms, "", 0x04).fault(10*ms, judge.FaultOn, "cable")
		if at > 0 {
			r.message(judge.Request, at, "", 0x04)
		}
		return r.fault(100*ms, judge.FaultOff, "cable").message(judge.Request, 110*ms, "", 0x04).finish(time.Second)
	}
	require.Equal(t, judge.Pass, play(w, 0).Outcome, "before and afterwards it is allowed")
	v := play(w, 50*ms)
	require.Equal(t, judge.Fail, v.Outcome)
	require.Equal(t, 50*ms, v.Decided)
	require.Contains(t, v.Reason, "while cable was on")

	w.Of = []string{"plug"}
	v = play(w, 50*ms)
	require.Equal(t, judge.Pass, v.Outcome)
	require.True(t, v.Nothing)
	require.Contains(t, v.Reason, "plug was never on")

	// With a distance: how near the forbidden came, in that phase only.
	r.want(WhileFaultsOn{Hold: r.cond("engine_rpm > 100"), Never: true}).at(0, "engine_rpm", 700).at(20*ms, "engine_rpm", 60)
	v = r.fault(30*ms, judge.FaultOn, "cable").at(40*ms, "engine_rpm", 80).fault(50*ms, judge.FaultOff, "cable").at(60*ms, "engine_rpm", 700).got(time.Second, judge.Pass)
	require.Equal(t, judge.Margin{Value: 20, Unit: "rpm", Known: true}, v.Margin)

	// Always, instead of never.
	r.want(WhileFaultsOn{Hold: r.cond("engine_rpm > 100")}).at(0, "engine_rpm", 60).fault(10*ms, judge.FaultOn, "cable")
	require.Equal(t, 10*ms, r.got(time.Second, judge.Fail).Decided)
}

func TestRecovers(t *testing.T) {
	r := newRig(t)
	answer := r.cond(`event.kind == "response" && event.positive`)
	w := Recovers{That: answer, Within: 500 * ms}
	cut := func(w Want) *rig {
		return r.want(w).fault(100*ms, judge.FaultOn, "cable").fault(200*ms, judge.FaultOff, "cable")
	}

	v := cut(w).message(judge.Response, 500*ms, "engine", 0x41, 0x0C).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(200*ms), v.Margin)
	require.Equal(t, "fault-off cable", v.Evidence[0].Text)
	require.Equal(t, 1, v.Evidence[1].First)

	cut(w).at(700*ms, "x", 0)
	require.False(t, r.j.Decided(), "at its deadline it may still come")
	require.True(t, r.j.Waiting())
	r.at(720*ms, "x", 0)
	require.True(t, r.j.Decided())
	v = r.message(judge.Response, 900*ms, "engine", 0x41, 0x0C).got(time.Second, judge.Fail)
	require.Equal(t, 720*ms, v.Decided)
	require.Equal(t, judge.TimeMargin(-200*ms), v.Margin, "how late it recovered")
	require.Contains(t, v.Reason, "cable")

	v = cut(w).got(600*ms, judge.Undecided)
	require.Contains(t, v.Reason, "there was time until 0.700 s")
	v = r.want(w).fault(100*ms, judge.FaultOn, "cable").got(time.Second, judge.Undecided)
	require.Contains(t, v.Reason, "still on")
	require.True(t, r.want(w).got(time.Second, judge.Pass).Nothing)

	// A fault that comes again makes the wait void; another fault may still be on.
	cut(w).fault(400*ms, judge.FaultOn, "cable").fault(800*ms, judge.FaultOff, "cable").message(judge.Response, 900*ms, "engine", 0x41, 0x0C)
	v = r.got(2*time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(400*ms), v.Margin)
	r.want(w).fault(100*ms, judge.FaultOn, "cable").fault(110*ms, judge.FaultOn, "plug").fault(200*ms, judge.FaultOff, "cable").at(900*ms, "x", 0)
	require.False(t, r.j.Decided(), "the plug is still off")
	w.Of = []string{"cable"}
	r.want(w).fault(100*ms, judge.FaultOn, "cable").fault(110*ms, judge.FaultOn, "plug").fault(200*ms, judge.FaultOff, "cable").at(900*ms, "x", 0)
	require.Equal(t, judge.Fail, r.finish(time.Second).Outcome)
}

func TestRecoversForATime(t *testing.T) {
	r := newRig(t)
	w := Recovers{That: r.cond("engine_rpm > 400"), Within: 100 * ms, For: 60 * ms}
	cut := func() *rig {
		r.set("engine_rpm", 0)
		return r.want(w).fault(0, judge.FaultOn, "plug").fault(20*ms, judge.FaultOff, "plug")
	}
	cut().at(40*ms, "engine_rpm", 500).at(60*ms, "engine_rpm", 0).at(80*ms, "engine_rpm", 500).at(120*ms, "engine_rpm", 500)
	require.False(t, r.j.Decided())
	v := r.at(140*ms, "engine_rpm", 500).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(40*ms), v.Margin)

	v = cut().at(40*ms, "engine_rpm", 500).at(60*ms, "engine_rpm", 0).at(140*ms, "engine_rpm", 500).got(time.Second, judge.Fail)
	require.Equal(t, 140*ms, v.Decided)
	require.Equal(t, judge.Undecided, cut().at(100*ms, "engine_rpm", 500).finish(120*ms).Outcome)
}

// Answered is After for diagnostic messages: with one service and one module the two
// come to the same, margins and moments included.
func TestAnsweredAgreesWithAfter(t *testing.T) {
	r := newRig(t)
	request, response := r.cond(`event.kind == "request"`), r.cond(`event.kind == "response"`)
	for bits := range 1 << 10 {
		play := func(w Want) judge.Verdict {
			r.want(w)
			at := time.Duration(0)
			for i := range 5 {
				kind := judge.Kind(bits >> (2 * i) & 1)
				at += time.Duration(1+bits>>(2*i+1)&1) * 20 * ms
				r.message(kind, at, "engine", 0x22+0x40*byte(kind), 0xF1, 0x90)
			}
			return r.finish(at + 30*ms)
		}
		a, b := play(Answered{Request: request, Within: 50 * ms}), play(After{Event: request, Then: response, Within: 50 * ms})
		require.Equal(t, b.Outcome, a.Outcome, "%010b: %s / %s", bits, a.Reason, b.Reason)
		require.Equal(t, b.Margin, a.Margin, "%010b", bits)
		require.Equal(t, b.Decided, a.Decided, "%010b", bits)
	}
}

// ISO 14229-1:2020, 8.2.2: bit 7 of the sub-function suppresses the positive response,
// so that there is nothing to wait for.
func TestASuppressedResponseIsNotAwaited(t *testing.T) {
	r := newRig(t)
	r.want(Answered{Request: r.cond("event.service == 0x3E"), Within: 50 * ms}).message(judge.Request, 0, "engine", 0x3E, 0x80)
	require.True(t, r.at(time.Second, "x", 0).got(time.Second, judge.Pass).Nothing)
	r.want(Answered{Request: r.cond("event.service == 0x3E"), Within: 50 * ms}).message(judge.Request, 0, "engine", 0x3E, 0x00)
	require.Equal(t, judge.Fail, r.at(time.Second, "x", 0).finish(time.Second).Outcome)
}

func TestATaskOverItsTimeMayTurnOutToHang(t *testing.T) {
	r := newRig(t)
	w := Finished{Task: "learn", Statuses: []string{judge.StatusOK}, Within: time.Second}
	v := r.want(w).start(0, "learn").at(1020*ms, "x", 0).end(3*time.Second, "learn", judge.StatusTimeout, nil).got(4*time.Second, judge.Fail)
	require.Equal(t, judge.Hung, v.Cause)
	require.Equal(t, 1020*ms, v.Decided)
	require.Equal(t, judge.TimeMargin(-2*time.Second), v.Margin)
	v = r.want(w).start(0, "learn").at(1020*ms, "x", 0).end(1500*ms, "learn", judge.StatusOK, nil).got(4*time.Second, judge.Fail)
	require.Equal(t, judge.Broken, v.Cause)
	require.Equal(t, judge.TimeMargin(-500*ms), v.Margin)
}

func TestARunThatEndsBeforeTheWindowIsUndecided(t *testing.T) {
	r := newRig(t)
	for _, w := range []Want{
		Never{r.cond("engine_rpm > 100")}, Eventually{Hold: r.cond("engine_rpm > 100")},
		UntilThen{Hold: r.cond("x >= 0.0"), Then: r.cond("engine_rpm > 100")}, Count{Of: r.cond("engine_rpm > 100"), AtMost: 1},
	} {
		r.judge(Expectation{From: 2 * time.Second, Want: w}).at(0, "engine_rpm", 0)
		require.True(t, r.j.Waiting(), "the run is to go on until then")
		require.Contains(t, r.got(time.Second, judge.Undecided).Reason, "judging begins at 2.000 s", "%T", w)
	}
}

// What a report gets wrong has no room left, however near its other values are.
func TestTheMarginOfAWrongReportIsOfWhatIsWrong(t *testing.T) {
	r := newRig(t)
	w := Reported{Task: "health-check", Checks: []report.Check{
		{Field: "live", Name: "rpm", Signal: "engine_rpm", Within: 50}, {Field: "vin", Car: true}}}
	rep := &judge.Report{Reads: task.VIN | task.Live, Says: task.VIN | task.Live, VIN: "SWH48PETREL000002", Live: []judge.Live{{Name: "rpm", Value: 700}}}
	r.set("engine_rpm", 700)
	v := r.want(w).start(0, "health-check").end(time.Second, "health-check", judge.StatusOK, rep).got(2*time.Second, judge.Fail)
	require.False(t, v.Margin.Known, "got %v", v.Margin)
	rep.VIN, rep.Live[0].Value = "SWH48PETREL000001", 800
	v = r.want(w).start(0, "health-check").end(time.Second, "health-check", judge.StatusOK, rep).got(2*time.Second, judge.Fail)
	require.Equal(t, judge.Margin{Value: -50, Unit: "rpm", Known: true}, v.Margin)
}
