package trace

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

// Format is the version of the file's layout.
const Format = 1

// maxLine bounds a line of the file.
const maxLine = 1 << 20

// The lines of the file. Times are whole microseconds since the run began.
type (
	headLine struct {
		Format    int   `json:"sawhorse_trace"`
		Length    int64 `json:"length_us"`
		Frames    int   `json:"frames"`
		Lost      int   `json:"lost"`
		LostMarks int   `json:"lost_marks"`
	}
	line struct {
		Lane   string `json:"lane,omitempty"`
		Signal string `json:"signal,omitempty"`
		Event  string `json:"event,omitempty"`
		Group  *int32 `json:"group,omitempty"`

		// Of a group: the ECUs that listen to it.
		Units []string `json:"units,omitempty"`

		// Of a lane: Width of a step and the counts. Of a signal: the steps at
		// which it changed, [step, value] or [step, least, greatest].
		Width  int64       `json:"width_us,omitempty"`
		Counts []uint32    `json:"counts,omitempty"`
		Unit   string      `json:"unit,omitempty"`
		About  string      `json:"about,omitempty"`
		Steps  int         `json:"steps,omitempty"`
		Moved  bool        `json:"moved,omitempty"`
		Points [][]float32 `json:"points,omitempty"`

		At         int64  `json:"at_us,omitempty"`
		First      int32  `json:"first,omitempty"`
		Last       int32  `json:"last,omitempty"`
		ID         *int32 `json:"id,omitempty"`
		Functional bool   `json:"functional,omitempty"`
		Name       string `json:"name,omitempty"`
		Text       string `json:"text,omitempty"`
		Status     string `json:"status,omitempty"`
		Line       int32  `json:"line,omitempty"`
		Length     int32  `json:"length,omitempty"`
		Data       hex    `json:"data,omitempty"`
	}
)

// maxGroups bounds the groups, and the units of one.
const maxGroups = 64

// hex is bytes written in hexadecimal.
type hex []byte

// MarshalText writes "03AB".
func (h hex) MarshalText() ([]byte, error) { return fmt.Appendf(nil, "%X", []byte(h)), nil }

// UnmarshalText reads it.
func (h *hex) UnmarshalText(b []byte) error {
	if len(b)%2 != 0 || len(b) > 2*MaxData {
		return fmt.Errorf("data of %d digits, want an even number up to %d", len(b), 2*MaxData)
	}
	*h = make(hex, len(b)/2)
	for i := range *h {
		v, err := strconv.ParseUint(string(b[2*i:2*i+2]), 16, 8)
		if err != nil {
			return fmt.Errorf("data %q, want hexadecimal digits", b[2*i:2*i+2])
		}
		(*h)[i] = byte(v)
	}
	return nil
}

// Write writes the trace as JSON, a line an entry: how it is as a whole, lanes,
// signals, groups, events.
func (t *Trace) Write(w io.Writer) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	if err := enc.Encode(headLine{Format, t.Length.Microseconds(), t.Frames, t.Lost, t.LostMarks}); err != nil {
		return err
	}
	for l := range Lanes {
		if err := enc.Encode(line{Lane: l.String(), Width: t.counts.step.width.Microseconds(), Counts: t.counts.lanes[l]}); err != nil {
			return err
		}
	}
	for i := range t.signals {
		s := &t.signals[i]
		if err := enc.Encode(line{
			Signal: s.info.Name, Unit: s.info.Unit, About: s.info.Text, Width: t.step.width.Microseconds(),
			Steps: len(s.ranges), Moved: s.moved, Points: points(s.ranges),
		}); err != nil {
			return err
		}
	}
	for _, g := range t.Groups {
		if err := enc.Encode(line{Group: &g.ID, Units: g.Units}); err != nil {
			return err
		}
	}
	for _, e := range t.Events() {
		if err := enc.Encode(eventLine(&e)); err != nil {
			return err
		}
	}
	return b.Flush()
}

func eventLine(e *Event) line {
	l := line{
		Event: e.Kind.String(), At: e.Time.Microseconds(), First: e.First, Last: e.Last, Functional: e.Functional,
		Name: e.Name, Text: e.Text, Status: e.Status, Line: e.Line, Length: e.Length, Data: e.Data,
	}
	if e.ID >= 0 {
		l.ID = &e.ID
	}
	return l
}

// points are the steps at which a series changes. A step without a value has no
// point: the one before goes on.
func points(ranges []Range) [][]float32 {
	var list [][]float32
	last := nothing
	for i, r := range ranges {
		if r.Min != r.Min || r == last {
			continue
		}
		last = r
		if r.Min == r.Max {
			list = append(list, []float32{float32(i), r.Min})
		} else {
			list = append(list, []float32{float32(i), r.Min, r.Max})
		}
	}
	return list
}

