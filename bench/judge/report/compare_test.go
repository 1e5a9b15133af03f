package report_test

import (
	"encoding/hex"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/task"
)

const (
	engine = 0x7E8
	brake  = 0x7E9
	vin    = "0PT48VM60R1000048" // invented, as the car's
)

// run is what goes by in a run with one tool.
type run struct {
	t     *testing.T
	set   *report.Set
	now   time.Duration
	frame int
}

func newRun(t *testing.T, change func(*report.Options)) *run {
	opt := report.Options{Requests: map[int]string{engine: "7E0", brake: "7E1"}, Alters: func(f string) bool { return f == "cable-pulled" }}
	if change != nil {
		change(&opt)
	}
	return &run{t: t, set: report.New(opt), now: time.Second}
}

func (r *run) saw(o judge.Observation) *run {
	r.now += 10 * time.Millisecond
	o.Time = r.now
	r.set.Observe(&o)
	return r
}

func (r *run) start() *run {
	o := judge.Saw(judge.TaskStart, 0)
	o.Task = "health-check"
	return r.saw(o)
}

func (r *run) fault(kind judge.Kind, id string) *run {
	o := judge.Saw(kind, 0)
	o.Fault = id
	return r.saw(o)
}

// answers has a unit send messages, in hex.
func (r *run) answers(unit int, messages ...string) *run {
	for _, m := range messages {
		data, err := hex.DecodeString(strings.ReplaceAll(m, " ", ""))
		require.NoError(r.t, err)
		r.frame++
		o := judge.Message(judge.Response, 0, data)
		o.ID, o.First, o.Last = unit, r.frame, r.frame
		r.saw(o)
	}
	return r
}

func (r *run) end(status string, rep *judge.Report) *run {
	o := judge.Saw(judge.TaskEnd, 0)
	o.Task, o.Status, o.Report = "health-check", status, rep
	return r.saw(o)
}

func (r *run) verdicts() (map[string]judge.Verdict, []report.Count) {
	list, counts := r.set.Finish(r.now)
	m := map[string]judge.Verdict{}
	for _, v := range list {
		require.Equal(r.t, judge.GroupReport, v.Group)
		m[v.ID] = v
	}
	return m, counts
}

// conversation is a health check of two units. Codes: two bytes each, the first two
// bits the letter (SAE J2012): 01 02 is P0102, 48 7B C087B. PID 01: A7 the lamp, B the
// continuous monitors with "incomplete" in the upper half, C and D the others (SAE
// J1979 appendix B): here misfire complete, fuel system and components incomplete,
// catalyst complete, oxygen sensor incomplete. PID 0C 1AF8 is 1726 rpm, a quarter a
// bit; PID 05 7B is 83 C, offset 40; PID 10 0190 is 4.00 g/s.
func conversation(r *run) *run {
	r.start()
	r.answers(engine, "41 01 82 67 21 20", "41 0C 1A F8", "41 05 7B", "41 10 01 90",
		"43 02 01 02 08 0A", "47 01 03 00", "4A 01 01 02", "49 02 01 "+hex.EncodeToString([]byte(vin)))
	return r.answers(brake, "59 02 FF 48 7B 00 09 40 35 13 04", "7F 22 31")
}

// right is what a correct tool says of it.
func right() *judge.Report {
	const every = task.VIN | task.ECUs | task.Stored | task.Pending | task.Permanent |
		task.Lamp | task.Readiness | task.Live
	return &judge.Report{
		Reads: every, Says: every, VIN: vin, ECUs: []string{"engine", "brake"}, Addresses: []string{"7E0", "7E1"},
		Stored: []string{"P0102", "P080A", "C087B-00"}, Pending: []string{"P0300", "C0035-13"}, Permanent: []string{"P0102"},
		Lamp: true,
		Readiness: []judge.Readiness{
			{Monitor: "misfire", State: "complete"}, {Monitor: "fuel-system", State: "incomplete"}, {Monitor: "components", State: "incomplete"},
			{Monitor: "catalyst", State: "complete"}, {Monitor: "oxygen-sensor", State: "incomplete"},
		},
		Live: []judge.Live{{Name: "engine_rpm", Value: 1726}, {Name: "coolant_c", Value: 83}, {Name: "air_mass_gps", Value: 4.0}},
	}
}

