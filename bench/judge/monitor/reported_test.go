package monitor

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/task"
)

const everyField = task.VIN | task.ECUs | task.Stored | task.Pending | task.Permanent | task.Lamp | task.Learn | task.Readiness | task.Live

func said(change func(*judge.Report)) *judge.Report {
	r := &judge.Report{Reads: everyField, Says: everyField, VIN: "SWH48PETREL000001", ECUs: []string{"brake", "engine"},
		Stored: []string{"P080A"}, Lamp: true, Learn: task.LearnDone, Readiness: []judge.Readiness{{Monitor: "catalyst", State: "incomplete"}},
		Live: []judge.Live{{Name: "engine_rpm", Value: 850}}}
	if change != nil {
		change(r)
	}
	return r
}

func (r *rig) report(checks []report.Check, rep *judge.Report) judge.Verdict {
	r.want(Reported{Task: "health-check", Checks: checks})
	r.set("engine_rpm", 800).start(time.Second, "health-check").at(1100*ms, "engine_rpm", 800).at(1200*ms, "engine_rpm", 860).at(1900*ms, "engine_rpm", 900)
	return r.end(2*time.Second, "health-check", judge.StatusOK, rep).finish(3 * time.Second)
}

func TestReportedAsItWas(t *testing.T) {
	all := []report.Check{
		{Field: "vin", Car: true},
		{Field: "ecus", Car: true},
		{Field: "stored", Has: []string{"P080A"}, Exact: true},
		{Field: "pending", Exact: true},
		{Field: "permanent", Lacks: []string{"P0102"}},
		{Field: "lamp", Text: "on"},
		{Field: "learn", Text: "done"},
		{Field: "readiness", Name: "catalyst", Text: "incomplete"},
		{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10},
	}
	v := newRig(t).report(all, said(nil))
	require.Equal(t, judge.Pass, v.Outcome, v.Reason)
	require.Equal(t, judge.Margin{Value: 10, Unit: "rpm", Known: true}, v.Margin)
}

func TestReportedOtherwise(t *testing.T) {
	for _, c := range []struct {
		name   string
		check  report.Check
		change func(*judge.Report)
		want   string
	}{
		{"wrong vin", report.Check{Field: "vin", Car: true}, func(r *judge.Report) { r.VIN = "SWH48PETREL000002" }, `vin is reported as "SWH48PETREL000002"`},
		{"no vin", report.Check{Field: "vin", Car: true}, func(r *judge.Report) { r.Says &^= task.VIN }, "vin is not reported"},
		{"module missed", report.Check{Field: "ecus", Car: true}, func(r *judge.Report) { r.ECUs = []string{"engine"} }, "brake wanted and not said"},
		{"module twice", report.Check{Field: "ecus", Car: true}, func(r *judge.Report) { r.ECUs = []string{"engine", "engine", "brake"} }, "engine said and not wanted"},
		{"too few", report.Check{Field: "ecus", AtLeast: 3}, nil, "2 entries, wanted are at least 3"},
		{"too many", report.Check{Field: "ecus", AtMost: 1}, nil, "2 entries, wanted are at most 1"},
		{"code missed", report.Check{Field: "stored", Has: []string{"P080A"}}, func(r *judge.Report) { r.Stored = nil }, "P080A wanted and not said"},
		{"code invented", report.Check{Field: "stored", Has: []string{"P080A"}, Exact: true}, func(r *judge.Report) { r.Stored = append(r.Stored, "P0080") }, "P0080 said and not wanted"},
		{"one wrong", report.Check{Field: "stored", Has: []string{"P080A"}, Exact: true}, func(r *judge.Report) { r.Stored = []string{"P0A80"} }, "P080A wanted and not said, P0A80 said and not wanted"},
		{"not gone", report.Check{Field: "stored", Lacks: []string{"P080A"}}, nil, "P080A said and not wanted"},
		{"lamp", report.Check{Field: "lamp", Text: "on"}, func(r *judge.Report) { r.Lamp = false }, `lamp is reported as "off", wanted is "on"`},
		{"monitor", report.Check{Field: "readiness", Name: "evap", Text: "complete"}, nil, "readiness evap is not reported"},
		{"value off", report.Check{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10}, func(r *judge.Report) { r.Live[0].Value = 3400 }, "reported as 3400, true was 800 to 900"},
		{"no value", report.Check{Field: "live", Name: "coolant_c", Signal: "x", Within: 10}, nil, "live coolant_c is not reported"},
		{"number", report.Check{Field: "live", Name: "engine_rpm", Number: 600, Within: 10}, nil, "true was 600 to 600"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := newRig(t).report([]report.Check{c.check}, said(c.change))
			require.Equal(t, judge.Fail, v.Outcome, v.Reason)
			require.Contains(t, v.Reason, c.want)
			require.Len(t, v.Evidence, 1)
		})
	}
}

