package trace

import (
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

// Bounds of a trace.
const (
	// MaxEvents bounds the messages and lines that are kept, MaxMarks the faults,
	// tasks and moves of the driver.
	MaxEvents = 120_000
	MaxMarks  = 20_000
	// MaxData and MaxText bound what is kept of one message and of one line, in
	// bytes; Event.Length tells the whole length.
	MaxData = 256
	MaxText = 400
	// MaxSteps bounds the steps of time.
	MaxSteps = 512
)

// Event is one thing that was seen.
type Event struct {
	Time time.Duration
	Kind judge.Kind
	// Functional marks a request to all ECUs.
	Functional bool
	// First and Last are frame numbers in the run's capture, from 1; 0 for what
	// was not on the bus. ID is the CAN identifier, or -1.
	First, Last, ID int32
	// Line numbers the tool's lines of one task from 1.
	Line int32
	// Length is the length of the whole message in bytes; Data may be less.
	Length int32
	// Name is whose it is: the ECU, the task, the fault or the driver's control.
	Name string
	// Text is a line of the tool, how a task ended, or where a control went.
	Text string
	// Status is how a task ended: one of judge.Statuses.
	Status string
	Data   []byte
	seq    int
}

// Group is a shared identifier, and the ECUs that listen to it.
type Group struct {
	ID    int32
	Units []string
}

// Hear lists the ECUs that a request to all on this identifier reaches; nil where it is
// not known.
func (t *Trace) Hear(id int32) []string {
	for _, g := range t.Groups {
		if g.ID == id {
			return g.Units
		}
	}
	return nil
}

// Trace keeps one run. It belongs to the run's loop until Close.
type Trace struct {
	// Length is the run's time, and Frames how many frames there were.
	Length time.Duration
	Frames int
	// Lost counts the messages and lines in the middle that were not kept,
	// LostMarks the marks after the bound.
	Lost, LostMarks int
	// Groups are the identifiers on which several ECUs are asked at once.
	Groups []Group

	head, tail []Event // the first half, and a ring of the others
	next       int     // place in the ring
	marks      []Event
	seq        int
	arena      []byte
	counts     counts
	table      *signal.Table
	signals    []series
	step       step
}

// New returns a trace of the signals in a table.
func New(truth *signal.Table) *Trace {
	t := &Trace{table: truth, counts: newCounts(), step: step{width: firstSample}}
	if truth != nil {
		for _, i := range truth.Infos() {
			t.signals = append(t.signals, series{info: i})
		}
	}
	return t
}

// Observe keeps an observation. Single frames are left to Frame.
func (t *Trace) Observe(o *judge.Observation) {
	if o.Kind == judge.Frame {
		return
	}
	t.seq++
	e := Event{
		Time: o.Time, Kind: o.Kind, Functional: o.Functional, First: int32(o.First), Last: int32(o.Last), ID: int32(o.ID),
		Line: int32(o.Line), Length: int32(len(o.Data)), Text: clip(o.Text, MaxText), Status: o.Status, seq: t.seq,
	}
	switch o.Kind {
	case judge.Request, judge.Response:
		e.Name, e.Data = o.ECU, t.keep(o.Data)
		if o.Why != "" {
			e.Text = clip(o.Why, MaxText)
		}
		t.counts.message(o)
		t.add(e)
	case judge.Line:
		e.Name = o.Task
		t.counts.add(Lines, o.Time)
		t.add(e)
	default:
		e.Name = firstOf(o.Fault, o.Task, o.Control)
		if len(t.marks) == MaxMarks {
			t.LostMarks++
			return
		}
		t.marks = append(t.marks, e)
	}
}

// add keeps a message or a line: the first half as they come, then a ring.
func (t *Trace) add(e Event) {
	const half = MaxEvents / 2
	switch {
	case len(t.head) < half:
		t.head = append(t.head, e)
	case len(t.tail) < half:
		t.tail = append(t.tail, e)
	default:
		t.tail[t.next] = e
		t.next = (t.next + 1) % half
		t.Lost++
	}
}

// keep copies data into an arena: a message each would be many small pieces.
func (t *Trace) keep(data []byte) []byte {
	data = data[:min(len(data), MaxData)]
	if len(t.arena)+len(data) > cap(t.arena) {
		t.arena = make([]byte, 0, 16<<10)
	}
	from := len(t.arena)
	t.arena = append(t.arena, data...)
	return t.arena[from:len(t.arena):len(t.arena)]
}

// Frame counts a frame of the bus.
func (t *Trace) Frame(at time.Duration, lane Lane) {
	t.Frames++
	t.counts.add(lane, at)
}

// Sample keeps the signals' values of this moment.
func (t *Trace) Sample(now time.Duration) {
	i := t.step.at(now, func() {
		for k := range t.signals {
			t.signals[k].fold()
		}
	})
	for k := range t.signals {
		t.signals[k].put(i, t.table.Get(signal.Ref(k)))
	}
}

// Names lists the signals.
func (t *Trace) Names() []string {
	var list []string
	for i := range t.signals {
		list = append(list, t.signals[i].info.Name)
	}
	return list
}

// Close ends the trace at the run's end.
func (t *Trace) Close(length time.Duration) {
	t.Length = length
	t.table = nil // it is the car's, which may go now
}

// Events lists what was kept, in the order in which it was seen.
func (t *Trace) Events() []Event {
	list := slices.Concat(t.head, t.tail[t.next:], t.tail[:t.next], t.marks)
	slices.SortStableFunc(list, func(a, b Event) int { return a.seq - b.seq })
	return list
}

// Beside are the observations that were not on the bus: faults, tasks and moves of the
// driver, in their order.
func (t *Trace) Beside() []judge.Observation {
	var list []judge.Observation
	for _, e := range t.marks {
		o := judge.Saw(e.Kind, e.Time)
		o.Text, o.Status = e.Text, e.Status
		switch e.Kind {
		case judge.FaultOn, judge.FaultOff:
			o.Fault = e.Name
		case judge.TaskStart, judge.TaskEnd:
			o.Task = e.Name
		case judge.Driver:
			o.Control = e.Name
		}
		list = append(list, o)
	}
	return list
}

func firstOf(words ...string) string {
	for _, w := range words {
		if w != "" {
			return w
		}
	}
	return ""
}

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n] + "…"
}