func TestACorrectToolIsTrue(t *testing.T) {
	v, counts := conversation(newRun(t, nil)).end(judge.StatusOK, right()).verdicts()
	require.Len(t, v, 8)
	for id, x := range v {
		require.Equal(t, judge.Pass, x.Outcome, "%s: %s", id, x.Reason)
	}
	require.Equal(t, []report.Count{{Task: "health-check", True: 2 + 1 + 3 + 2 + 1 + 1 + 5 + 3}}, counts)
}

// lies are tools that say something else, with the false positives and negatives.
var lies = []struct {
	name                 string
	lie                  func(*judge.Report)
	id                   string
	positives, negatives int
	says                 string
}{
	{"invents a code", func(r *judge.Report) { r.Stored = append(r.Stored, "P0301") }, "truth/stored", 1, 0, "code P0301 is said, not true"},
	{"leaves a code out", func(r *judge.Report) { r.Stored = r.Stored[1:] }, "truth/stored", 0, 1, "code P0102 is true, not said"},
	{"swaps digits", func(r *judge.Report) { r.Stored[1] = "P08A0" }, "truth/stored", 1, 1, "code P08A0"},
	{"takes stored for pending", func(r *judge.Report) { r.Pending = append(r.Pending, "P0102") }, "truth/pending", 1, 0, "code P0102"},
	{"cannot tell permanent ones", func(r *judge.Report) { r.Says &^= task.Permanent; r.Permanent = nil }, "truth/permanent", 0, 1, "code P0102"},
	{"cuts the number", func(r *judge.Report) { r.VIN = vin[:16] }, "truth/vin", 1, 1, "not true"},
	{"is silent about the number", func(r *judge.Report) { r.Says &^= task.VIN }, "truth/vin", 0, 1, vin},
	{"misses a unit", func(r *judge.Report) { r.ECUs, r.Addresses = r.ECUs[:1], r.Addresses[:1] }, "truth/ecus", 0, 1, "7E9 is true, not said"},
	{"invents a unit", func(r *judge.Report) { r.ECUs, r.Addresses = append(r.ECUs, "body"), append(r.Addresses, "7E2") }, "truth/ecus", 1, 0, "7E2"},
	{"names one for another", func(r *judge.Report) { r.Addresses[1] = "7E2" }, "truth/ecus", 1, 1, "7E2"},
	{"counts too few", func(r *judge.Report) { r.ECUs, r.Addresses = r.ECUs[:1], nil }, "truth/ecus", 0, 1, "control unit 2 of 2"},
	{"counts too many", func(r *judge.Report) { r.ECUs, r.Addresses = append(r.ECUs, "a", "b"), nil }, "truth/ecus", 2, 0, "control unit 4 of 4"},
	{"has the lamp off", func(r *judge.Report) { r.Lamp = false }, "truth/lamp", 0, 1, "the lamp on is true, not said"},
	{"takes incomplete for complete", func(r *judge.Report) { r.Readiness[1].State = "complete" }, "truth/readiness", 1, 0, "monitor fuel-system complete"},
	{"takes complete for incomplete", func(r *judge.Report) { r.Readiness[3].State = "incomplete" }, "truth/readiness", 0, 1, "monitor catalyst complete"},
	{"has a monitor that is not there", func(r *judge.Report) {
		r.Readiness = append(r.Readiness, judge.Readiness{Monitor: "secondary-air", State: "complete"})
	}, "truth/readiness", 1, 0, "monitor secondary-air"},
	{"swaps the bytes of the speed", func(r *judge.Report) { r.Live[0].Value = 15878.5 }, "truth/live", 1, 0, "engine_rpm 15878.5 (answered was 1726)"},
	{"forgets an offset", func(r *judge.Report) { r.Live[1].Value = 123 }, "truth/live", 1, 0, "coolant_c 123 (answered was 83)"},
	{"is off by a bit more than the resolution", func(r *judge.Report) { r.Live[1].Value = 84 }, "truth/live", 1, 0, "coolant_c"},
	{"shows a value that it has not read", func(r *judge.Report) { r.Live[2] = judge.Live{Name: "map_kpa", Value: 40} }, "truth/live", 1, 0, "nobody was asked"},
}

