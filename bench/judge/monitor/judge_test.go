package monitor

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/signal"
)

const ms = time.Millisecond

// rig is a judge over a few signals, driven by hand.
type rig struct {
	t     *testing.T
	table signal.Table
	lang  *cel.Language
	j     *Judge
	now   time.Duration
	frame int
	conds map[string]*cel.Condition // by their text: compiling takes its time
}

func newRig(t *testing.T) *rig {
	r := &rig{t: t, conds: map[string]*cel.Condition{}}
	r.table.Define("engine_rpm", "rpm", "crank speed")
	r.table.Define("clutch_pct", "%", "clutch pedal")
	r.table.Define("x", "", "a number")
	r.table.Define("y", "", "a number")
	r.table.Define("running", "bool", "engine runs")
	r.table.Define("key", "", "key position")
	lang, err := cel.NewLanguage(r.table.Infos())
	require.NoError(t, err)
	r.lang = lang
	return r
}

func (r *rig) cond(src string) *cel.Condition {
	r.t.Helper()
	if c := r.conds[src]; c != nil {
		return c
	}
	c, errs := r.lang.Compile(src)
	require.Empty(r.t, errs, src)
	r.conds[src] = c
	return c
}

func (r *rig) judge(e Expectation) *rig {
	e.ID = "it"
	r.j = New([]Expectation{e}, Options{Truth: &r.table, VIN: "SWH48PETREL000001", ECUs: []string{"engine", "brake"}})
	return r
}

func (r *rig) want(w Want) *rig { return r.judge(Expectation{Want: w}) }

func (r *rig) set(name string, v float64) *rig {
	ref, ok := r.table.Lookup(name)
	require.True(r.t, ok, name)
	r.table.Set(ref, v)
	return r
}

// at samples a signal's value at a time.
func (r *rig) at(t time.Duration, name string, v float64) *rig {
	r.set(name, v)
	r.now = t
	r.j.Sample(t)
	return r
}

func (r *rig) see(o judge.Observation) *rig {
	r.now = o.Time
	r.j.Observe(&o)
	return r
}

func (r *rig) message(kind judge.Kind, t time.Duration, ecu string, data ...byte) *rig {
	o := judge.Message(kind, t, data)
	r.frame++
	o.First, o.Last, o.ECU = r.frame, r.frame, ecu
	return r.see(o)
}

func (r *rig) start(t time.Duration, task string) *rig {
	o := judge.Saw(judge.TaskStart, t)
	o.Task = task
	return r.see(o)
}

func (r *rig) end(t time.Duration, task, status string, rep *judge.Report) *rig {
	o := judge.Saw(judge.TaskEnd, t)
	o.Task, o.Status, o.Report = task, status, rep
	return r.see(o)
}

func (r *rig) verdict(now time.Duration, complete bool) judge.Verdict {
	v := r.j.Finish(now, complete)
	require.Len(r.t, v, 1)
	require.NotEmpty(r.t, v[0].Reason, "a verdict says why")
	return v[0]
}

func (r *rig) finish(now time.Duration) judge.Verdict { return r.verdict(now, true) }

func (r *rig) got(now time.Duration, want judge.Outcome) judge.Verdict {
	r.t.Helper()
	v := r.finish(now)
	require.Equal(r.t, want, v.Outcome, v.Reason)
	return v
}

func TestNeverDecidesAtTheFirstBreach(t *testing.T) {
	r := newRig(t)
	r.want(Never{r.cond("engine_rpm > 100")})
	r.at(0, "engine_rpm", 0).at(20*ms, "engine_rpm", 60)
	require.False(t, r.j.Decided())
	r.at(40*ms, "engine_rpm", 101)
	require.True(t, r.j.Decided())
	r.at(60*ms, "engine_rpm", 850)
	v := r.got(time.Second, judge.Fail)
	require.Equal(t, judge.Broken, v.Cause)
	require.Equal(t, 40*ms, v.Decided)
	require.Equal(t, judge.Margin{Value: -750, Unit: "rpm", Known: true}, v.Margin, "the margin goes on to the worst")
}

