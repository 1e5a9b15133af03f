package isotp

import (
	"time"

	"sawhorse/canbus"
)

// MessageKind says what a Message of a Sniffer is.
type MessageKind uint8

// The kinds of message.
const (
	// Whole is a complete message.
	Whole MessageKind = iota + 1
	// Partial is a message that was begun and not completed; Result says why.
	Partial
	// Control is a flow control frame.
	Control
)

// Message is what a Sniffer saw, from its first frame to its last.
type Message struct {
	Kind MessageKind
	// Key is the identifier; Ext the address byte if HasExt.
	Key        canbus.Key
	Ext        byte
	HasExt     bool
	Functional bool
	// First and Last number its frames as See was told.
	First, Last int
	// Start and End are the times of these frames, each at its end on the bus.
	Start, End time.Duration
	// Length is the length announced; Payload what arrived of it. Payload is
	// the sniffer's own and valid until the next call of See.
	Length  int
	Payload []byte
	// Result of a Partial: UnexpectedPDU (the next one began), WrongSN,
	// TimeoutBs (no flow control), TimeoutCr (no consecutive frame),
	// BufferOverflow and InvalidFS (the flow control said so; the first one
	// also: longer than MaxLen), GeneralError (cut off by Finish).
	Result Result
	// Flow is the content of a Control.
	Flow Flow
}

// SnifferConfig says what a Sniffer listens to. The zero value listens to the
// identifiers of OBD and UDS: 7DF, 7E0..7EF, 18DAxxxx, 18DBxxxx (ISO 15765-4).
type SnifferConfig struct {
	// Pairs are further address pairs; both directions are heard.
	Pairs []Address
	// IDs are further identifiers of normal addressing whose partner is not known.
	IDs []canbus.Key
	// OnlyThese leaves the identifiers of OBD and UDS out.
	OnlyThese bool
	// MaxLen is the longest message kept in bytes, 0 for 65535.
	MaxLen int
	// Silence is how long a message may stand still, 0 for 1 s (N_Bs, N_Cr).
	Silence time.Duration
}

// Sniffer reassembles what goes by on a bus, identifier by identifier, without
// taking part. Frames that are none of its business cost one look-up.
type Sniffer struct {
	cfg     SnifferConfig
	std     [canbus.MaxStandardID + 1]*channel
	ext     map[canbus.Key]*channel
	streams []*stream // in the order of their making
	queue   []Message
	head    int
	ignored [numReasons]uint64
}

// NewSniffer returns a sniffer.
func NewSniffer(cfg SnifferConfig) *Sniffer {
	if cfg.MaxLen <= 0 {
		cfg.MaxLen = 65535
	}
	if cfg.Silence <= 0 {
		cfg.Silence = time.Second
	}
	s := &Sniffer{cfg: cfg, ext: map[canbus.Key]*channel{}}
	if !cfg.OnlyThese {
		s.addPair(Functional(0x7DF))
		for id := canbus.Key(0x7E0); id < 0x7E8; id++ {
			s.addPair(Normal(id, id+8))
		}
	}
	for _, a := range cfg.Pairs {
		s.addPair(a)
	}
	for _, k := range cfg.IDs {
		s.addStream(k, false, 0, false)
	}
	return s
}

// Passes reports whether See would have nothing to do with the frame and nothing to
// return: a quick look, as most of what goes by on a car's bus is none of ISO-TP.
func (s *Sniffer) Passes(f *canbus.Frame) bool {
	return f.Flags&canbus.Extended == 0 && s.std[f.ID&canbus.MaxStandardID] == nil && s.head == len(s.queue)
}

// See takes frame number no of the bus, at f.Time. It returns the oldest
// message not fetched yet, if there is one; Next gives the rest (a frame can
// end one message and be the next), so call it until there is none.
func (s *Sniffer) See(no int, f *canbus.Frame) (Message, bool) {
	st := s.find(f)
	if st == nil {
		return s.Next()
	}
	for i := s.head; i < len(s.queue); i++ { // not fetched in time: keep them readable
		s.queue[i].Payload = append([]byte(nil), s.queue[i].Payload...)
	}
	if st.open && f.Time > st.active+s.cfg.Silence {
		s.abandon(st, st.silent())
	}
	off := 0
	if st.msg.HasExt {
		off = 1
	}
	p, why := parse(f.Data[:f.Len], off)
	if why == Accepted {
		why = s.dispatch(st, &p, no, f.Time)
	}
	if why != Accepted {
		s.ignored[why]++
	}
	return s.Next()
}

// Next returns the oldest message not fetched yet, if there is one.
func (s *Sniffer) Next() (Message, bool) {
	if s.head == len(s.queue) {
		return Message{}, false
	}
	m := s.queue[s.head]
	s.queue[s.head].Payload = nil
	s.head++
	if s.head == len(s.queue) {
		s.queue, s.head = s.queue[:0], 0
	}
	return m, true
}

