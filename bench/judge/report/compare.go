package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/task"
)

// Prefix begins the ids of the verdicts.
const Prefix = "truth/"

const group = "what the tool says"

// claim is what holds of one field of a report.
type claim struct {
	says, source, why string
	compare           func(*comparison)
}

// claims are what is compared, by field.
var claims = map[task.Fields]claim{
	task.ECUs: {
		says:    "The control units that the tool names are those that answered",
		source:  "ISO 15765-4:2011 clause 6 (who answers service 01 PID 00); else the units that answered on the bus, common practice",
		why:     "A control unit that is missed is not diagnosed.",
		compare: (*comparison).ecus,
	},
	task.VIN: {
		says:    "The vehicle's number that the tool reports is one that a control unit answered",
		source:  "ISO 15031-5:2015 clause 7 (service 09 InfoType 02); ISO 14229-1:2013 annex C (identifier F190)",
		why:     "A report under another number belongs to another car.",
		compare: (*comparison).vin,
	},
	task.Stored: {
		says:    "The stored codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 03); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation) and annex D (confirmed)",
		why:     "A code that is made up sends somebody looking, one that is left out hides the fault.",
		compare: (*comparison).codes,
	},
	task.Pending: {
		says:    "The pending codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 07); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation) and annex D (pending)",
		why:     "A code that is made up sends somebody looking, one that is left out hides the fault.",
		compare: (*comparison).codes,
	},
	task.Permanent: {
		says:    "The permanent codes that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 0A); ISO 14229-1:2013 clause 11.3 (ReadDTCInformation)",
		why:     "They decide whether a car passes an inspection.",
		compare: (*comparison).codes,
	},
	task.Freeze: {
		says:    "The freeze frames that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 02, PID 02 is the code that froze it); ISO 14229-1:2013 clause 11.3 (reportDTCSnapshotRecordByDTCNumber)",
		why:     "They tell when the fault came: a frame of another code, or another value in it, sends somebody to the wrong moment.",
		compare: (*comparison).freeze,
	},
	task.Lamp: {
		says:    "The malfunction lamp is reported as the control units command it",
		source:  "ISO 15031-5:2015 annex B (PID 01, byte A bit 7)",
		why:     "The lamp is what the driver came for.",
		compare: (*comparison).lamp,
	},
	task.Count: {
		says:    "The number of codes is reported as the control units answered",
		source:  "ISO 15031-5:2015 annex B (PID 01, byte A bits 0 to 6)",
		why:     "A number that does not fit the list tells that codes were missed.",
		compare: (*comparison).count01,
	},
	task.Calibrations: {
		says:    "The calibration ids that the tool reports are those that the control units answered",
		source:  "ISO 15031-5:2015 clause 7 (service 09 InfoType 04)",
		why:     "A wrong id brings the wrong data set into a control unit.",
		compare: (*comparison).calibrations,
	},
	task.Readiness: {
		says:    "The monitors are reported as the control units answered",
		source:  "ISO 15031-5:2015 annex B (PID 01, bytes B to D)",
		why:     "Who reads complete where it is not drives to an inspection in vain.",
		compare: (*comparison).readiness,
	},
	task.Live: {
		says:    "The values that the tool reports are those that were answered, within their resolution",
		source:  "ISO 15031-5:2015 annex B (scaling of PIDs)",
		why:     "A diagnosis by a wrong value replaces good parts.",
		compare: (*comparison).live,
	},
	task.Learn: {
		says:    "The result of a learn is reported as the control unit answered",
		source:  "ISO 14229-1:2013 clause 13.2 (RoutineControl, requestRoutineResults)",
		why:     "A learn that only seems done leaves a car that does not run.",
		compare: (*comparison).learn,
	},
	task.Output: {
		says:    "The result of driving an output is reported as the control unit answered",
		source:  "ISO 14229-1:2013 clause 12.2 (InputOutputControlByIdentifier)",
		why:     "An actuator that only seems to have been driven is taken for broken.",
		compare: (*comparison).output,
	},
}

// All lists what is compared, in the form of the rules.
func All() []rules.Rule {
	var list []rules.Rule
	for _, f := range task.EachField() {
		c := claims[f.Field]
		list = append(list, rules.Rule{
			ID: Prefix + f.Name, Group: group, Severity: rules.Must, Says: c.says, Why: c.why, Source: c.source,
		})
	}
	return list
}