func TestNeverHoldsWithItsMargin(t *testing.T) {
	r := newRig(t)
	v := r.want(Never{r.cond("engine_rpm > 100")}).at(0, "engine_rpm", 0).at(20*ms, "engine_rpm", 60).got(time.Second, judge.Pass)
	require.Equal(t, "+40.000 rpm", v.Margin.String())
}

func TestNeverIsUndecidedWhenBrokenOff(t *testing.T) {
	r := newRig(t)
	v := r.want(Never{r.cond("engine_rpm > 100")}).at(0, "engine_rpm", 0).verdict(time.Second, false)
	require.Equal(t, judge.Undecided, v.Outcome)
	require.Contains(t, v.Reason, "broken off at 1.000 s")
}

func TestAWindowBeyondTheRunIsUndecided(t *testing.T) {
	r := newRig(t)
	r.judge(Expectation{Until: 5 * time.Second, Want: Never{r.cond("engine_rpm > 100")}})
	v := r.at(0, "engine_rpm", 0).got(time.Second, judge.Undecided)
	require.Contains(t, v.Reason, "until 5.000 s")
}

func TestAWindowDecidesEarly(t *testing.T) {
	r := newRig(t)
	r.judge(Expectation{From: 10 * ms, Until: 50 * ms, Want: Never{r.cond("engine_rpm > 100")}})
	r.at(0, "engine_rpm", 500).at(20*ms, "engine_rpm", 0).at(60*ms, "engine_rpm", 500)
	require.True(t, r.j.Decided())
	require.Equal(t, judge.Pass, r.verdict(70*ms, false).Outcome, "what is decided stays so when the run is broken off")
}

func TestAlwaysWhile(t *testing.T) {
	r := newRig(t)
	e := Expectation{While: r.cond(`task == "learn"`), Want: Always{r.cond("clutch_pct >= 90")}}
	r.judge(e).at(0, "clutch_pct", 0)
	r.set("clutch_pct", 100).start(20*ms, "learn").at(40*ms, "clutch_pct", 95)
	r.end(60*ms, "learn", judge.StatusOK, nil).at(80*ms, "clutch_pct", 0)
	v := r.got(time.Second, judge.Pass)
	require.Equal(t, judge.Margin{Value: 5, Unit: "%", Known: true}, v.Margin)

	v = r.judge(e).at(0, "clutch_pct", 0).got(time.Second, judge.Pass)
	require.True(t, v.Nothing)
	require.Contains(t, v.Reason, "nothing to judge")
}

func TestWhileCanPickEvents(t *testing.T) {
	r := newRig(t)
	r.judge(Expectation{While: r.cond(`event.kind == "response" && event.service == 0x3E`), Want: Always{r.cond("event.positive")}})
	r.message(judge.Response, 1*ms, "engine", 0x7F, 0x22, 0x31).message(judge.Response, 2*ms, "engine", 0x7E, 0x00)
	require.False(t, r.j.Decided())
	v := r.message(judge.Response, 3*ms, "engine", 0x7F, 0x3E, 0x12).got(time.Second, judge.Fail)
	require.Equal(t, 3, v.Evidence[0].First)
}

func TestEventuallyMargins(t *testing.T) {
	r := newRig(t)
	w := Eventually{Hold: r.cond("engine_rpm > 400"), Within: time.Second}
	v := r.want(w).at(0, "engine_rpm", 0).at(700*ms, "engine_rpm", 500).got(2*time.Second, judge.Pass)
	require.Equal(t, "+0.300 s", v.Margin.String())
	require.Equal(t, 700*ms, v.Decided)

	r.want(w).at(0, "engine_rpm", 0).at(900*ms, "engine_rpm", 350).at(1020*ms, "engine_rpm", 800)
	require.True(t, r.j.Decided(), "late is decided at once")
	v = r.got(2*time.Second, judge.Fail)
	require.Equal(t, judge.Margin{Value: -50, Unit: "rpm", Known: true}, v.Margin)

	v = r.want(w).at(0, "engine_rpm", 0).got(500*ms, judge.Undecided)
	require.Contains(t, v.Reason, "had until 1.000 s")
}

