package inspect

import (
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/uds"
)

// Finder finds the conversations of a recording by what is said in them, whatever their
// identifiers: who lets the other's long messages through by flow control, and whose
// messages answer the other's requests (the service of the answer is that of the request
// + 40, and what it repeats of it is the same). Addresses of ISO 15765-4 are known without
// and left out. Memory grows with the number of identifiers.
type Finder struct {
	voices map[place]*voice
	order  []*voice
	asked  []asked  // of late
	began  []*voice // long messages of late that wait for flow control
}

// place is an identifier of one bus, read as if its frames began with the protocol
// control information (ext -1), or with an address byte.
type place struct {
	bus uint8
	key canbus.Key
	ext int16
}

// voice is what was heard at one place.
type voice struct {
	place
	frames, sound int // sound: as ISO 15765-2 lays them out
	open          bool
	left          int // bytes of the long message that are to come
	next          byte
	head          [3]byte
	began         time.Duration
	through       []*voice       // who may have let the message through
	flows         map[*voice]int // long messages that another let through
	answers       map[*voice]int // requests of another that were answered
	asks          int            // requests
	whole         int            // messages
	controls      int            // flow controls
}

type asked struct {
	by   *voice
	head [3]byte
	n    int
	at   time.Duration
}

const (
	maxVoices  = 1 << 15 // places followed
	maxLate    = 32      // requests and long messages of late
	maxThrough = 8
	patience   = 5 * time.Second
	flowWithin = time.Second
	// soundShare is how much of what is heard at a place must be as ISO 15765-2 has it.
	soundShare = 0.9
	// enough is how many exchanges prove a conversation, a flow control for two.
	enough = 3
)

// NewFinder returns a finder.
func NewFinder() *Finder {
	return &Finder{voices: map[place]*voice{}}
}

// See takes the next frame.
func (d *Finder) See(f *canbus.Frame) {
	if f.Flags&(canbus.Remote|canbus.Error) != 0 || f.Len < 2 || known(f.Key()) {
		return
	}
	if v := d.voice(f, -1, f.Data[:f.Len]); v != nil {
		d.hear(v, f.Data[:f.Len], f.Time)
	}
	if f.Len < 3 {
		return
	}
	if v := d.voice(f, int16(f.Data[0]), f.Data[1:f.Len]); v != nil {
		d.hear(v, f.Data[1:f.Len], f.Time)
	}
}

// known reports an identifier of ISO 15765-4, which every sniffer follows.
func known(k canbus.Key) bool {
	if k.Extended() {
		return k.ID()>>16 == 0x18DA || k.ID()>>16 == 0x18DB
	}
	return k.ID() == 0x7DF || k.ID() >= 0x7E0 && k.ID() <= 0x7EF
}

// voice is that of a place; nil for one that is not followed: what begins otherwise than a
// transport does is none.
func (d *Finder) voice(f *canbus.Frame, ext int16, data []byte) *voice {
	p := place{f.Bus, f.Key(), ext}
	if v := d.voices[p]; v != nil {
		return v
	}
	if len(d.voices) >= maxVoices || ext >= 0 && data[0]>>4 > 3 {
		return nil
	}
	v := &voice{place: p}
	d.voices[p] = v
	d.order = append(d.order, v)
	return v
}

// hear reads one frame from its protocol control information on.
func (d *Finder) hear(v *voice, data []byte, now time.Duration) {
	v.frames++
	if v.open && now-v.began > patience {
		v.open = false
	}
	switch data[0] >> 4 {
	case 0:
		n, from := int(data[0]&0xF), 1
		if n == 0 && len(data) > 8 { // CAN FD
			n, from = int(data[1]), 2
		}
		if n == 0 || n > len(data)-from {
			return
		}
		v.sound++
		d.message(v, data[from:from+n], n, now)
	case 1:
		n := int(data[0]&0xF)<<8 | int(data[1])
		if len(data) < 7 || n < 7 || n <= len(data)-2 {
			return
		}
		v.sound++
		v.open, v.left, v.next, v.began, v.through = true, n-(len(data)-2), 1, now, v.through[:0]
		copy(v.head[:], data[2:])
		if v.speaks() {
			d.began = append(late(d.began), v)
		}
	case 2:
		if !v.open || data[0]&0xF != v.next {
			v.open = false
			return
		}
		v.sound++
		v.next, v.left = (v.next+1)&0xF, v.left-(len(data)-1)
		if v.left <= 0 {
			v.open = false
			for _, q := range v.through {
				count(&v.flows, q)
			}
			d.message(v, v.head[:], 3, now)
		}
	case 3:
		if len(data) < 3 || data[0]&0xF > 2 {
			return
		}
		v.sound++
		v.controls++
		d.letThrough(v, now)
	}
}