// Expire ends the messages that have stood still for longer than Silence;
// fetch them with Next. It looks at every stream, so call it now and then: a
// message is ended too when the next frame of its stream comes.
func (s *Sniffer) Expire(now time.Duration) {
	for _, st := range s.streams {
		if st.open && now > st.active+s.cfg.Silence {
			s.abandon(st, st.silent())
		}
	}
}

// Finish ends all messages that are under way; fetch them with Next.
func (s *Sniffer) Finish() {
	for _, st := range s.streams {
		if st.open {
			s.abandon(st, GeneralError)
		}
	}
}

// Ignored counts the frames that were ignored for the reason.
func (s *Sniffer) Ignored(why Reason) uint64 { return s.ignored[why%numReasons] }

func (st *stream) silent() Result {
	if st.awaitFlow && st.partner != nil {
		return TimeoutBs
	}
	return TimeoutCr
}

func (s *Sniffer) dispatch(st *stream, p *pdu, no int, at time.Duration) Reason {
	if st.msg.Functional && p.kind != single {
		return Segmented
	}
	switch p.kind {
	case single:
		s.seeSingle(st, p, no, at)
	case first:
		s.seeFirst(st, p, no, at)
	case flow:
		s.seeFlow(st, p, no, at)
	default:
		return s.seeConsecutive(st, p, no, at)
	}
	return Accepted
}

// begin notes the first frame of a message.
func (st *stream) begin(no int, at time.Duration, length int) {
	st.msg.First, st.msg.Start, st.msg.Length = no, at, length
	st.msg.Last, st.msg.End, st.active = no, at, at
}

func (s *Sniffer) push(st *stream, k MessageKind, r Result, payload []byte) {
	m := st.msg
	m.Kind, m.Result, m.Payload = k, r, payload
	s.queue = append(s.queue, m)
}

// abandon reports the open message of a stream as incomplete. Its bytes stay
// where they are until the next See; the stream goes on in its other buffer.
func (s *Sniffer) abandon(st *stream, r Result) {
	s.push(st, Partial, r, st.buf)
	st.open = false
	st.buf, st.spare = st.spare, st.buf
}

func (s *Sniffer) seeSingle(st *stream, p *pdu, no int, at time.Duration) {
	if st.open {
		s.abandon(st, UnexpectedPDU)
	}
	n := copy(st.short[:], p.data)
	st.begin(no, at, n)
	s.push(st, Whole, OK, st.short[:n])
}

func (s *Sniffer) seeFirst(st *stream, p *pdu, no int, at time.Duration) {
	if st.open {
		s.abandon(st, UnexpectedPDU)
	}
	st.begin(no, at, int(p.length))
	st.open, st.sn, st.dl = true, 1, p.canDL
	st.awaitFlow, st.block = true, unlimited
	st.buf = append(st.buf[:0], p.data...)
	if uint64(p.length) > uint64(s.cfg.MaxLen) {
		s.abandon(st, BufferOverflow)
	}
}

func (s *Sniffer) seeConsecutive(st *stream, p *pdu, no int, at time.Duration) Reason {
	if !st.open {
		return NotAwaited
	}
	left := st.msg.Length - len(st.buf)
	if p.canDL > st.dl || p.canDL < st.dl && len(p.data) < left {
		return ConsecutiveDL
	}
	st.msg.Last, st.msg.End, st.active = no, at, at
	if p.sn != st.sn {
		s.abandon(st, WrongSN)
		return Accepted
	}
	st.sn = (st.sn + 1) & 0xF
	st.buf = append(st.buf, p.data[:min(left, len(p.data))]...)
	if len(st.buf) == st.msg.Length {
		s.push(st, Whole, OK, st.buf)
		st.open = false
		st.buf, st.spare = st.spare, st.buf
		return Accepted
	}
	if st.block > 0 {
		st.block--
	}
	st.awaitFlow = st.block == 0
	return Accepted
}

// seeFlow reports a flow control and applies it to the message it governs.
func (s *Sniffer) seeFlow(st *stream, p *pdu, no int, at time.Duration) {
	m := st.msg
	m.Kind, m.First, m.Last, m.Start, m.End = Control, no, no, at, at
	m.Length, m.Result, m.Flow, m.Payload = 0, OK, p.flow, nil
	s.queue = append(s.queue, m)
	t := st.partner
	if t == nil || !t.open || !t.awaitFlow {
		return
	}
	if at > t.active+s.cfg.Silence {
		s.abandon(t, t.silent())
		return
	}
	switch {
	case m.Flow.Status == ContinueToSend:
		t.awaitFlow, t.block = false, int(m.Flow.BlockSize)
		if t.block == 0 {
			t.block = unlimited
		}
		t.active = at
	case m.Flow.Status == Wait:
		t.active = at
	case m.Flow.Status == Overflow:
		s.abandon(t, BufferOverflow)
	default:
		s.abandon(t, InvalidFS)
	}
}