func TestALieIsFound(t *testing.T) {
	for _, c := range lies {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			rep := right()
			c.lie(rep)
			got, counts := conversation(newRun(t, nil)).end(judge.StatusOK, rep).verdicts()
			v := got[c.id]
			require.Equal(t, judge.Fail, v.Outcome, v.Reason)
			require.Equal(t, judge.Broken, v.Cause)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{v.FalsePositives, v.FalseNegatives}, v.Reason)
			require.Contains(t, v.Reason, c.says)
			require.NotEmpty(t, v.Evidence)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{counts[0].FalsePositives, counts[0].FalseNegatives})
			for id, x := range got {
				require.True(t, id == c.id || x.Outcome == judge.Pass, "%s: %s", id, x.Reason)
			}
		})
	}
}

// Rounding for the screen is no lie: half the resolution, and half a percent.
func TestRoundingIsNoLie(t *testing.T) {
	rep := right()
	rep.Live = []judge.Live{{Name: "engine_rpm", Value: 1720}, {Name: "coolant_c", Value: 83.4}, {Name: "air_mass_gps", Value: 4.005}}
	v, _ := conversation(newRun(t, nil)).end(judge.StatusOK, rep).verdicts()
	require.Equal(t, judge.Pass, v["truth/live"].Outcome, v["truth/live"].Reason)
}

// A value is as old as the task at most: what was answered before the task does not
// make it true.
func TestAnOldValueIsALie(t *testing.T) {
	r := newRun(t, nil).start().answers(engine, "41 05 50").end(judge.StatusOK, &judge.Report{Reads: task.Live})
	rep := &judge.Report{Reads: task.Live, Says: task.Live, Live: []judge.Live{{Name: "coolant_c", Value: 40}}}
	v, _ := r.start().answers(engine, "41 05 7B").end(judge.StatusOK, rep).verdicts()
	require.Equal(t, judge.Fail, v["truth/live"].Outcome)
	require.Contains(t, v["truth/live"].Reason, "answered was 83")
}

// After it was cleared a code is not stored, but a permanent one is there still (SAE
// J1979 service 0A).
func TestClearedCodesAreNotTrue(t *testing.T) {
	for stored, want := range map[string]judge.Outcome{"P0102": judge.Fail, "": judge.Pass} {
		r := newRun(t, nil).start().answers(engine, "43 01 01 02", "4A 01 01 02", "44", "43 00")
		rep := &judge.Report{Reads: task.Stored | task.Permanent, Says: task.Stored | task.Permanent, Permanent: []string{"P0102"}}
		if stored != "" {
			rep.Stored = []string{stored}
		}
		v, _ := r.end(judge.StatusOK, rep).verdicts()
		require.Equal(t, want, v["truth/stored"].Outcome, v["truth/stored"].Reason)
		require.Equal(t, judge.Pass, v["truth/permanent"].Outcome, v["truth/permanent"].Reason)
	}
}