func TestAValueMayBeAsOldAsSaid(t *testing.T) {
	c := report.Check{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10, Age: 200 * ms}
	v := newRig(t).report([]report.Check{c}, said(func(r *judge.Report) { r.Live[0].Value = 800 }))
	require.Equal(t, judge.Fail, v.Outcome, "800 was true at 1.1 s, too long before the end")
	require.Contains(t, v.Reason, "true was 860 to 900", "the value of the last sample before still stood")
	v = newRig(t).report([]report.Check{c}, said(func(r *judge.Report) {
		r.Live[0] = judge.Live{Name: "engine_rpm", Value: 800, At: 1150 * ms, HasTime: true}
	}))
	require.Equal(t, judge.Pass, v.Outcome, "but it was read at 1.15 s")
}

func TestWhatTheProfileDoesNotReadIsNotJudged(t *testing.T) {
	checks := []report.Check{{Field: "vin", Car: true}}
	v := newRig(t).report(checks, said(func(r *judge.Report) { r.Reads &^= task.VIN }))
	require.Equal(t, judge.NotApplicable, v.Outcome)
	require.Equal(t, judge.NotApplicable, newRig(t).report(checks, nil).Outcome)
	checks = append(checks, report.Check{Field: "lamp", Text: "off"})
	v = newRig(t).report(checks, said(func(r *judge.Report) { r.Reads &^= task.VIN }))
	require.Equal(t, judge.Fail, v.Outcome, "the rest is judged all the same")
}

func TestReportedOfOneRunOfATask(t *testing.T) {
	r := newRig(t)
	w := Reported{Task: "read-codes", Nth: 2, Checks: []report.Check{{Field: "stored", Exact: true}}}
	run := func() {
		r.want(w)
		r.start(0, "read-codes").end(1*ms, "read-codes", judge.StatusOK, said(nil))
	}
	run()
	v := r.got(time.Second, judge.Undecided)
	require.Contains(t, v.Reason, "ran 1 times")
	run()
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", judge.StatusOK, said(func(r *judge.Report) { r.Stored = nil }))
	require.Equal(t, 3*ms, r.got(time.Second, judge.Pass).Decided)
	run()
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", judge.StatusTimeout, nil)
	require.Equal(t, judge.Hung, r.got(time.Second, judge.Fail).Cause)
	require.Contains(t, r.want(w).got(time.Second, judge.Undecided).Reason, "never started")
}

// Each run counts when no number is given: one good report does not hide a bad one.
func TestReportedOfEveryRun(t *testing.T) {
	r := newRig(t)
	r.want(Reported{Task: "read-codes", Checks: []report.Check{{Field: "stored", Has: []string{"P080A"}}}})
	r.start(0, "read-codes").end(1*ms, "read-codes", judge.StatusOK, said(nil))
	require.False(t, r.j.Decided())
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", judge.StatusOK, said(func(r *judge.Report) { r.Stored = nil }))
	require.Equal(t, judge.Fail, r.finish(time.Second).Outcome)
}

func TestSilenceCanBeAllowed(t *testing.T) {
	r := newRig(t)
	w := Reported{Task: "health-check", OrSilent: true, Checks: []report.Check{{Field: "stored", Has: []string{"P0113"}}}}
	try := func(status string, rep *judge.Report) judge.Outcome {
		return r.want(w).start(0, "health-check").end(1*ms, "health-check", status, rep).finish(time.Second).Outcome
	}
	require.Equal(t, judge.Pass, try(judge.StatusFailed, &judge.Report{Reads: task.Stored}))
	require.Equal(t, judge.Fail, try(judge.StatusFailed, &judge.Report{Reads: task.Stored, Says: task.Stored}), "no codes, it says")
	require.Equal(t, judge.Pass, try(judge.StatusFailed, &judge.Report{Reads: task.Stored, Says: task.Stored, Stored: []string{"P0113"}}))
	require.Equal(t, judge.NotApplicable, try(judge.StatusTimeout, nil))
}