// IDs lists the ids.
func IDs() []string {
	var ids []string
	for _, f := range task.EachField() {
		ids = append(ids, Prefix+f.Name)
	}
	return ids
}

// Options say what is to be known of a run.
type Options struct {
	// Alters reports whether a fault alters answers, or keeps frames from arriving
	// as they were sent, so that a tool may distrust them. Nil means none does.
	Alters func(fault string) bool
	// Falsifies reports whether a fault has answers say something else than their units
	// meant, so that even a whole one may be understood in another way. Nil means that
	// what alters may falsify.
	Falsifies func(fault string) bool
	// Exceptions are ids that are not held against a tool, with the reason.
	Exceptions map[string]string
	// Requests gives the request identifier of the unit that answers on one, in hex,
	// as Report.Addresses has it.
	Requests map[int]string
}

// Count is what came of the reports of one task.
type Count struct {
	Task string
	// True are entries that were said and true.
	True, FalsePositives, FalseNegatives int
}

// Set compares one run's reports.
type Set struct {
	opt     Options
	heard   *heard // nil outside a task
	on      []string
	altered bool // a fault has altered something in the running task
	// falsified says that it may have changed what answers say.
	falsified bool
	known     []item // vehicle's numbers heard in the run
	status    bool   // lamp and monitors were heard in the run
	// asked are the fields that were asked for in the run: a tool may remember.
	asked   map[string]bool
	tallies []tally
	counts  []Count
}

// tally is what one field came to.
type tally struct {
	reports, right, positives, negatives int
	// held says that something wrong was said while no fault could excuse it.
	held     bool
	wrong    []string
	evidence []judge.Evidence
	at       time.Duration
}

// New returns a set for one run.
func New(opt Options) *Set {
	if opt.Alters == nil {
		opt.Alters = func(string) bool { return false }
	}
	if opt.Falsifies == nil {
		opt.Falsifies = opt.Alters
	}
	return &Set{opt: opt, tallies: make([]tally, len(claims)), asked: map[string]bool{}}
}

// Observe takes what goes by.
func (s *Set) Observe(o *judge.Observation) {
	switch o.Kind {
	case judge.Response:
		if s.heard != nil && len(o.Data) > 0 {
			s.heard.take(o)
			maps.Copy(s.asked, s.heard.asked)
		}
	case judge.Request:
		if s.heard != nil && len(o.Data) > 0 {
			s.heard.ask(o)
			maps.Copy(s.asked, s.heard.asked)
		}
	case judge.FaultOn:
		s.on = append(s.on, o.Fault)
		s.altered = s.altered || s.opt.Alters(o.Fault)
		s.falsified = s.falsified || s.opt.Falsifies(o.Fault)
	case judge.FaultOff:
		if i := slices.Index(s.on, o.Fault); i >= 0 {
			s.on = slices.Delete(s.on, i, i+1)
		}
	case judge.TaskStart:
		s.heard, s.altered = newHeard(), slices.ContainsFunc(s.on, s.opt.Alters)
		s.falsified = slices.ContainsFunc(s.on, s.opt.Falsifies)
	case judge.TaskEnd:
		if s.heard != nil && o.Report != nil {
			s.compare(o)
		}
		s.heard = nil
	}
}

// compare looks at each field of a report.
func (s *Set) compare(o *judge.Observation) {
	h := s.heard
	s.known = append(s.known, h.vins...)
	s.status = s.status || len(h.lamp) > 0
	c := comparison{set: s, h: h, r: o.Report, o: o}
	for i, f := range task.EachField() {
		if !o.Report.Reads.Has(f.Field) {
			continue
		}
		c.t, c.name, c.field, c.said = &s.tallies[i], f.Name, f.Field, o.Report.Says.Has(f.Field)
		before := *c.t
		claims[f.Field].compare(&c)
		if *c.count(&before) != (Count{Task: o.Task}) {
			c.t.reports++
		}
	}
}

// comparison is one field of one report.
type comparison struct {
	set   *Set
	h     *heard
	r     *judge.Report
	o     *judge.Observation
	t     *tally
	name  string
	field task.Fields
	said  bool
}