func TestEventuallyForATime(t *testing.T) {
	r := newRig(t)
	w := Eventually{Hold: r.cond("engine_rpm > 400"), Within: 100 * ms, For: 60 * ms}
	r.want(w).at(0, "engine_rpm", 500).at(40*ms, "engine_rpm", 0).at(80*ms, "engine_rpm", 500)
	require.False(t, r.j.Decided(), "a stay of 40 ms is too short")
	r.at(120*ms, "engine_rpm", 500)
	require.False(t, r.j.Decided(), "it began in time and goes on")
	v := r.at(140*ms, "engine_rpm", 500).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(20*ms), v.Margin)

	r.want(w).at(80*ms, "engine_rpm", 500).at(120*ms, "engine_rpm", 0)
	require.Equal(t, judge.Fail, r.finish(time.Second).Outcome)

	v = r.want(w).at(80*ms, "engine_rpm", 500).got(100*ms, judge.Undecided)
	require.Contains(t, v.Reason, "had held since 0.080 s")
}

func TestUntilThen(t *testing.T) {
	r := newRig(t)
	w := UntilThen{Hold: r.cond("clutch_pct > 90"), Then: r.cond("running"), Within: time.Second}
	v := r.want(w).at(0, "clutch_pct", 100).at(20*ms, "running", 1).got(2*time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(980*ms), v.Margin)
	r.set("running", 0)
	v = r.want(w).at(0, "clutch_pct", 100).at(20*ms, "clutch_pct", 50).got(2*time.Second, judge.Fail)
	require.Contains(t, v.Reason, "ended at 0.020 s")
	r.want(w).at(0, "clutch_pct", 100).at(1020*ms, "clutch_pct", 100)
	require.Equal(t, judge.Fail, r.finish(2*time.Second).Outcome)
	require.Equal(t, judge.Undecided, r.want(w).at(0, "clutch_pct", 100).finish(20*ms).Outcome)
}

func TestBefore(t *testing.T) {
	r := newRig(t)
	w := Before{First: r.cond(`event.kind == "request" && event.service == 0x03`), Then: r.cond(`event.kind == "request" && event.service == 0x04`)}
	v := r.want(w).message(judge.Request, 10*ms, "", 3).message(judge.Request, 60*ms, "", 4).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(50*ms), v.Margin)
	require.Equal(t, []int{1, 2}, []int{v.Evidence[0].First, v.Evidence[1].First})

	v = r.want(w).message(judge.Request, 10*ms, "", 4).message(judge.Request, 60*ms, "", 3).got(time.Second, judge.Fail)
	require.Equal(t, judge.TimeMargin(-50*ms), v.Margin)

	v = r.want(w).message(judge.Request, 10*ms, "", 3).got(time.Second, judge.Pass)
	require.Contains(t, v.Reason, "nothing to judge")
}

// One read must not justify two clearings.
func TestBeforeEachNeedsItsOwn(t *testing.T) {
	r := newRig(t)
	w := Before{First: r.cond(`event.service == 0x03`), Then: r.cond(`event.service == 0x04`), Each: true}
	r.want(w).message(judge.Request, 10*ms, "", 3).message(judge.Request, 20*ms, "", 4).message(judge.Request, 30*ms, "", 4)
	require.Equal(t, judge.Fail, r.finish(time.Second).Outcome)
	r.want(w).message(judge.Request, 10*ms, "", 3).message(judge.Request, 20*ms, "", 4).message(judge.Request, 30*ms, "", 3).message(judge.Request, 40*ms, "", 4)
	require.Equal(t, judge.Pass, r.finish(time.Second).Outcome)
}

// An event that is both does not come before itself.
func TestAnEventIsNotBeforeItself(t *testing.T) {
	r := newRig(t)
	c := r.cond(`event.kind == "request"`)
	require.Equal(t, judge.Fail, r.want(Before{First: c, Then: c}).message(judge.Request, 10*ms, "", 3).finish(time.Second).Outcome)
}

