// Package inspect tells what a recording holds: identifiers with their periods and
// jitter, the load of the bus over time, gaps, errors, and the diagnostic
// conversations; and how two recordings differ. Memory grows with the number of
// identifiers, seconds and messages told, not with the number of frames.
package inspect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/diag"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/wire"
)

// Options of an inspection; the zero value is good.
type Options struct {
	// BitRate and DataBitRate of the bus in bit/s, for the load; 0 means 500000
	// and 2000000.
	BitRate, DataBitRate int
	// Gap is from how long on a silence of the whole bus is told; 0 means 20 times
	// the mean time between frames, at least 20 ms.
	Gap time.Duration
	// Messages bounds the diagnostic messages kept; 0 means 10000.
	Messages int
	// Step is the width of a step of the load; 0 means 1 s.
	Step time.Duration
	// Conversations are diagnostic ones beside those of ISO 15765-4.
	Conversations []Conversation
}

// Report is what a recording holds.
type Report struct {
	Frames int           `json:"frames"`
	First  time.Duration `json:"first_ns"` // since 1970
	Length time.Duration `json:"length_ns"`
	IDs    []ID          `json:"ids"`
	Load   Load          `json:"load"`
	Gaps   []Gap         `json:"gaps"`
	Errors []Error       `json:"errors"`
	// Conversations are those of Options.
	Conversations []Conversation `json:"conversations,omitempty"`
	Messages      []Message      `json:"messages"`
	// Dropped counts messages beyond the bound.
	Dropped int `json:"messages_not_shown"`
	// Backwards counts how often a frame was earlier than the one before it.
	Backwards int `json:"times_going_back"`
}

// ID is what one identifier of one bus did. Times are in milliseconds.
type ID struct {
	Key     canbus.Key `json:"-"`
	Name    string     `json:"id"`
	Bus     uint8      `json:"bus"`
	Frames  int        `json:"frames"`
	Lengths []int      `json:"lengths"`
	Mean    float64    `json:"mean_ms"`
	Median  float64    `json:"median_ms"`
	Min     float64    `json:"min_ms"`
	Max     float64    `json:"max_ms"`
	// Jitter is the standard deviation of the period.
	Jitter float64 `json:"jitter_ms"`
	// Changed counts the frames whose data differ from those of the one before.
	Changed int `json:"changed"`
}

// Load is how busy the bus was, 0 to 1.
type Load struct {
	Mean  float64   `json:"mean"`
	Max   float64   `json:"max"`
	Step  float64   `json:"step_s"`
	Steps []float64 `json:"steps"`
}

// Gap is a silence of the whole bus.
type Gap struct {
	After  int           `json:"after_frame"`
	At     time.Duration `json:"at_ns"` // since the first frame
	Length time.Duration `json:"length_ns"`
}

// Error is a controller's report.
type Error struct {
	Frame int           `json:"frame"`
	At    time.Duration `json:"at_ns"`
	Text  string        `json:"text"`
}

// Message is one diagnostic message.
type Message struct {
	First  int           `json:"first_frame"`
	Last   int           `json:"last_frame"`
	At     time.Duration `json:"at_ns"`
	Bus    uint8         `json:"bus"`
	ID     string        `json:"id"`
	Answer bool          `json:"answer"`
	// Data is all of the message that came, in hexadecimal.
	Data string `json:"data"`
	Text string `json:"text"`
	// Broken says why a message is incomplete; "" for a whole one.
	Broken string `json:"broken,omitempty"`
}

// identifier gathers one identifier.
type identifier struct {
	key     canbus.Key
	bus     uint8
	frames  int
	last    time.Duration
	sum     float64 // of periods in ms
	squares float64
	periods []float32 // a sample of periods for the median
	min     float64
	max     float64
	lengths [65]bool
	data    canbus.Frame
	changed int
}

// maxPeriods bounds the periods kept for a median: of longer rows every second is
// left out, again and again.
const maxPeriods = 4096

// Inspector takes frames in.
type Inspector struct {
	opt     Options
	r       Report
	ids     map[uint64]*identifier
	order   []*identifier
	last    time.Duration   // of the frame before
	end     time.Duration   // the latest moment since the beginning
	joined  time.Duration   // what later parts of a joined recording are moved by
	busy    []time.Duration // by step
	gaps    []Gap
	cfg     isotp.SnifferConfig
	buses   []*listener // by bus
	answers map[Address]bool
}

