package broadcast

import (
	"math"
	"slices"
	"strconv"
	"time"

	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/dbc"
)

// Attributes of a signal: the reading it carries, and what it holds without one.
const (
	readingAttribute = "SawhorseReading"
	startAttribute   = "GenSigStartValue" // raw, common practice
)

// unknownTexts are the names of a raw value that says that a value is not known.
var unknownTexts = []string{"unknown", "not available"}

// phaseStep spreads the messages of a network: they start one after the other, so
// that units which wake at one moment do not all speak at once. It is no divisor of
// the usual cycle times.
const phaseStep = 613 * time.Microsecond

// patience is how long a frame may wait for the bus before the unit tries again. A
// controller has one place for each message, so it is not queued twice before.
const patience = 200 * time.Millisecond

// Sender is what one unit sends on one network.
type Sender struct {
	readings *signal.Table
	messages []outgoing
	// next are the moments at which the messages are due, keys their identifiers: apart,
	// as all are looked at for each frame.
	next  []time.Duration
	keys  []canbus.Key
	on    bool
	first int // the message that is due first
	// off is that the controller refused the last frame as bus-off.
	off bool
}

// outgoing is one message with its place in time.
type outgoing struct {
	codec  *dbc.Codec
	frame  canbus.Frame // the last one; before the first, what does not change
	empty  canbus.Frame // what does not change, of a message with pages
	values []value
	pages  []uint64 // raw values of the multiplexer switch, in turn
	page   int
	mux    int // the switch's place
	cycle  time.Duration
	phase  time.Duration
	count  uint64
	// waiting is that the last frame has not left yet, since a time.
	waiting bool
	since   time.Duration
}

// value is a signal that carries a reading.
type value struct {
	at        int // in the message
	ref       signal.Ref
	low, high float64
	clamped   bool
	// unknown is the raw value while the reading is not trusted.
	unknown    uint64
	hasUnknown bool
	// last is what the frame holds, once it is written.
	last             float64
	written, trusted bool
}

// NewSender gathers the messages of a node, but for those named, which a gateway makes
// of others. Readings are those of the unit. The
// error names the place in the network's file: a message without cycle time, a
// reading that the unit does not have.
func NewSender(net *dbc.Network, node string, readings *signal.Table, but ...string) (*Sender, error) {
	s := &Sender{readings: readings}
	for rank, m := range net.Messages {
		if m.Sender != node || slices.Contains(but, m.Name) {
			continue
		}
		if m.CycleTime <= 0 {
			return nil, refuse(net, m.At, "message %s has no cycle time, want the attribute GenMsgCycleTime in ms", m.Name)
		}
		o := outgoing{codec: m.Codec(), frame: m.Codec().Frame(), cycle: m.CycleTime,
			phase: time.Duration(rank+1) * phaseStep % m.CycleTime, mux: -1}
		for i, sig := range m.Signals {
			if err := o.add(net, readings, i, sig); err != nil {
				return nil, err
			}
		}
		o.empty = o.frame
		s.messages, s.next, s.keys = append(s.messages, o), append(s.next, 0), append(s.keys, m.Key)
	}
	return s, nil
}

// add takes a signal into the message.
func (o *outgoing) add(net *dbc.Network, readings *signal.Table, i int, sig *dbc.Signal) error {
	switch {
	case sig.Counter != nil || sig.Checksum != nil:
		return nil
	case sig.Switch && sig.Under == nil && o.mux < 0:
		o.mux, o.pages = i, pagesOf(o.codec.Message(), sig)
		return nil
	}
	if text, ok := sig.Attribute(startAttribute); ok && text != "" {
		raw, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return refuse(net, sig.AttributePlace(startAttribute), "signal %s: start value %q, want a raw value", sig.Name, text)
		}
		o.codec.SetRaw(&o.frame, i, uint64(int64(raw)))
	}
	name, _ := sig.Attribute(readingAttribute)
	if name == "" {
		return nil
	}
	ref, ok := readings.Lookup(name)
	if !ok {
		return refuse(net, sig.AttributePlace(readingAttribute), "signal %s carries %q, which is no reading of the unit %s", sig.Name, name, o.codec.Message().Sender)
	}
	v := value{at: i, ref: ref, low: sig.Min, high: sig.Max, clamped: sig.Max > sig.Min}
	v.unknown, v.hasUnknown = unknownOf(sig)
	o.values = append(o.values, v)
	return nil
}