func TestAfterWithin(t *testing.T) {
	r := newRig(t)
	w := After{Event: r.cond(`event.kind == "fault-off"`), Then: r.cond(`event.kind == "task-end"`), Within: time.Second}
	off := judge.Saw(judge.FaultOff, 100*ms)
	v := r.want(w).see(off).end(400*ms, "x", judge.StatusOK, nil).got(2*time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(700*ms), v.Margin)

	v = r.want(w).see(off).at(1200*ms, "x", 0).got(2*time.Second, judge.Fail)
	require.Equal(t, 1200*ms, v.Decided)
	require.False(t, v.Margin.Known, "what never came has no distance")

	v = r.want(w).see(off).at(1200*ms, "x", 0).end(1500*ms, "x", judge.StatusOK, nil).got(2*time.Second, judge.Fail)
	require.Equal(t, 1200*ms, v.Decided)
	require.Equal(t, judge.TimeMargin(-400*ms), v.Margin, "how late it came at last")

	v = r.want(w).see(off).got(900*ms, judge.Undecided)
	require.Contains(t, v.Reason, "until 1.100 s")
	require.Contains(t, r.want(w).got(time.Second, judge.Pass).Reason, "nothing to judge")
}

// Two triggers need two answers.
func TestAfterConsumesItsEvents(t *testing.T) {
	r := newRig(t)
	w := After{Event: r.cond(`event.kind == "request"`), Then: r.cond(`event.kind == "response"`), Within: time.Second}
	r.want(w).message(judge.Request, 0, "", 3).message(judge.Request, 10*ms, "", 3).message(judge.Response, 20*ms, "", 0x43, 0)
	require.Equal(t, judge.Fail, r.at(2*time.Second, "x", 0).finish(2*time.Second).Outcome)
	r.want(w).message(judge.Request, 0, "", 3).message(judge.Request, 10*ms, "", 3).
		message(judge.Response, 20*ms, "", 0x43, 0).message(judge.Response, 30*ms, "", 0x43, 0)
	require.Equal(t, judge.Pass, r.finish(2*time.Second).Outcome)
}

// The same kind of event again and again: each serves the one before.
func TestAfterCanChain(t *testing.T) {
	r := newRig(t)
	present := r.cond(`event.kind == "request" && event.service == 0x3E`)
	r.judge(Expectation{Until: 5 * time.Second, Want: After{Event: present, Then: present, Within: 2 * time.Second}})
	for _, at := range []time.Duration{0, 1900 * ms, 3900 * ms, 5500 * ms} {
		r.message(judge.Request, at, "engine", 0x3E, 0x80)
	}
	require.Equal(t, judge.Pass, r.finish(6*time.Second).Outcome)
}

func TestAfterNever(t *testing.T) {
	r := newRig(t)
	w := After{Event: r.cond(`event.kind == "fault-on"`), Then: r.cond(`event.kind == "request"`), Never: true, NotBefore: 10 * ms, Within: 100 * ms}
	on := judge.Saw(judge.FaultOn, 0)
	require.Equal(t, judge.Pass, r.want(w).see(on).message(judge.Request, 5*ms, "", 3).message(judge.Request, 101*ms, "", 3).finish(time.Second).Outcome)
	require.Equal(t, judge.Fail, r.want(w).see(on).message(judge.Request, 50*ms, "", 3).finish(time.Second).Outcome)
	w.Within = 0
	require.Equal(t, judge.Fail, r.want(w).see(on).message(judge.Request, 101*ms, "", 3).finish(time.Second).Outcome)
}

func TestCount(t *testing.T) {
	r := newRig(t)
	of := r.cond(`event.kind == "request"`)
	three := func(w Count) judge.Verdict {
		return r.want(w).message(judge.Request, 0, "", 3).message(judge.Request, 50*ms, "", 3).message(judge.Request, 200*ms, "", 3).finish(time.Second)
	}
	v := three(Count{Of: of, AtLeast: 3, AtMost: -1})
	require.Equal(t, judge.Pass, v.Outcome)
	require.Equal(t, 200*ms, v.Decided)
	v = three(Count{Of: of, AtLeast: 4, AtMost: -1})
	require.Equal(t, judge.Fail, v.Outcome)
	require.Equal(t, judge.Margin{Value: -1, Unit: "times", Known: true}, v.Margin)
	require.Equal(t, judge.Fail, three(Count{Of: of, AtMost: 2}).Outcome)
	v = three(Count{Of: of, AtMost: 2, In: 100 * ms})
	require.Equal(t, judge.Pass, v.Outcome, "never more than two in 100 ms")
	require.Equal(t, judge.Margin{Value: 0, Unit: "times", Known: true}, v.Margin)
}