// listener puts together what is said on one bus.
type listener struct {
	bus     uint8
	sniffer *isotp.Sniffer
}

// parted is how far a time must go back to begin another part of a joined recording; less
// is disorder.
const parted = time.Second

const maxGaps, maxErrors = 10_000, 10_000

// New returns an inspector.
func New(opt Options) *Inspector {
	if opt.BitRate == 0 {
		opt.BitRate = 500_000
	}
	if opt.DataBitRate == 0 {
		opt.DataBitRate = 2_000_000
	}
	if opt.Messages == 0 {
		opt.Messages = 10_000
	}
	if opt.Step == 0 {
		opt.Step = time.Second
	}
	n := &Inspector{opt: opt, ids: map[uint64]*identifier{}, answers: map[Address]bool{}}
	n.r.Conversations = opt.Conversations
	for i := range opt.Conversations {
		c := &opt.Conversations[i]
		n.cfg.Pairs = append(n.cfg.Pairs, c.transport())
		n.answers[c.Request], n.answers[c.Answer] = false, true
	}
	return n
}

// listen is the listener of a bus.
func (n *Inspector) listen(bus uint8) *listener {
	for _, l := range n.buses {
		if l.bus == bus {
			return l
		}
	}
	l := &listener{bus: bus, sniffer: isotp.NewSniffer(n.cfg)}
	n.buses = append(n.buses, l)
	return l
}

// See takes the next frame of the recording.
func (n *Inspector) See(f *canbus.Frame) {
	n.r.Frames++
	if n.r.Frames == 1 {
		n.r.First, n.last = f.Time, f.Time
	}
	at := n.clock(f.Time)
	if f.Has(canbus.Error) {
		if len(n.r.Errors) < maxErrors {
			n.r.Errors = append(n.r.Errors, Error{n.r.Frames, at, errorText(f)})
		}
		return
	}
	n.count(f)
	n.occupy(f, at)
	l := n.listen(f.Bus)
	for m, ok := l.sniffer.See(n.r.Frames, f); ok; m, ok = l.sniffer.Next() {
		n.message(l.bus, &m)
	}
}

// clock is how long since the beginning a time is, and notes silences. Parts of a joined
// recording follow each other, whatever their own clocks say.
func (n *Inspector) clock(now time.Duration) time.Duration {
	if now < n.last {
		n.r.Backwards++
		if n.last-now >= parted {
			n.joined += n.last - now
		}
	}
	n.last = now
	at := now - n.r.First + n.joined
	// Any silence is a candidate until the mean is known.
	if d := at - n.end; d >= 20*time.Millisecond && len(n.gaps) < maxGaps {
		n.gaps = append(n.gaps, Gap{n.r.Frames - 1, n.end, d})
	}
	n.end = max(n.end, at)
	return at
}

func (n *Inspector) count(f *canbus.Frame) {
	k := uint64(f.Bus)<<32 | uint64(f.Key())
	id, ok := n.ids[k]
	if !ok {
		id = &identifier{key: f.Key(), bus: f.Bus, min: math.Inf(1)}
		n.ids[k] = id
		n.order = append(n.order, id)
	}
	if id.frames > 0 {
		p := float64(f.Time-id.last) / 1e6
		id.sum += p
		id.squares += float64(p * p)
		id.min, id.max = min(id.min, p), max(id.max, p)
		id.sample(float32(p))
		if id.data.Len != f.Len || id.data.Data != f.Data {
			id.changed++
		}
	}
	id.frames++
	id.last, id.data, id.lengths[f.Len] = f.Time, *f, true
}

// sample keeps a period for the median.
func (id *identifier) sample(p float32) {
	if len(id.periods) == maxPeriods {
		for i := range maxPeriods / 2 {
			id.periods[i] = id.periods[2*i]
		}
		id.periods = id.periods[:maxPeriods/2]
	}
	id.periods = append(id.periods, p)
}