// unknownOf is the raw value that says that a value is not known, in the bits of the
// signal.
func unknownOf(sig *dbc.Signal) (uint64, bool) {
	for _, text := range unknownTexts {
		if raw, ok := sig.RawOf(text); ok {
			return uint64(raw) & (1<<sig.Length - 1), true
		}
	}
	return 0, false
}

// pagesOf are the values of a switch that select something, in rising order.
func pagesOf(m *dbc.Message, mux *dbc.Signal) []uint64 {
	var pages []uint64
	for _, s := range m.Signals {
		if s.Under != mux {
			continue
		}
		for _, r := range s.Selectors {
			if !slices.Contains(pages, r.Low) {
				pages = append(pages, r.Low)
			}
		}
	}
	slices.Sort(pages)
	return pages
}

// Keys lists the identifiers that the unit sends.
func (s *Sender) Keys() []canbus.Key {
	return slices.Clone(s.keys)
}

// Talk lets the unit speak from now on, or be silent. Who begins to speak does so
// message by message, with its counters at 0.
func (s *Sender) Talk(now time.Duration, on bool) {
	if s.on == on {
		return
	}
	s.on, s.off = on, false
	for i := range s.messages {
		o := &s.messages[i]
		s.next[i] = now + o.phase
		o.count, o.page, o.waiting = 0, 0, false
	}
	s.seek()
}

// seek finds the message that is due first, of equals the first in the file.
func (s *Sender) seek() {
	first, at := 0, time.Duration(math.MaxInt64)
	for i, next := range s.next {
		if next < at {
			first, at = i, next
		}
	}
	s.first = first
}

// Talks reports whether the unit speaks.
func (s *Sender) Talks() bool { return s.on }

// BusOff reports whether the controller refused the last frame because it is off the
// bus, and none has left since.
func (s *Sender) BusOff() bool { return s.off }

// Due is when Next has a frame again; false while the unit is silent.
func (s *Sender) Due() (at time.Duration, ok bool) {
	if !s.on || len(s.messages) == 0 {
		return 0, false
	}
	return s.next[s.first], true
}

// Next is the next message that is due, nil if none is. The frame is the sender's own and
// valid until the next call.
func (s *Sender) Next(now time.Duration) *canbus.Frame {
	for s.on && len(s.messages) > 0 {
		o, next := &s.messages[s.first], &s.next[s.first]
		if *next > now {
			return nil
		}
		for *next <= now {
			*next += o.cycle
		}
		s.seek()
		if o.waiting && now-o.since < patience {
			continue
		}
		o.waiting, o.since = true, now
		f := o.encode(s.readings)
		o.count++
		return f
	}
	return nil
}

// encode makes the frame of this moment.
func (o *outgoing) encode(readings *signal.Table) *canbus.Frame {
	f := &o.frame
	if len(o.pages) > 0 {
		*f = o.empty // pages share their bits
		o.codec.SetRaw(f, o.mux, o.pages[o.page])
		if o.page++; o.page == len(o.pages) {
			o.page = 0
		}
	}
	for i := range o.values {
		v := &o.values[i]
		x, trusted := readings.Get(v.ref), !v.hasUnknown || readings.Trusted(v.ref)
		if len(o.pages) > 0 {
			if !o.codec.Present(f, v.at) {
				continue
			}
		} else if v.written && x == v.last && trusted == v.trusted {
			continue // as it was in the frame before
		}
		v.written, v.last, v.trusted = true, x, trusted
		if !trusted {
			o.codec.SetRaw(f, v.at, v.unknown)
			continue
		}
		if v.clamped {
			x = min(max(x, v.low), v.high)
		}
		o.codec.SetValue(f, v.at, x)
	}
	o.codec.Count(f, o.count)
	o.codec.Seal(f)
	return f
}

// Sent tells that a frame has left the unit; false if it is none of the messages.
func (s *Sender) Sent(f *canbus.Frame) bool {
	key := f.Key()
	i := slices.Index(s.keys, key)
	if i < 0 {
		return false
	}
	s.messages[i].waiting, s.off = false, false
	return true
}

// Refused tells that the controller did not take a frame of Next.
func (s *Sender) Refused(f *canbus.Frame, busOff bool) {
	s.off = busOff
	key := f.Key()
	for i := range s.messages {
		if s.keys[i] == key {
			s.messages[i].waiting = false
		}
	}
}