func TestAStateCountsByItsBeginnings(t *testing.T) {
	r := newRig(t)
	r.want(Count{Of: r.cond("running"), AtLeast: 2, AtMost: 2})
	for i, v := range []float64{0, 1, 1, 1, 0, 1, 1} {
		r.at(time.Duration(i)*20*ms, "running", v)
	}
	require.Equal(t, judge.Pass, r.finish(time.Second).Outcome)
}

func TestAnswered(t *testing.T) {
	r := newRig(t)
	w := Answered{Request: r.cond("!event.functional"), Within: 50 * ms, Pending: 5 * time.Second}
	v := r.want(w).message(judge.Request, 0, "engine", 0x22, 0xF1, 0x90).message(judge.Response, 30*ms, "engine", 0x62, 0xF1, 0x90).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(20*ms), v.Margin)

	// Response-pending gives time but is no answer.
	r.want(w).message(judge.Request, 0, "engine", 0x31, 1, 2, 0x10).message(judge.Response, 30*ms, "engine", 0x7F, 0x31, 0x78)
	require.Equal(t, judge.Pass, r.message(judge.Response, 4*time.Second, "engine", 0x71, 1, 2, 0x10).finish(5*time.Second).Outcome)

	// The answer of another module, or of another service, does not count.
	r.want(w).message(judge.Request, 0, "engine", 0x22, 0xF1, 0x90).message(judge.Response, 10*ms, "brake", 0x62, 0xF1, 0x90).message(judge.Response, 20*ms, "engine", 0x7E, 0)
	require.Equal(t, judge.Fail, r.at(60*ms, "x", 0).finish(time.Second).Outcome)
}

func TestFinishedTellsHungFromCrashed(t *testing.T) {
	r := newRig(t)
	w := Finished{Task: "learn", Statuses: []string{judge.StatusOK}, Within: time.Second}
	v := r.want(w).start(0, "learn").end(400*ms, "learn", judge.StatusOK, nil).got(time.Second, judge.Pass)
	require.Equal(t, judge.TimeMargin(600*ms), v.Margin)
	require.Equal(t, judge.Hung, r.want(w).start(0, "learn").end(900*ms, "learn", judge.StatusTimeout, nil).got(time.Second, judge.Fail).Cause)
	require.Equal(t, judge.Crashed, r.want(w).start(0, "learn").end(900*ms, "learn", judge.StatusCrashed, nil).got(time.Second, judge.Fail).Cause)
	require.Equal(t, judge.Broken, r.want(w).start(0, "learn").end(900*ms, "learn", judge.StatusFailed, nil).got(time.Second, judge.Fail).Cause)
	r.want(w).start(0, "learn").at(1020*ms, "x", 0)
	require.True(t, r.j.Decided(), "late is decided before it ends")
	r.want(w).start(0, "other").end(1*ms, "other", judge.StatusOK, nil)
	require.Contains(t, r.got(time.Second, judge.Undecided).Reason, "never started")
	require.Equal(t, judge.Undecided, r.want(w).start(0, "learn").finish(500*ms).Outcome)
}

func TestNotApplicableAndOurs(t *testing.T) {
	r := newRig(t)
	w := Finished{Task: "learn", Statuses: []string{judge.StatusOK}}
	require.Equal(t, judge.NotApplicable, r.want(w).start(0, "learn").end(0, "learn", judge.StatusNotApplicable, nil).finish(time.Second).Outcome)
	require.Equal(t, judge.Ours, r.want(w).start(0, "learn").end(0, "learn", judge.StatusOurs, nil).finish(time.Second).Outcome)

	r.judge(Expectation{Needs: []string{"learn"}, Want: Eventually{Hold: r.cond("running")}})
	require.Equal(t, judge.NotApplicable, r.end(0, "learn", judge.StatusNotApplicable, nil).finish(time.Second).Outcome)

	r.want(w)
	r.j.Blame("the bus has gone")
	r.j.Blame("and so on")
	v := r.got(time.Second, judge.Ours)
	require.Equal(t, "the bus has gone", v.Reason)
}

