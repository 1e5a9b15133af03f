package broadcast

import (
	"slices"
	"strings"
	"time"

	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/dbc"
)

// Hear is one message that a unit depends on.
type Hear struct {
	// Message is its name in the network.
	Message string
	// From is the unit that sends it: its silence sets the signal FROM_lost, wrong
	// data set FROM_wrong.
	From string
	// Timeout is how long the message may be missing; 0 is five cycles, at least
	// leastTimeout.
	Timeout time.Duration
	Takes   []Take
}

// Take names the signal of a message that becomes one of what the program hears.
type Take struct{ Signal, As string }

const (
	cyclesMissing = 5
	leastTimeout  = 100 * time.Millisecond
)

// A frame counts as wrong if its checksum does not fit, if its counter stands still, or
// if it jumps by more than mostDelta (some frames may be lost; AUTOSAR's end-to-end
// protection has the same notion). Each adds wrongStep to a level, each good one takes
// 1: at wrongLevel the data are wrong until the level is back at 0.
const (
	mostDelta  = 3
	wrongStep  = 2
	wrongLevel = 8
	mostLevel  = 10
)

// Receiver is what one unit hears of others.
type Receiver struct {
	heard    *signal.Table
	messages []incoming
	units    []partner
	std      [canbus.MaxStandardID + 1]uint8 // place in messages plus 1
	ext      map[canbus.Key]uint8
	on       bool
}

// incoming is one message.
type incoming struct {
	codec   *dbc.Codec
	unit    int
	timeout time.Duration
	takes   []taken
	last    time.Duration // a frame of it
	good    time.Duration // one that was not wrong
	count   uint64
	counts  bool // count is that of the frame before
	level   int
	wrong   bool
	lost    bool
}

// taken is a signal that the program hears.
type taken struct {
	at         int
	ref        signal.Ref
	unknown    uint64
	hasUnknown bool
}

// partner is a unit that is heard, with the places of its flags.
type partner struct {
	name        string
	lost, wrong signal.Ref
	isLost      bool
	isWrong     bool
}

// NewReceiver prepares a unit's ears. heard is what the unit's program hears; values
// are trusted while they are. fail is called with the index of the entry, the key in
// it ("message", "from" or "takes") and the mistake.
func NewReceiver(net *dbc.Network, node string, hears []Hear, heard *signal.Table, fail func(i int, key, format string, args ...any)) *Receiver {
	r := &Receiver{heard: heard, ext: map[canbus.Key]uint8{}}
	for i, h := range hears {
		m, ok := net.MessageNamed(h.Message)
		switch {
		case !ok:
			fail(i, "message", "%q is no message of %s", h.Message, net.File)
			continue
		case m.Sender == node:
			fail(i, "message", "%s is sent by the unit itself", h.Message)
			continue
		}
		unit, ok := r.partner(h.From)
		if !ok {
			fail(i, "from", "the program cannot tell that %q is lost, want one of %s", h.From, partners(heard))
			continue
		}
		in := incoming{codec: m.Codec(), unit: unit, timeout: h.Timeout}
		if in.timeout == 0 {
			in.timeout = max(cyclesMissing*m.CycleTime, leastTimeout)
		}
		for _, t := range h.Takes {
			at := m.Index(t.Signal)
			ref, ok := heard.Lookup(t.As)
			switch {
			case at < 0:
				fail(i, "takes", "%q is no signal of %s", t.Signal, m.Name)
			case !ok:
				fail(i, "takes", "%q is nothing that the program hears, want one of %s", t.As, names(heard))
			default:
				x := taken{at: at, ref: ref}
				x.unknown, x.hasUnknown = unknownOf(m.Signals[at])
				in.takes = append(in.takes, x)
			}
		}
		r.messages = append(r.messages, in)
		if place := uint8(len(r.messages)); m.Key.Extended() {
			r.ext[m.Key] = place
		} else {
			r.std[m.Key.ID()] = place
		}
	}
	r.Listen(0, false)
	return r
}

// partner finds or adds the unit of a name.
func (r *Receiver) partner(name string) (int, bool) {
	if i := slices.IndexFunc(r.units, func(p partner) bool { return p.name == name }); i >= 0 {
		return i, true
	}
	lost, ok1 := r.heard.Lookup(name + LostSuffix)
	wrong, ok2 := r.heard.Lookup(name + WrongSuffix)
	r.units = append(r.units, partner{name: name, lost: lost, wrong: wrong})
	return len(r.units) - 1, ok1 && ok2
}

// The names of what a program hears of a unit as a whole: they end in these.
const (
	LostSuffix  = "_lost"
	WrongSuffix = "_wrong"
)