// The result of a learn is what the routine answered (ISO 14229-1, service 31 sub 03).
func TestLearnResults(t *testing.T) {
	for _, c := range []struct {
		name, said           string
		answers              []string
		outcome              judge.Outcome
		positives, negatives int
	}{
		{"done", task.LearnDone, []string{"71 01 02 01", "71 03 02 01 01", "71 03 02 01 00"}, judge.Pass, 0, 0},
		{"made up", task.LearnDone, nil, judge.Fail, 1, 0},
		{"still running", task.LearnDone, []string{"71 01 02 01", "71 03 02 01 01"}, judge.Fail, 1, 0},
		{"broken off", task.LearnDone, []string{"71 01 02 01", "71 03 02 01 02 05"}, judge.Fail, 1, 0},
		{"told as broken off", task.LearnAborted, []string{"71 01 02 01", "71 03 02 01 02 05"}, judge.Pass, 0, 0},
		{"takes done for broken off", task.LearnAborted, []string{"71 01 02 01", "71 03 02 01 00"}, judge.Fail, 0, 1},
		{"refused", task.LearnRefused, []string{"7F 31 22"}, judge.Pass, 0, 0},
		{"takes a refusal for done", task.LearnDone, []string{"7F 31 22"}, judge.Fail, 1, 0},
		{"an older result", task.LearnRefused, []string{"71 03 02 01 00", "71 01 02 01"}, judge.Pass, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			status := judge.StatusOK
			if c.said != task.LearnDone {
				status = judge.StatusFailed
			}
			v, _ := newRun(t, nil).start().answers(engine, c.answers...).
				end(status, &judge.Report{Reads: task.Learn, Says: task.Learn, Learn: c.said}).verdicts()
			x := v["truth/learn"]
			require.Equal(t, c.outcome, x.Outcome, x.Reason)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{x.FalsePositives, x.FalseNegatives})
		})
	}
}

// What a fault has altered or hidden is not held against a tool: what it leaves out is
// nothing, what it says too much is advice. Once the fault is gone it counts again.
func TestFaultsExcuse(t *testing.T) {
	little := right()
	little.Stored = nil
	much := right()
	much.Stored = append(much.Stored, "P0301")
	for f, want := range map[string]judge.Outcome{"cable-pulled": judge.Advice, "sensor-broken": judge.Fail} {
		v, _ := conversation(newRun(t, nil).fault(judge.FaultOn, f)).end(judge.StatusOK, little).verdicts()
		require.Equal(t, want == judge.Fail, v["truth/stored"].FalseNegatives == 3, f)
		r := conversation(newRun(t, nil).start().fault(judge.FaultOn, f)).end(judge.StatusOK, right())
		v, _ = conversation(r).end(judge.StatusOK, much).verdicts()
		require.Equal(t, want, v["truth/stored"].Outcome, f)
		require.Equal(t, 1, v["truth/stored"].FalsePositives)
		v, _ = conversation(r.fault(judge.FaultOff, f)).end(judge.StatusOK, much).verdicts()
		require.Equal(t, judge.Fail, v["truth/stored"].Outcome, f)
	}
}

// A tool that gave up may leave out, but not make up.
func TestWhoGivesUpMayLeaveOut(t *testing.T) {
	rep := right()
	rep.Stored, rep.Says = nil, rep.Says&^task.VIN
	v, _ := conversation(newRun(t, nil)).end(judge.StatusFailed, rep).verdicts()
	require.NotContains(t, v, "truth/vin")
	require.NotContains(t, v, "truth/stored")
	rep.Pending = append(rep.Pending, "P0301")
	v, _ = conversation(newRun(t, nil)).end(judge.StatusFailed, rep).verdicts()
	require.Equal(t, judge.Fail, v["truth/pending"].Outcome)
}

// A scenario's exception is told, and what a profile does not read is not judged.
func TestExceptionsAndUnread(t *testing.T) {
	rep := right()
	rep.VIN = "X"
	r := newRun(t, func(o *report.Options) { o.Exceptions = map[string]string{"truth/vin": "it is painted over"} })
	v, _ := conversation(r).end(judge.StatusOK, rep).verdicts()
	require.Equal(t, judge.NotApplicable, v["truth/vin"].Outcome)
	require.Contains(t, v["truth/vin"].Reason, "painted over")
	rep.Reads = task.Stored
	v, _ = conversation(newRun(t, nil)).end(judge.StatusOK, rep).verdicts()
	require.Len(t, v, 1)
}