// Read reads what Write wrote. The error names the line.
func Read(r io.Reader) (*Trace, error) {
	t := &Trace{counts: newCounts(), step: step{width: firstSample}}
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, maxLine)
	n := 0
	for sc.Scan() {
		n++
		var err error
		if n == 1 {
			err = t.readHead(sc.Bytes())
		} else {
			err = t.readLine(sc.Bytes())
		}
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("line %d: %w", n+1, err)
	}
	if n == 0 {
		return nil, errors.New("empty, want a trace")
	}
	return t, nil
}

func (t *Trace) readHead(data []byte) error {
	var h headLine
	if err := json.Unmarshal(data, &h); err != nil {
		return err
	}
	if h.Format != Format {
		return fmt.Errorf("sawhorse_trace is %d, want %d", h.Format, Format)
	}
	t.Length, t.Frames, t.Lost, t.LostMarks = micros(h.Length), h.Frames, h.Lost, h.LostMarks
	return nil
}

func micros(n int64) time.Duration { return time.Duration(n) * time.Microsecond }

func (t *Trace) readLine(data []byte) error {
	var l line
	if err := json.Unmarshal(data, &l); err != nil {
		return err
	}
	switch {
	case l.Lane != "":
		return t.readLane(&l)
	case l.Signal != "":
		return t.readSignal(&l)
	case l.Group != nil:
		return t.readGroup(&l)
	case l.Event != "":
		return t.readEvent(&l)
	}
	return errors.New("want a lane, a signal, a group or an event")
}

func (t *Trace) readLane(l *line) error {
	for i, name := range laneNames {
		if name != l.Lane {
			continue
		}
		if l.Width <= 0 || len(l.Counts) > MaxSteps {
			return fmt.Errorf("lane %s: width %d us and %d counts, want more than 0 and at most %d", l.Lane, l.Width, len(l.Counts), MaxSteps)
		}
		t.counts.step.width, t.counts.lanes[i] = micros(l.Width), l.Counts
		return nil
	}
	return fmt.Errorf("lane %q is not known, want one of %v", l.Lane, laneNames)
}

func (t *Trace) readSignal(l *line) error {
	if l.Width <= 0 || l.Steps < 0 || l.Steps > MaxSteps {
		return fmt.Errorf("signal %s: width %d us and %d steps, want more than 0 and at most %d", l.Signal, l.Width, l.Steps, MaxSteps)
	}
	t.step.width = micros(l.Width)
	s := series{info: signal.Info{Name: l.Signal, Unit: l.Unit, Text: l.About}, moved: l.Moved}
	p, value := 0, nothing
	for i := range l.Steps {
		if p < len(l.Points) && len(l.Points[p]) > 0 && l.Points[p][0] == float32(i) {
			switch point := l.Points[p]; len(point) {
			case 2:
				value = Range{point[1], point[1]}
			case 3:
				value = Range{point[1], point[2]}
			default:
				return fmt.Errorf("signal %s: a point of %d numbers, want 2 or 3", l.Signal, len(point))
			}
			p++
		}
		s.ranges = append(s.ranges, value)
	}
	if p != len(l.Points) {
		return fmt.Errorf("signal %s: point %d is out of order or beyond the last step", l.Signal, p+1)
	}
	t.signals = append(t.signals, s)
	return nil
}

func (t *Trace) readGroup(l *line) error {
	if len(t.Groups) == maxGroups || len(l.Units) == 0 || len(l.Units) > maxGroups {
		return fmt.Errorf("group %X: %d units, want 1 to %d, and as many groups", *l.Group, len(l.Units), maxGroups)
	}
	t.Groups = append(t.Groups, Group{*l.Group, l.Units})
	return nil
}

func (t *Trace) readEvent(l *line) error {
	kind, ok := judge.KindOf(l.Event)
	if !ok || kind == judge.Frame {
		return fmt.Errorf("event %q is not known", l.Event)
	}
	if len(l.Text) > MaxText+len("…") || l.At < 0 || l.At > math.MaxInt64/1000 || l.First < 0 || l.Last < l.First {
		return fmt.Errorf("event %s: text too long, or time or frames out of range", l.Event)
	}
	t.seq++
	e := Event{
		Time: micros(l.At), Kind: kind, Functional: l.Functional, First: l.First, Last: l.Last, ID: -1, Line: l.Line,
		Length: l.Length, Name: l.Name, Text: l.Text, Status: l.Status, Data: l.Data, seq: t.seq,
	}
	if l.ID != nil {
		e.ID = *l.ID
	}
	list := &t.head
	if kind >= judge.FaultOn {
		list = &t.marks
	}
	if len(*list) == MaxEvents {
		return fmt.Errorf("more than %d events", MaxEvents)
	}
	*list = append(*list, e)
	return nil
}