// count adds what has changed to the counts of the task.
func (c *comparison) count(before *tally) *Count {
	d := Count{c.o.Task, c.t.right - before.right, c.t.positives - before.positives, c.t.negatives - before.negatives}
	i := slices.IndexFunc(c.set.counts, func(x Count) bool { return x.Task == d.Task })
	if i < 0 {
		i = len(c.set.counts)
		c.set.counts = append(c.set.counts, Count{Task: d.Task})
	}
	x := &c.set.counts[i]
	x.True += d.True
	x.FalsePositives += d.FalsePositives
	x.FalseNegatives += d.FalseNegatives
	return &d
}

// positive notes an entry that was said and is not true.
func (c *comparison) positive(text string, by ...judge.Evidence) {
	c.t.positives++
	c.note(text+" is said, not true", by)
}

// negative notes one that is true and was not said. A tool that gave up, or could not
// trust an answer, may leave it out.
func (c *comparison) negative(text string, by ...judge.Evidence) {
	if !c.set.altered && c.o.Status == judge.StatusOK {
		c.missed(text, by)
	}
}

func (c *comparison) missed(text string, by []judge.Evidence) {
	c.t.negatives++
	c.note(text+" is true, not said", by)
}

func (c *comparison) note(text string, by []judge.Evidence) {
	const most = 6
	c.t.held = c.t.held || !c.set.altered
	if len(c.t.wrong) == 0 {
		c.t.at = c.o.Time
	}
	c.t.wrong = append(c.t.wrong, fmt.Sprintf("%s: %s", c.o.Task, text))
	end := judge.Evidence{Time: c.o.Time, Text: "task " + c.o.Task + " ends: " + c.o.Status}
	for _, e := range append(slices.Clone(by), end) {
		if len(c.t.evidence) < most && !slices.Contains(c.t.evidence, e) {
			c.t.evidence = append(c.t.evidence, e)
		}
	}
}

func (c *comparison) ecus() {
	if !c.said {
		for _, u := range c.h.units {
			c.negative(unitText(&u), u.by)
		}
		return
	}
	told := slices.DeleteFunc(slices.Clone(c.r.Addresses), func(a string) bool { return a == "" })
	if len(told) != len(c.r.ECUs) { // names are the tool's own, so only their number counts
		n := len(c.h.units) - len(c.r.ECUs)
		c.t.right += min(len(c.h.units), len(c.r.ECUs))
		for i := range max(n, -n) {
			if n > 0 {
				c.negative(fmt.Sprintf("control unit %d of %d", i+1+len(c.r.ECUs), len(c.h.units)))
			} else {
				c.positive(fmt.Sprintf("control unit %d of %d", i+1+len(c.h.units), len(c.r.ECUs)))
			}
		}
		return
	}
	for _, u := range c.h.units {
		i := slices.Index(told, c.set.opt.Requests[u.unit])
		if i < 0 {
			c.negative(unitText(&u), u.by)
			continue
		}
		c.t.right++
		told = slices.Delete(told, i, i+1)
	}
	for _, a := range told {
		c.positive("control unit " + a)
	}
}

func unitText(u *item) string { return strings.TrimSpace(fmt.Sprintf("%s %03X", u.text, u.unit)) }

func (c *comparison) vin() {
	good := func(i item) bool { return i.text == c.r.VIN }
	switch {
	case c.said && slices.ContainsFunc(c.set.known, good):
		c.t.right++
	case c.said && len(c.set.known) > 0:
		last := c.set.known[len(c.set.known)-1]
		c.positive(fmt.Sprintf("number %q", c.r.VIN), last.by)
		c.negative(fmt.Sprintf("number %q", last.text), last.by)
	case c.said:
		c.positive(fmt.Sprintf("number %q", c.r.VIN))
	default:
		for _, i := range c.h.vins {
			if printable(i.text) {
				c.negative(fmt.Sprintf("number %q", i.text), i.by)
				return
			}
		}
	}
}