// occupy adds the frame's time on the wire to its step.
func (n *Inspector) occupy(f *canbus.Frame, at time.Duration) {
	nominal, data := wire.Bits(f)
	const intermission = 3
	t := time.Duration(nominal+intermission)*time.Second/time.Duration(n.opt.BitRate) +
		time.Duration(data)*time.Second/time.Duration(n.opt.DataBitRate)
	const longest = 1 << 20 // steps: a recording with a wild time must not fill memory
	i := int(max(0, at) / n.opt.Step)
	if i >= longest {
		return
	}
	for len(n.busy) <= i {
		n.busy = append(n.busy, 0)
	}
	n.busy[i] += t
}

func (n *Inspector) message(bus uint8, m *isotp.Message) {
	if m.Kind == isotp.Control {
		return
	}
	if len(n.r.Messages) >= n.opt.Messages {
		n.r.Dropped++
		return
	}
	from := Address{Key: m.Key, Ext: m.Ext, HasExt: m.HasExt}
	answer, told := n.answers[from]
	if !told {
		answer = isAnswer(m.Key)
	}
	out := Message{
		First: m.First, Last: m.Last, At: m.Start - n.r.First + n.joined, Bus: bus, ID: from.String(), Answer: answer,
		Data: fmt.Sprintf("%X", m.Payload), Text: diag.Message(m.Payload, answer),
	}
	if m.Kind == isotp.Partial {
		out.Broken = m.Result.String()
	}
	n.r.Messages = append(n.r.Messages, out)
}

// isAnswer tells answers by their identifier (ISO 15765-4): 7E8 to 7EF, and 18DAF1xx.
func isAnswer(k canbus.Key) bool {
	if k.Extended() {
		return k.ID()&0x1FFFFF00 == 0x18DAF100
	}
	return k.ID() >= 0x7E8 && k.ID() <= 0x7EF
}

// Report ends the inspection.
func (n *Inspector) Report() *Report {
	for _, l := range n.buses {
		l.sniffer.Finish()
		for m, ok := l.sniffer.Next(); ok; m, ok = l.sniffer.Next() {
			n.message(l.bus, &m)
		}
	}
	r := &n.r
	r.Length = n.end
	gap := n.opt.Gap
	if gap == 0 && r.Frames > 1 {
		gap = max(20*time.Millisecond, 20*r.Length/time.Duration(r.Frames-1))
	}
	for _, g := range n.gaps {
		if g.Length >= gap {
			r.Gaps = append(r.Gaps, g)
		}
	}
	slices.SortFunc(n.order, func(a, b *identifier) int {
		if a.bus != b.bus {
			return int(a.bus) - int(b.bus)
		}
		return int(int64(a.key) - int64(b.key))
	})
	for _, id := range n.order {
		r.IDs = append(r.IDs, id.report())
	}
	n.load()
	return r
}

func (n *Inspector) load() {
	l := &n.r.Load
	l.Step = n.opt.Step.Seconds()
	var all time.Duration
	for i, b := range n.busy {
		all += b
		width := n.opt.Step
		if i == len(n.busy)-1 { // the last step is cut by the recording's end
			width = max(time.Millisecond, min(width, n.r.Length-time.Duration(i)*n.opt.Step))
		}
		v := min(1, float64(b)/float64(width))
		l.Steps = append(l.Steps, v)
		l.Max = max(l.Max, v)
	}
	if n.r.Length > 0 {
		l.Mean = float64(all) / float64(n.r.Length)
	}
}

func (id *identifier) report() ID {
	out := ID{Key: id.key, Name: id.key.String(), Bus: id.bus, Frames: id.frames, Changed: id.changed}
	for l, there := range id.lengths {
		if there {
			out.Lengths = append(out.Lengths, l)
		}
	}
	if n := float64(id.frames - 1); n > 0 {
		out.Mean = id.sum / n
		out.Min, out.Max = id.min, id.max
		out.Jitter = math.Sqrt(max(0, id.squares/n-float64(out.Mean*out.Mean)))
		slices.Sort(id.periods)
		out.Median = median(id.periods)
	}
	return out
}

// median is the middle of sorted values, of an even number the mean of the two in the
// middle.
func median(sorted []float32) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return float64(sorted[n/2])
	}
	return (float64(sorted[n/2-1]) + float64(sorted[n/2])) / 2
}