// Codes come in other lists, too. Who reports one that was listed does not make it up,
// and need not (ISO 14229-1:2020 clause 12.3; ISO 15031-5 service 02 PID 02).
func TestOtherListsOfCodes(t *testing.T) {
	for _, answer := range []string{
		"42 02 00 01 02", "59 03 01 02 00 01", "59 04 01 02 00 09 01 02 F4 0C 1A F8", "59 06 01 02 00 09 01 05", "59 05 01 01 02 00 09 01 F4 0C 1A F8", "59 16 01 01 02 00 09 07",
		"59 08 FF 20 10 01 02 00 09", "59 0A FF 01 02 00 09", "59 0E FF 01 02 00 09", "59 14 01 02 00 7F",
		"59 15 FF 01 02 00 09", "59 17 00 FF 01 02 00 09", "59 42 33 FF FF 04 20 01 02 00 09", "59 55 33 FF 04 01 02 00 09",
	} {
		for _, code := range []string{"", "P0102", "P0103"} {
			rep := &judge.Report{Reads: task.Stored, Says: task.Stored}
			if code != "" {
				rep.Stored = []string{code}
			}
			v, _ := newRun(t, nil).start().answers(engine, answer).end(judge.StatusOK, rep).verdicts()
			require.Equal(t, code == "P0103", v["truth/stored"].Outcome == judge.Fail, "%s %s: %s", answer, code, v["truth/stored"].Reason)
		}
	}
}

// A list that contradicts its own count may be refused or read as far as it goes.
func TestAContradictionMayBeReadBothWays(t *testing.T) {
	for _, stored := range [][]string{nil, {"P0102"}} {
		rep := &judge.Report{Reads: task.Stored, Says: task.Stored, Stored: stored}
		v, _ := newRun(t, nil).start().answers(engine, "43 02 01 02").end(judge.StatusOK, rep).verdicts()
		require.NotEqual(t, judge.Fail, v["truth/stored"].Outcome)
	}
}

// No answer has a form that breaks the reading of it.
func FuzzAnswers(f *testing.F) {
	for _, s := range []string{"4101826721", "430201", "590200", "4902013050", "7103", "62F190", "41", ""} {
		b, _ := hex.DecodeString(s)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r := newRun(t, nil).start()
		o := judge.Message(judge.Response, 0, data)
		o.ID = engine
		r.saw(o)
		// A tool that says nothing can say nothing too much.
		v, _ := r.end(judge.StatusOK, &judge.Report{Reads: right().Reads}).verdicts()
		for id, x := range v {
			require.Zero(t, x.FalsePositives, id)
		}
	})
}

// A freeze frame is that of the code that PID 02 of service 02 names, 00 00 for none,
// with the values that stand in it (SAE J1979 service 02: PID, frame number, data).
func TestFreezeFrames(t *testing.T) {
	said := func(code string, rpm float64) *judge.Report {
		r := &judge.Report{Reads: task.Freeze, Says: task.Freeze}
		if code != "" {
			r.Freeze = []judge.Freeze{{Code: code, Values: []judge.Live{{Name: "engine_rpm", Value: rpm}}}}
		}
		return r
	}
	frame := []string{"42 02 00 01 13", "42 0C 00 0A 00 05 00 7B"} // P0113; 640 rpm, 83 C
	for _, c := range []struct {
		name                 string
		answers              []string
		said                 *judge.Report
		outcome              judge.Outcome
		positives, negatives int
	}{
		{name: "as answered", answers: frame, said: said("P0113", 640), outcome: judge.Pass},
		{name: "another code", answers: frame, said: said("P0112", 640), outcome: judge.Fail, positives: 1, negatives: 1},
		{name: "another value", answers: frame, said: said("P0113", 2100), outcome: judge.Fail, positives: 1},
		{name: "left out", answers: frame, said: said("", 0), outcome: judge.Fail, negatives: 1},
		{name: "none, as answered", answers: []string{"42 02 00 00 00"}, said: said("", 0), outcome: judge.Pass},
		{name: "made up", answers: []string{"42 02 00 00 00"}, said: said("P0113", 640), outcome: judge.Fail, positives: 2},
		{name: "gone with a clear", answers: append(slices.Clone(frame), "44", "42 02 00 00 00"), said: said("", 0), outcome: judge.Pass},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			v, _ := newRun(t, nil).start().answers(engine, c.answers...).end(judge.StatusOK, c.said).verdicts()
			x := v["truth/freeze"]
			require.Equal(t, c.outcome, x.Outcome, x.Reason)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{x.FalsePositives, x.FalseNegatives}, x.Reason)
		})
	}
}