// printable reports a vehicle's number as it must be: letters and digits.
func printable(vin string) bool {
	return strings.Trim(vin, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") == ""
}

func (c *comparison) codes() {
	var said []string
	for _, x := range c.r.List(c.name) {
		code, _, _ := strings.Cut(x, "-")
		if !slices.Contains(said, code) {
			said = append(said, code)
		}
	}
	for _, code := range said {
		is := func(i item) bool { return i.text == code }
		if slices.ContainsFunc(c.h.may[c.name], is) {
			c.t.right++
		} else {
			c.positive("code " + code)
		}
	}
	var missed []string
	for _, i := range c.h.must[c.name] {
		if !slices.Contains(said, i.text) && !slices.Contains(missed, i.text) {
			missed = append(missed, i.text)
			c.negative("code "+i.text, i.by)
		}
	}
	if !c.said {
		return
	}
	c.silent(said)
	// That there is none is an entry, too.
	switch {
	case len(said) > 0 || len(missed) > 0 || c.r.Lost().Has(c.field):
	case c.h.answered[c.name]:
		c.t.right++
	case !c.set.asked[c.name] && len(c.h.may[c.name]) == 0:
		c.positive("that there are no " + c.name + " codes (nobody was asked)")
	}
}

// silent looks for control units that were asked and never answered: what is in them is
// not known, and who tells of the others as if that were all says more than anybody knows.
// Where the tool tells of each control unit, only those that it calls empty count.
func (c *comparison) silent(said []string) {
	for _, u := range c.h.quiet(c.name) {
		name := unitText(&u)
		state := task.Empty
		if c.r.NotKnown().Has(c.field) {
			state = task.Unknown
		}
		for i := range c.r.Units {
			if x := &c.r.Units[i]; x.Address != "" && x.Address == c.set.opt.Requests[u.unit] {
				state = x.States.Of(c.field)
			}
		}
		if state == task.Empty {
			c.positive(fmt.Sprintf("that there are no %scodes in %s (it never answered)", map[bool]string{true: "other "}[len(said) > 0]+c.name+" ", name), u.by)
		}
	}
}

func (c *comparison) lamp() {
	on := false
	// any order: whether any is on
	for _, x := range c.h.lamp {
		on = on || x
	}
	switch {
	case len(c.h.lamp) == 0:
		if c.said && c.r.Lamp && !c.set.status {
			c.positive("the lamp on (nobody was asked)")
		}
	case !c.said && on, c.said && on && !c.r.Lamp:
		c.negative("the lamp on", c.h.lampBy)
	case !c.said:
	case !on && c.r.Lamp:
		c.positive("the lamp on", c.h.lampBy)
	default:
		c.t.right++
	}
}

func (c *comparison) readiness() {
	facts := c.h.joined()
	if len(c.h.lamp) == 0 && c.set.status {
		return // it may be known from a task before
	}
	for _, m := range facts {
		i := slices.IndexFunc(c.r.Readiness, func(r judge.Readiness) bool { return r.Monitor == m.name })
		state := ""
		if i >= 0 {
			state = c.r.Readiness[i].State
		}
		switch {
		case state == "complete" && !m.complete:
			c.positive("monitor "+m.name+" complete", m.by)
		case state == "complete" || state == "incomplete" && !m.complete:
			c.t.right++
		case m.complete:
			c.negative("monitor "+m.name+" complete", m.by)
		default:
			c.negative("monitor "+m.name+" incomplete", m.by)
		}
	}
	for _, r := range c.r.Readiness {
		// any order: whether it is among them
		known := slices.Contains(slices.Collect(maps.Values(monitorNames)), r.Monitor)
		if known && r.State != "unsupported" && !slices.ContainsFunc(facts, func(m monitor) bool { return m.name == r.Monitor }) {
			c.positive("monitor " + r.Monitor)
		}
	}
}

// tolerance is how far a value may be from an answer: half its resolution, and what
// is lost when a tool rounds for display (half a percent, common practice).
func tolerance(i *item) float64 { return float64(0.51*i.step) + float64(0.005*math.Abs(i.value)) }

// live compares with all answers of the task: each is as good as another, and how old
// it may be is the task's length.
func (c *comparison) live() { c.values(c.r.Live, c.h.live, "") }

// values compares what is said with what was answered; of says whose values they are.
func (c *comparison) values(said []judge.Live, answered []item, of string) {
	for _, l := range said {
		if !named(l.Name) {
			continue
		}
		near, found := item{}, false
		for _, i := range answered {
			if i.text == l.Name && (!found || math.Abs(i.value-l.Value) < math.Abs(near.value-l.Value)) {
				near, found = i, true
			}
		}
		switch {
		case found && math.Abs(near.value-l.Value) <= tolerance(&near):
			c.t.right++
		case c.set.falsified || !found && (c.h.other || c.set.altered):
		case found: // also where another answer was lost: this one was whole
			c.t.held = true
			c.positive(fmt.Sprintf("%s%s %.6g (answered was %.6g)", of, l.Name, l.Value, near.value), near.by)
		default:
			c.positive(fmt.Sprintf("%s%s %.6g (nobody was asked)", of, l.Name, l.Value))
		}
	}
}

// freeze compares the codes that froze a frame, and the values in it.
func (c *comparison) freeze() {
	c.codes()
	for i := range c.r.Freeze {
		c.values(c.r.Freeze[i].Values, c.h.frozen, "freeze frame ")
	}
}

// output compares how driving an actuator ended.
func (c *comparison) output() {
	done := c.said && c.r.Output == task.OutputDone
	switch {
	case done && !c.h.driven:
		c.positive("output driven (no control unit has accepted it)")
	case !done && c.said && c.h.driven && !c.set.altered:
		c.missed("output driven", []judge.Evidence{c.h.drivenBy})
	case c.said:
		c.t.right++
	}
}

// count01 compares the number of codes of all units with that of PID 01.
func (c *comparison) count01() {
	if !c.said || len(c.h.counts) == 0 {
		return // it may be known from a task before, and need not be told
	}
	n := 0
	// any order: a sum of whole numbers
	for _, x := range c.h.counts {
		n += x
	}
	if n == c.r.Count {
		c.t.right++
		return
	}
	c.positive(fmt.Sprintf("%d codes (answered was %d)", c.r.Count, n), c.h.lampBy)
}

// calibrations compares the ids of all units. Who reads none need not have asked.
func (c *comparison) calibrations() {
	rest := slices.Clone(c.h.calibrations)
	for _, id := range c.r.Calibrations {
		i := slices.IndexFunc(rest, func(x item) bool { return x.text == id })
		if i < 0 {
			c.positive("calibration " + id)
			continue
		}
		c.t.right++
		rest = slices.Delete(rest, i, i+1)
	}
	for i := range rest {
		if c.said {
			c.negative("calibration "+rest[i].text, rest[i].by)
		}
	}
}

// resultDone is the first byte of a routine's result on the stand-in cars: 00 done,
// 01 running, 02 broken off, 03 never run.
const resultDone = 0x00

func (c *comparison) learn() {
	done := c.said && c.r.Learn == task.LearnDone
	switch {
	case done && !c.h.accepted:
		c.positive("learn done (no control unit has accepted one)")
	case done && c.h.result > resultDone:
		c.positive(fmt.Sprintf("learn done (the routine's last result is %02X)", c.h.result), c.h.resultBy)
	case !done && c.h.result == resultDone && c.said:
		// A tool that takes a success for a failure also ends as one.
		if !c.set.altered {
			c.missed("learn done", []judge.Evidence{c.h.resultBy})
		}
	case c.said:
		c.t.right++
	}
}

// Finish returns the verdicts on the fields that were compared, and the counts by
// task, in the order of the tasks.
func (s *Set) Finish(now time.Duration) ([]judge.Verdict, []Count) {
	var vs []judge.Verdict
	for i, f := range task.EachField() {
		t, x := &s.tallies[i], claims[f.Field]
		if t.reports == 0 {
			continue
		}
		v := judge.Verdict{
			ID: Prefix + f.Name, Group: judge.GroupReport, Says: x.says, Why: x.why, Source: x.source, Outcome: judge.Pass, Decided: now,
			FalsePositives: t.positives, FalseNegatives: t.negatives, Evidence: t.evidence,
			Reason: fmt.Sprintf("%s in %s, all true", many(t.right, "entry", "entries"), many(t.reports, "report", "reports")),
		}
		if n := t.positives + t.negatives; n > 0 {
			v.Outcome, v.Cause, v.Decided = judge.Fail, judge.Broken, t.at
			v.Margin = judge.Margin{Value: -float64(n), Unit: "entries", Known: true}
			v.Reason = fmt.Sprintf("%s, %d right: %s", v.Mistakes(), t.right, short(t.wrong))
			if !t.held {
				v.Outcome, v.Cause = judge.Advice, judge.NoCause
				v.Reason += ". A fault was at the frames or the answers, so it is not held against the tool"
			}
			if because, ok := s.opt.Exceptions[v.ID]; ok {
				v.Outcome, v.Cause = judge.NotApplicable, judge.NoCause
				v.Reason = "the scenario makes an exception, " + because + ": " + v.Reason
			}
		}
		vs = append(vs, v)
	}
	return vs, s.counts
}

func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func short(list []string) string {
	const most = 5
	if len(list) <= most {
		return strings.Join(list, "; ")
	}
	return strings.Join(list[:most], "; ") + fmt.Sprintf("; and %d more", len(list)-most)
}