func names(t *signal.Table) string {
	var list []string
	for _, i := range t.Infos() {
		if !strings.HasSuffix(i.Name, LostSuffix) && !strings.HasSuffix(i.Name, WrongSuffix) {
			list = append(list, i.Name)
		}
	}
	return strings.Join(list, ", ")
}

func partners(t *signal.Table) string {
	var list []string
	for _, i := range t.Infos() {
		if name, ok := strings.CutSuffix(i.Name, LostSuffix); ok {
			list = append(list, name)
		}
	}
	return strings.Join(list, ", ")
}

// Listen lets the unit hear from now on, or be deaf. Who begins to listen has time
// until the first timeout; nothing is trusted before it has been heard. To the deaf
// nobody is lost and nothing is wrong: they do not know.
func (r *Receiver) Listen(now time.Duration, on bool) {
	r.on = on
	for i := range r.messages {
		in := &r.messages[i]
		in.last, in.good, in.counts, in.level, in.wrong, in.lost = now, now, false, 0, false, false
		r.distrust(in)
	}
	r.flag()
}

// Listens reports whether the unit hears.
func (r *Receiver) Listens() bool { return r.on }

func (r *Receiver) distrust(in *incoming) {
	for k := range in.takes {
		r.heard.Trust(in.takes[k].ref, false)
	}
}

// Receive takes a frame of the bus.
func (r *Receiver) Receive(now time.Duration, f *canbus.Frame) {
	place := uint8(0)
	if f.Flags&canbus.Extended == 0 {
		place = r.std[f.ID&canbus.MaxStandardID]
	} else {
		place = r.ext[f.Key()]
	}
	if place == 0 || !r.on {
		return
	}
	in := &r.messages[place-1]
	in.last = now
	if in.sound(f) {
		in.level = max(in.level-1, 0)
		in.good = now
		r.take(in, f)
	} else {
		in.level = min(in.level+wrongStep, mostLevel)
	}
	if was := in.wrong; in.lost || in.level >= wrongLevel != was {
		in.lost, in.wrong = false, in.level >= wrongLevel || was && in.level > 0
		r.flag()
	}
}

// sound reports whether length, checksum and counter of a frame are as they should be.
func (in *incoming) sound(f *canbus.Frame) bool {
	m := in.codec.Message()
	if int(f.Len) < m.Length || f.Has(canbus.Remote) {
		return false
	}
	if _, _, ok := in.codec.Verify(f); !ok {
		return false
	}
	places := in.codec.Counters()
	if len(places) == 0 || !in.codec.Present(f, places[0]) {
		return true
	}
	was, first := in.count, !in.counts
	in.count, in.counts = in.codec.Raw(f, places[0]), true
	modulus := m.Signals[places[0]].Counter.Modulus
	delta := in.count - was
	if modulus > 0 && in.count < was {
		delta += modulus
	}
	return first || delta >= 1 && delta <= mostDelta
}

// take hands the values of a sound frame to the program.
func (r *Receiver) take(in *incoming, f *canbus.Frame) {
	for k := range in.takes {
		t := &in.takes[k]
		if !in.codec.Present(f, t.at) {
			continue
		}
		known := !t.hasUnknown || in.codec.Raw(f, t.at) != t.unknown
		r.heard.Trust(t.ref, known)
		if known {
			r.heard.Set(t.ref, in.codec.Value(f, t.at))
		}
	}
}

// Tick looks who is missing. Call it in every step of the unit.
func (r *Receiver) Tick(now time.Duration) {
	if !r.on {
		return
	}
	changed := false
	for i := range r.messages {
		in := &r.messages[i]
		if now-in.good >= in.timeout {
			r.distrust(in)
		}
		if lost := now-in.last >= in.timeout; lost != in.lost {
			in.lost, changed = lost, true
			if lost { // who comes back is not measured by what was before
				in.counts, in.level, in.wrong = false, 0, false
			}
		}
	}
	if changed {
		r.flag()
	}
}

// flag tells the program who is lost and whose data are wrong.
func (r *Receiver) flag() {
	for i := range r.units {
		r.units[i].isLost, r.units[i].isWrong = false, false
	}
	for i := range r.messages {
		in := &r.messages[i]
		u := &r.units[in.unit]
		u.isLost, u.isWrong = u.isLost || in.lost, u.isWrong || in.wrong
	}
	for i := range r.units {
		r.heard.SetBool(r.units[i].lost, r.units[i].isLost)
		r.heard.SetBool(r.units[i].wrong, r.units[i].isWrong)
	}
}