// An output is driven when a control unit accepts its adjustment (ISO 14229-1, service
// 2F with inputOutputControlParameter 03).
func TestDrivenOutputs(t *testing.T) {
	for _, c := range []struct {
		name, said           string
		answers              []string
		outcome              judge.Outcome
		positives, negatives int
	}{
		{name: "driven", said: task.OutputDone, answers: []string{"6F 04 00 03 01", "6F 04 00 00 00"}, outcome: judge.Pass},
		{name: "refused", said: task.OutputRefused, answers: []string{"7F 2F 22"}, outcome: judge.Pass},
		{name: "refused, told as done", said: task.OutputDone, answers: []string{"7F 2F 22"}, outcome: judge.Fail, positives: 1},
		{name: "only given back", said: task.OutputDone, answers: []string{"6F 04 00 00 00"}, outcome: judge.Fail, positives: 1},
		{name: "driven, told as refused", said: task.OutputRefused, answers: []string{"6F 04 00 03 01"}, outcome: judge.Fail, negatives: 1},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			rep := &judge.Report{Reads: task.Output, Says: task.Output, Output: c.said}
			v, _ := newRun(t, nil).start().answers(engine, c.answers...).end(judge.StatusOK, rep).verdicts()
			x := v["truth/output"]
			require.Equal(t, c.outcome, x.Outcome, x.Reason)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{x.FalsePositives, x.FalseNegatives}, x.Reason)
		})
	}
}

// The number of codes is byte A of PID 01 without its top bit, of all units together;
// calibration ids are texts of 16 characters (SAE J1979, PID 01 and InfoType 04).
func TestCountAndCalibrations(t *testing.T) {
	id := func(s string) string { return hex.EncodeToString([]byte(s + strings.Repeat("\x00", 16-len(s)))) }
	for _, c := range []struct {
		name                 string
		count                int
		ids                  []string
		fails                string
		positives, negatives int
	}{
		{name: "as answered", count: 3, ids: []string{"AB-1", "AB-2", "CD-9"}},
		{name: "one unit's count alone", count: 2, ids: []string{"AB-1", "AB-2", "CD-9"}, fails: "truth/count", positives: 1},
		{name: "an id too few", count: 3, ids: []string{"AB-1", "CD-9"}, fails: "truth/calibrations", negatives: 1},
		{name: "an id misread", count: 3, ids: []string{"AB-1", "AB-3", "CD-9"}, fails: "truth/calibrations", positives: 1, negatives: 1},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			const both = task.Count | task.Calibrations
			v, _ := newRun(t, nil).start().answers(engine, "41 01 82 07 00 00", "49 04 02"+id("AB-1")+id("AB-2")).
				answers(brake, "41 01 01 00 00 00", "49 04 01"+id("CD-9")).
				end(judge.StatusOK, &judge.Report{Reads: both, Says: both, Count: c.count, Calibrations: c.ids}).verdicts()
			require.Len(t, v, 2)
			for name, x := range v {
				if name != c.fails {
					require.Equal(t, judge.Pass, x.Outcome, x.Reason)
					continue
				}
				require.Equal(t, judge.Fail, x.Outcome, x.Reason)
				require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{x.FalsePositives, x.FalseNegatives}, x.Reason)
			}
		})
	}
}