func TestAConditionThatCannotBeEvaluatedIsOurs(t *testing.T) {
	r := newRig(t)
	v := r.want(Never{r.cond("1 / event.nrc > 0")})
	o := judge.Saw(judge.Line, 0)
	o.NRC = 0
	require.Equal(t, judge.Ours, v.see(o).finish(time.Second).Outcome)
}

func TestVerdictsKeepTheirOrderAndFinishOnce(t *testing.T) {
	r := newRig(t)
	var list []Expectation
	for _, id := range []string{"c", "a", "b"} {
		list = append(list, Expectation{ID: id, Want: Never{r.cond("running")}})
	}
	j := New(list, Options{Truth: &r.table})
	first := j.Finish(time.Second, true)
	require.Equal(t, []string{"c", "a", "b"}, []string{first[0].ID, first[1].ID, first[2].ID})
	require.Equal(t, first, j.Finish(2*time.Second, false))
}

func TestAWatchFiresAtBeginnings(t *testing.T) {
	r := newRig(t)
	w := NewWatch(&r.table)
	var fired []time.Duration
	w.On(r.cond(`task == "learn"`), func(at time.Duration) { fired = append(fired, at) })
	w.On(r.cond(`event.kind == "response" && task == "learn"`), func(at time.Duration) { fired = append(fired, -at) })
	require.NoError(t, w.Sample(0))
	for _, o := range []judge.Observation{
		judge.Message(judge.Response, 1*ms, []byte{0x7E}),
		{Kind: judge.TaskStart, Time: 2 * ms, Task: "learn"},
		judge.Message(judge.Response, 3*ms, []byte{0x7E}),
		{Kind: judge.TaskEnd, Time: 4 * ms, Task: "learn"},
		{Kind: judge.TaskStart, Time: 5 * ms, Task: "learn"},
	} {
		require.NoError(t, w.Observe(&o))
	}
	require.Equal(t, []time.Duration{2 * ms, -3 * ms, 5 * ms}, fired)
	w.On(r.cond(`size(ended) == 2 && ended[1] == "learn"`), func(at time.Duration) { fired = append(fired, at) })
	require.NoError(t, w.Observe(&judge.Observation{Kind: judge.TaskEnd, Time: 6 * ms, Task: "learn"}))
	require.Equal(t, 6*ms, fired[3])
	w.On(r.cond("1 / event.nrc > 0"), func(time.Duration) {})
	require.Error(t, w.Observe(&judge.Observation{Kind: judge.Line}))
}

// A failure by what did not come shows what a unit refused before, with its own reason.
// It decides nothing: a condition that asks for the text of an answer finds none.
func TestARefusalIsShownBesideAFailure(t *testing.T) {
	r := newRig(t)
	r.want(Eventually{Hold: r.cond("running"), Within: 2 * time.Second})
	r.message(judge.Request, 500*ms, "engine", 0x31, 1, 2, 0x10)
	o := judge.Message(judge.Response, 510*ms, []byte{0x7F, 0x31, 0x22})
	o.First, o.Last, o.ECU, o.Why = 7, 7, "engine", "the clutch pedal is not fully down"
	r.see(o)
	r.message(judge.Response, 600*ms, "engine", 0x7F, 0x19, 0x12) // what it would not tell
	r.at(3*time.Second, "running", 0)
	v := r.got(4*time.Second, judge.Fail)
	require.Contains(t, v.Reason, "at 0.510 s engine had refused, because the clutch pedal is not fully down")
	require.Equal(t, 7, v.Evidence[0].First)
	require.Contains(t, v.Evidence[0].Text, "because the clutch")

	r = newRig(t)
	r.want(Never{r.cond(`event.kind == "response" && event.text != ""`)})
	r.see(o).got(time.Second, judge.Pass)
}
