package judge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const everyField = FieldVIN | FieldECUs | FieldStored | FieldPending | FieldPermanent | FieldLamp | FieldLearn | FieldReadiness | FieldLive

func said(change func(*Report)) *Report {
	r := &Report{Reads: everyField, Says: everyField, VIN: "SWH48PETREL000001", ECUs: []string{"brake", "engine"},
		Stored: []string{"P080A"}, Lamp: true, Learn: LearnDone, Readiness: []Readiness{{"catalyst", "incomplete"}},
		Live: []Live{{Name: "engine_rpm", Value: 850}}}
	if change != nil {
		change(r)
	}
	return r
}

func (r *rig) report(checks []Check, rep *Report) Verdict {
	r.want(Reported{Task: "health-check", Checks: checks})
	r.set("engine_rpm", 800).start(time.Second, "health-check").at(1100*ms, "engine_rpm", 800).at(1200*ms, "engine_rpm", 860).at(1900*ms, "engine_rpm", 900)
	return r.end(2*time.Second, "health-check", StatusOK, rep).finish(3 * time.Second)
}

func TestReportedAsItWas(t *testing.T) {
	all := []Check{
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
	require.Equal(t, Pass, v.Outcome, v.Reason)
	require.Equal(t, Margin{10, "rpm", true}, v.Margin)
}

func TestReportedOtherwise(t *testing.T) {
	for _, c := range []struct {
		name   string
		check  Check
		change func(*Report)
		want   string
	}{
		{"wrong vin", Check{Field: "vin", Car: true}, func(r *Report) { r.VIN = "SWH48PETREL000002" }, `vin is reported as "SWH48PETREL000002"`},
		{"no vin", Check{Field: "vin", Car: true}, func(r *Report) { r.Says &^= FieldVIN }, "vin is not reported"},
		{"module missed", Check{Field: "ecus", Car: true}, func(r *Report) { r.ECUs = []string{"engine"} }, "1 missed (brake)"},
		{"module twice", Check{Field: "ecus", Car: true}, func(r *Report) { r.ECUs = []string{"engine", "engine", "brake"} }, "1 too much (engine)"},
		{"too few", Check{Field: "ecus", AtLeast: 3}, nil, "2 entries, at least 3 are true"},
		{"too many", Check{Field: "ecus", AtMost: 1}, nil, "2 entries, at most 1 are true"},
		{"code missed", Check{Field: "stored", Has: []string{"P080A"}}, func(r *Report) { r.Stored = nil }, "1 missed (P080A)"},
		{"code invented", Check{Field: "stored", Has: []string{"P080A"}, Exact: true}, func(r *Report) { r.Stored = append(r.Stored, "P0080") }, "1 too much (P0080)"},
		{"one wrong", Check{Field: "stored", Has: []string{"P080A"}, Exact: true}, func(r *Report) { r.Stored = []string{"P0A80"} }, "1 missed (P080A), 1 too much (P0A80)"},
		{"not gone", Check{Field: "stored", Lacks: []string{"P080A"}}, nil, "1 too much (P080A)"},
		{"lamp", Check{Field: "lamp", Text: "on"}, func(r *Report) { r.Lamp = false }, `lamp is reported as "off", true is "on"`},
		{"monitor", Check{Field: "readiness", Name: "evap", Text: "complete"}, nil, "readiness evap is not reported"},
		{"value off", Check{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10}, func(r *Report) { r.Live[0].Value = 3400 }, "reported as 3400, true was 800 to 900"},
		{"no value", Check{Field: "live", Name: "coolant_c", Signal: "x", Within: 10}, nil, "live coolant_c is not reported"},
		{"number", Check{Field: "live", Name: "engine_rpm", Number: 600, Within: 10}, nil, "true was 600 to 600"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := newRig(t).report([]Check{c.check}, said(c.change))
			require.Equal(t, Fail, v.Outcome, v.Reason)
			require.Contains(t, v.Reason, c.want)
			require.Len(t, v.Evidence, 1)
		})
	}
}

func TestAValueMayBeAsOldAsSaid(t *testing.T) {
	c := Check{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10, Age: 200 * ms}
	v := newRig(t).report([]Check{c}, said(func(r *Report) { r.Live[0].Value = 800 }))
	require.Equal(t, Fail, v.Outcome, "800 was true at 1.1 s, too long before the end")
	require.Contains(t, v.Reason, "true was 860 to 900", "the value of the last sample before still stood")
	v = newRig(t).report([]Check{c}, said(func(r *Report) { r.Live[0] = Live{"engine_rpm", 800, 1150 * ms, true} }))
	require.Equal(t, Pass, v.Outcome, "but it was read at 1.15 s")
}