// Each field that a tool can report has something that is claimed of it.
func TestEveryFieldIsCompared(t *testing.T) {
	require.Len(t, report.All(), len(task.EachField()))
	for _, r := range report.All() {
		require.NotEmpty(t, r.Says, r.ID)
		require.NotEmpty(t, r.Source, r.ID)
		require.NotEmpty(t, r.Why, r.ID)
	}
}

func notKnown(f task.Fields) (s task.States) {
	s.Set(f, task.Unknown)
	return s
}

func empty(f task.Fields) (s task.States) {
	s.Set(f, task.Empty)
	return s
}

// Of a unit that was asked and never answered nothing is known (SAE J1979: each unit of
// emission diagnostics answers service 03): "none" of the whole car or of this unit is
// made up, "not known" is honest, and so is to tell of the other unit alone.
func TestSilentUnitsAreNotEmpty(t *testing.T) {
	for _, c := range []struct {
		name  string
		says  task.Fields
		units []judge.Unit
		want  int
	}{
		{"none in the whole car", task.Stored, nil, 1},
		{"none in each", task.Stored, []judge.Unit{{Address: "7E0", States: empty(task.Stored)}, {Address: "7E1", States: empty(task.Stored)}}, 1},
		{"not known in the engine", task.Stored, []judge.Unit{{Address: "7E0", States: notKnown(task.Stored)}, {Address: "7E1", States: empty(task.Stored)}}, 0},
		{"not known at all", 0, []judge.Unit{{States: notKnown(task.Stored)}}, 0},
	} {
		r := newRun(t, nil).start()
		r.saw(judge.Message(judge.Request, 0, []byte{0x01, 0x00})).answers(engine, "41 00 BE 3F A8 13").answers(brake, "41 00 98 18 00 01")
		all := judge.Message(judge.Request, 0, []byte{0x03})
		all.Functional = true
		r.saw(all).answers(brake, "43 00")
		v, _ := r.end(judge.StatusOK, &judge.Report{Reads: task.Stored, Says: c.says, Units: c.units}).verdicts()
		require.Equal(t, c.want, v["truth/stored"].FalsePositives, "%s: %s", c.name, v["truth/stored"].Reason)
	}
}

// "None" of what nobody asked for is made up; "not known" is not, and neither is what a
// unit refused to tell (ISO 14229-1: NRC 11), or what was asked in a task before.
func TestNoneNeedsAQuestion(t *testing.T) {
	none := func(r *judge.Report) { r.Reads, r.Says, r.Permanent = task.Permanent, task.Permanent, nil }
	rep := new(judge.Report)
	none(rep)
	vs, _ := newRun(t, nil).start().answers(engine, "43 00").end(judge.StatusOK, rep).verdicts()
	require.Equal(t, judge.Fail, vs["truth/permanent"].Outcome)
	require.Contains(t, vs["truth/permanent"].Reason, "no permanent codes (nobody was asked)")
	require.Equal(t, 1, vs["truth/permanent"].FalsePositives)

	unknown := *rep
	unknown.Says, unknown.Units = 0, []judge.Unit{{States: notKnown(task.Permanent)}}
	vs, _ = newRun(t, nil).start().answers(engine, "43 00").end(judge.StatusOK, &unknown).verdicts()
	require.NotContains(t, vs, "truth/permanent")

	for _, answer := range []string{"4A 00", "7F 0A 11", "59 15 FF"} {
		vs, _ = newRun(t, nil).start().answers(engine, answer).end(judge.StatusOK, rep).verdicts()
		require.NotEqual(t, judge.Fail, vs["truth/permanent"].Outcome, answer)
	}
	r := newRun(t, nil).start()
	ask := judge.Message(judge.Request, 0, []byte{0x0A})
	r.saw(ask).end(judge.StatusOK, rep)
	vs, _ = r.start().end(judge.StatusOK, rep).verdicts()
	require.NotContains(t, vs, "truth/permanent", "it may be remembered")
}