// letThrough is a flow control: it may be for any of the long messages that wait for one,
// on the same bus and in the same kind of addressing. Which it was for shows when they are
// complete.
func (d *Finder) letThrough(v *voice, now time.Duration) {
	for _, b := range d.began {
		if b.open && b.next == 1 && b != v && b.matches(v) && now-b.began <= flowWithin &&
			len(b.through) < maxThrough && !slices.Contains(b.through, v) {
			b.through = append(b.through, v)
		}
	}
}

// matches reports whether two can talk with each other.
func (v *voice) matches(q *voice) bool { return q.bus == v.bus && q.ext < 0 == (v.ext < 0) }

func count(m *map[*voice]int, q *voice) {
	if *m == nil {
		*m = map[*voice]int{}
	}
	(*m)[q]++
}

// message is a whole message, by its head.
func (d *Finder) message(v *voice, data []byte, n int, now time.Duration) {
	v.whole++
	var head [3]byte
	copy(head[:], data)
	n = min(n, len(head))
	s := uds.Service(head[0])
	if s.IsRequest() && s.Known() {
		v.asks++
		if !v.speaks() {
			return
		}
		d.asked = append(late(d.asked), asked{v, head, n, now})
		return
	}
	for i := len(d.asked) - 1; i >= 0; i-- {
		q := &d.asked[i]
		if now-q.at > patience {
			break
		}
		if q.by != v && q.by.matches(v) && answersTo(head, n, q) {
			count(&v.answers, q.by)
			return
		}
	}
}

// answersTo reports whether a message answers a request: refuses it, or repeats what its
// service repeats.
func answersTo(head [3]byte, n int, q *asked) bool {
	s := uds.Service(q.head[0])
	if head[0] == uds.NegativeResponse {
		return n >= 3 && head[1] == q.head[0]
	}
	if head[0] != s.Positive() {
		return false
	}
	switch {
	case q.n < 2 || n < 2:
		return true
	case s.HasSubFunction():
		return head[1] == q.head[1]&^uds.SuppressPositiveResponse
	case s == uds.ReadDataByIdentifier || s == uds.WriteDataByIdentifier || s == uds.InputOutputControlByIdentifier:
		return n < 3 || q.n < 3 || head[1] == q.head[1] && head[2] == q.head[2]
	case s == uds.CurrentData || s == uds.FreezeFrame || s == uds.MonitorResults || s == uds.VehicleInformation || s == uds.TransferData:
		return head[1] == q.head[1]
	}
	return true
}

// late makes room among what was of late.
func late[T any](list []T) []T {
	if len(list) < maxLate {
		return list
	}
	return slices.Delete(list, 0, 1)
}

// Conversations are those that were found, in the order in which the answering ends were
// first heard; after them the requests to several.
func (d *Finder) Conversations() []Conversation {
	var found []Conversation
	shared := map[*voice]int{} // by whom several were asked
	for _, v := range d.order {
		if !v.speaks() {
			continue
		}
		var best *voice
		for _, q := range d.order { // in order, so that equals are decided alike
			if q.speaks() && v.worth(q) >= enough && (best == nil || v.worth(q) > v.worth(best)) {
				best = q
			}
			if v.answers[q] > 0 && q.asks > 0 {
				shared[q]++
			}
		}
		if best != nil && best.worth(v) <= v.worth(best) {
			found = append(found, Conversation{Request: best.address(), Answer: v.address(), Flows: v.flows[best] + best.flows[v], Answers: v.answers[best]})
		}
	}
	asks := map[Address]int{}
	for _, c := range found {
		asks[c.Request]++
	}
	for _, q := range d.order {
		if shared[q] > 1 && q.speaks() && asks[q.address()] == 0 {
			found = append(found, Conversation{Request: q.address(), Answer: nobody})
		}
	}
	return found
}

// worth is what speaks for q asking v.
func (v *voice) worth(q *voice) int {
	flows := v.flows[q] + q.flows[v]
	if v.whole == 0 || (v.answers[q] == 0 || 2*v.answers[q] < v.whole) && (flows < enough || q.asks == 0) {
		return 0 // who answers does little else
	}
	if q.controls > 4*(flows+enough) || v.controls > 4*(flows+enough) {
		return 0 // an identifier that is always like a flow control lets nothing through
	}
	return 2*flows + v.answers[q]
}

// speaks reports whether nearly all that was heard at a place can be a transport's.
func (v *voice) speaks() bool { return float64(v.sound) >= soundShare*float64(v.frames) }

func (v *voice) address() Address {
	return Address{Key: v.key, Ext: byte(max(0, v.ext)), HasExt: v.ext >= 0}
}