func TestWhatTheProfileDoesNotReadIsNotJudged(t *testing.T) {
	checks := []Check{{Field: "vin", Car: true}}
	v := newRig(t).report(checks, said(func(r *Report) { r.Reads &^= FieldVIN }))
	require.Equal(t, NotApplicable, v.Outcome)
	require.Equal(t, NotApplicable, newRig(t).report(checks, nil).Outcome)
	checks = append(checks, Check{Field: "lamp", Text: "off"})
	v = newRig(t).report(checks, said(func(r *Report) { r.Reads &^= FieldVIN }))
	require.Equal(t, Fail, v.Outcome, "the rest is judged all the same")
}

func TestReportedOfOneRunOfATask(t *testing.T) {
	r := newRig(t)
	w := Reported{Task: "read-codes", Nth: 2, Checks: []Check{{Field: "stored", Exact: true}}}
	run := func() {
		r.want(w)
		r.start(0, "read-codes").end(1*ms, "read-codes", StatusOK, said(nil))
	}
	run()
	v := r.got(time.Second, Undecided)
	require.Contains(t, v.Reason, "ran 1 times")
	run()
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", StatusOK, said(func(r *Report) { r.Stored = nil }))
	require.Equal(t, 3*ms, r.got(time.Second, Pass).Decided)
	run()
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", StatusTimeout, nil)
	require.Equal(t, Hung, r.got(time.Second, Fail).Cause)
	require.Contains(t, r.want(w).got(time.Second, Undecided).Reason, "never started")
}

// Each run counts when no number is given: one good report does not hide a bad one.
func TestReportedOfEveryRun(t *testing.T) {
	r := newRig(t)
	r.want(Reported{Task: "read-codes", Checks: []Check{{Field: "stored", Has: []string{"P080A"}}}})
	r.start(0, "read-codes").end(1*ms, "read-codes", StatusOK, said(nil))
	require.False(t, r.j.Decided())
	r.start(2*ms, "read-codes").end(3*ms, "read-codes", StatusOK, said(func(r *Report) { r.Stored = nil }))
	require.Equal(t, Fail, r.finish(time.Second).Outcome)
}

func TestSilenceCanBeAllowed(t *testing.T) {
	r := newRig(t)
	w := Reported{Task: "health-check", OrSilent: true, Checks: []Check{{Field: "stored", Has: []string{"P0113"}}}}
	try := func(status string, rep *Report) Outcome {
		return r.want(w).start(0, "health-check").end(1*ms, "health-check", status, rep).finish(time.Second).Outcome
	}
	require.Equal(t, Pass, try(StatusFailed, &Report{Reads: FieldStored}))
	require.Equal(t, Fail, try(StatusFailed, &Report{Reads: FieldStored, Says: FieldStored}), "no codes, it says")
	require.Equal(t, Pass, try(StatusFailed, &Report{Reads: FieldStored, Says: FieldStored, Stored: []string{"P0113"}}))
	require.Equal(t, NotApplicable, try(StatusTimeout, nil))
}

// 8 rpm of 10 are tighter than 0.9 of 1: margins are compared by their share.
func TestTheTightestOfDifferentUnits(t *testing.T) {
	v := newRig(t).report([]Check{
		{Field: "live", Name: "engine_rpm", Signal: "engine_rpm", Within: 10},
		{Field: "live", Name: "x", Number: 5, Within: 1},
	}, said(func(r *Report) { r.Live = []Live{{Name: "engine_rpm", Value: 902}, {Name: "x", Value: 5.1}} }))
	require.Equal(t, Margin{8, "rpm", true}, v.Margin)
}

// A tool that tells no identifiers is not held to them, one that does is.
func TestModulesByIdentifier(t *testing.T) {
	c := []Check{{Field: "ecus", Has: []string{"7E0", "7E1"}, AtLeast: 2}}
	r := newRig(t)
	require.Equal(t, Pass, r.report(c, said(nil)).Outcome)
	require.Equal(t, Fail, r.report(c, said(func(r *Report) { r.ECUs = r.ECUs[:1] })).Outcome)
	require.Equal(t, Pass, r.report(c, said(func(r *Report) { r.Addresses = []string{"7E0", "7E1"} })).Outcome)
	v := r.report(c, said(func(r *Report) { r.Addresses = []string{"7E0", "7A0"} }))
	require.Equal(t, Fail, v.Outcome)
	require.Contains(t, v.Reason, "1 missed (7E1)")
}