// 8 rpm of 10 are tighter than 0.9 of 1: margins are compared by their share.
func TestTheTightestOfDifferentUnits(t *testing.T) {
	v := newRig(t).report([]report.Check{
		{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10},
		{Field: "live", Name: "x", Number: 5, Within: 1},
	}, said(func(r *judge.Report) {
		r.Live = []judge.Live{{Name: "engine_rpm", Value: 902}, {Name: "x", Value: 5.1}}
	}))
	require.Equal(t, judge.Margin{Value: 8, Unit: "rpm", Known: true}, v.Margin)
}

// A tool that tells no identifiers is not held to them, one that does is.
func TestModulesByIdentifier(t *testing.T) {
	c := []report.Check{{Field: "ecus", Has: []string{"7E0", "7E1"}, AtLeast: 2}}
	r := newRig(t)
	require.Equal(t, judge.Pass, r.report(c, said(nil)).Outcome)
	require.Equal(t, judge.Fail, r.report(c, said(func(r *judge.Report) { r.ECUs = r.ECUs[:1] })).Outcome)
	require.Equal(t, judge.Pass, r.report(c, said(func(r *judge.Report) { r.Addresses = []string{"7E0", "7E1"} })).Outcome)
	v := r.report(c, said(func(r *judge.Report) { r.Addresses = []string{"7E0", "7A0"} }))
	require.Equal(t, judge.Fail, v.Outcome)
	require.Contains(t, v.Reason, "7E1 wanted and not said")
}

// A tool that says that it does not know is neither right nor wrong where somebody was
// asked and never answered: what it leaves out cannot be told, and what it says can. Who
// was only busy (ISO 14229-1: NRC 21), or was not asked at all, is no excuse.
func TestWhatIsNotKnownIsUndecided(t *testing.T) {
	only := func(codes ...string) report.Check { return report.Check{Field: "stored", Has: codes, Exact: true} }
	var lost task.States
	lost.Set(task.Stored, task.Unknown)
	for _, c := range []struct {
		name   string
		answer []byte // nil for none
		asked  bool
		check  report.Check
		said   []string
		want   judge.Outcome
	}{
		{"a code that nobody told", nil, true, only("P0113"), nil, judge.Undecided},
		{"none", nil, true, only(), nil, judge.Undecided},
		{"said nevertheless", nil, true, report.Check{Field: "stored", Has: []string{"P0113"}}, []string{"P0113"}, judge.Pass},
		{"made up", nil, true, only(), []string{"P0420"}, judge.Fail},
		{"busy", []byte{0x7F, 0x03, 0x21}, true, only("P0113"), nil, judge.Fail},
		{"answered", []byte{0x43, 0x01, 0x01, 0x13}, true, only("P0113"), nil, judge.Fail},
		{"contradictory", []byte{0x43, 0x02, 0x01, 0x13}, true, only("P0113"), nil, judge.Undecided},
		{"not asked", nil, false, only("P0113"), nil, judge.Fail},
	} {
		r := newRig(t).want(Reported{Task: "health-check", Checks: []report.Check{c.check}}).start(time.Second, "health-check")
		if c.asked {
			o := judge.Message(judge.Request, 1100*ms, []byte{0x03})
			o.Functional = true
			r.see(o)
		}
		if c.answer != nil {
			r.message(judge.Response, 1110*ms, "engine", c.answer...)
		}
		rep := said(func(r *judge.Report) { r.Stored, r.Units = c.said, []judge.Unit{{Name: "engine", States: lost}} })
		v := r.end(2*time.Second, "health-check", judge.StatusOK, rep).finish(3 * time.Second)
		require.Equal(t, c.want, v.Outcome, "%s: %s", c.name, v.Reason)
	}
}