// Where a fault only keeps frames from arriving, a whole answer says what it says: a value
// that is another is wrong, whatever was lost beside it. Where answers may be falsified it
// is not held against anybody.
func TestAWrongValueBesideALostAnswer(t *testing.T) {
	for _, c := range []struct {
		fault string
		value float64
		want  judge.Outcome
	}{
		{"frames-lost", 83, judge.Pass}, {"frames-lost", 123, judge.Fail}, {"cable-pulled", 123, judge.Pass},
	} {
		r := newRun(t, func(o *report.Options) {
			o.Alters = func(string) bool { return true }
			o.Falsifies = func(f string) bool { return f == "cable-pulled" }
		}).fault(judge.FaultOn, c.fault).start()
		rep := &judge.Report{Reads: task.Live, Says: task.Live, Live: []judge.Live{{Name: "coolant_c", Value: c.value}, {Name: "engine_rpm", Value: 640}}}
		v, _ := r.answers(engine, "41 05 7B", "41 0C 0A 00").end(judge.StatusOK, rep).verdicts() // 83 C, 640 rpm
		require.Equal(t, c.want, v["truth/live"].Outcome, "%v: %s", c, v["truth/live"].Reason)
	}
}

// What two control units answer is told of the one that has answered it: a code or a
// calibration id of the other is in the wrong place, and so is a vehicle's number.
func TestWhatIsSaidOfAUnit(t *testing.T) {
	other := vin[:16] + "9"
	text := func(s string, n int) string { return hex.EncodeToString([]byte(s + strings.Repeat("\x00", n-len(s)))) }
	const all = task.Stored | task.VIN | task.Calibrations
	for _, c := range []struct {
		name   string
		change func(e, b *judge.Unit)
		fails  string
	}{
		{"as answered", func(e, b *judge.Unit) {}, ""},
		{"codes changed places", func(e, b *judge.Unit) { e.Stored, b.Stored = b.Stored, e.Stored }, "truth/stored"},
		{"an id in the wrong place", func(e, b *judge.Unit) { b.Calibrations = []string{"AB-1"} }, "truth/calibrations"},
		{"the engine's number for the brake's", func(e, b *judge.Unit) { b.VIN = vin }, "truth/vin"},
		{"by names alone nobody can tell", func(e, b *judge.Unit) {
			e.Stored, b.Stored = b.Stored, e.Stored
			e.Address, b.Address = "", ""
		}, ""},
	} {
		e := judge.Unit{Address: "7E0", VIN: vin, Stored: []string{"P0102"}, Calibrations: []string{"AB-1"}}
		b := judge.Unit{Address: "7E1", VIN: other, Stored: []string{"C0035"}, Calibrations: []string{"CD-9"}}
		c.change(&e, &b)
		rep := &judge.Report{Reads: all, Says: all, VIN: vin, Stored: []string{"P0102", "C0035"}, Calibrations: []string{"AB-1", "CD-9"}, Units: []judge.Unit{e, b}}
		v, _ := newRun(t, nil).start().
			answers(engine, "43 01 01 02", "49 02 01"+text(vin, 17), "49 04 01"+text("AB-1", 16)).
			answers(brake, "43 01 40 35", "49 02 01"+text(other, 17), "49 04 01"+text("CD-9", 16)).end(judge.StatusOK, rep).verdicts()
		require.Len(t, v, 3, c.name)
		for id, x := range v {
			want := judge.Pass
			if id == c.fails {
				want = judge.Fail
			}
			require.Equal(t, want, x.Outcome, "%s: %s: %s", c.name, id, x.Reason)
		}
	}
}
