package dbc

import (
	"fmt"
	"math"
	"math/bits"

	"sawhorse/canbus"
)

// form is how a plan's bits become a number.
type form uint8

const (
	whole   form = iota // integers that fit int64
	whole64             // unsigned of 64 bits
	single              // IEEE 754 binary32
	double              // IEEE 754 binary64
)

// core reads an integer without a shift: the bits stay in their place of the word, and
// the factor makes up for it. Powers of two leave the rounding as it is. The word is one
// of four: little-endian, big-endian, and each shifted by one bit, for the unsigned
// signals whose most significant bit would be the sign of the word.
type core struct {
	scale, offset float64
	mask, sign    uint64
	word          uint8
}

// core of a plan; false if it must be read by the plan.
func (p *plan) core() (core, bool) {
	c := core{scale: math.Ldexp(p.factor, -int(p.shift)), offset: p.offset, mask: p.mask << p.shift, sign: p.sign << p.shift, word: p.order}
	if c.sign == 0 && c.mask>>63 != 0 {
		c.word += 2
		c.mask >>= 1
		c.scale *= 2
	}
	exact := math.Abs(c.scale) > 0x1p-1000 && !math.IsInf(c.scale, 0)
	return c, p.form == whole && exact
}

// plan is a signal compiled. Its bits lie in a window of eight bytes at base, read as one
// word in the signal's byte order; then raw = word >> shift & mask. A signal that
// straddles nine bytes (CAN FD only) is wide: spill bits of it lie in the ninth.
type plan struct {
	factor, offset float64
	mask           uint64
	// sign is the sign bit in place, or 0: (raw ^ sign) - sign extends it.
	sign  uint64
	shift uint8
	order uint8 // 0 little-endian, 1 big-endian
	form  form
	// plain is a whole number in one word that no switch selects.
	plain bool
	base  uint8
	wide  bool
	spill uint8
	// need is how many bytes a frame must have to hold the signal.
	need uint8
	// under is the place of the multiplexer switch, -1 for none.
	under     int16
	low, high float64 // raw range to saturate at; high is the first value beyond
	selectors []Range
}

// Codec reads and writes the signals of one message. Signals go by their place in
// Message.Signals. It holds no state: any number of goroutines may use it.
type Codec struct {
	message *Message
	plans   []plan
	// need is the longest need of all; simple codecs have no multiplexing and all
	// windows at the first byte.
	need   uint8
	simple bool
	// apart is a simple codec no two signals of which share a bit.
	apart bool
	// cores are those of all signals of a simple codec; others are the places of the
	// signals that have none.
	cores  []core
	others []int
	// order lists the signals so that a switch comes before what it selects.
	order    []int
	counters []int
	counts   []count
	sums     []sum
	// sumPlaces are the signals of sums.
	sumPlaces []int
}

// maxSignals bounds the signals of a message.
const maxSignals = 4096

// Compile makes the codec of a message. The error says which signal cannot be, and why.
func Compile(m *Message) (*Codec, error) {
	if m.Length < 0 || m.Length > canbus.MaxData || len(m.Signals) > maxSignals {
		return nil, fmt.Errorf("message %s: %d bytes with %d signals, want at most %d with %d", m.Name, m.Length, len(m.Signals), canbus.MaxData, maxSignals)
	}
	c := &Codec{message: m, plans: make([]plan, len(m.Signals)), simple: true}
	places := make(map[*Signal]int, len(m.Signals))
	for i, s := range m.Signals {
		if err := s.check(m); err != nil {
			return nil, fmt.Errorf("signal %s of message %s: %w", s.Name, m.Name, err)
		}
		places[s] = i
	}
	for i, s := range m.Signals {
		c.plans[i] = s.plan(m)
		p := &c.plans[i]
		if s.Under != nil {
			at, ok := places[s.Under]
			if !ok {
				return nil, fmt.Errorf("signal %s of message %s: its multiplexer switch %s is none of the message's signals", s.Name, m.Name, s.Under.Name)
			}
			p.under, p.selectors = int16(at), s.Selectors
		}
		p.plain = p.form == whole && !p.wide && p.under < 0
		c.need = max(c.need, p.need)
		c.simple = c.simple && s.Under == nil && p.base == 0 && !p.wide
		c.addRole(i, s)
	}
	c.apart = c.simple && c.disjoint()
	for i := range c.plans {
		k, ok := c.plans[i].core()
		c.cores = append(c.cores, k)
		if !ok {
			c.others = append(c.others, i)
		}
	}
	if err := c.checkSums(); err != nil {
		return nil, err
	}
	if err := c.sort(); err != nil {
		return nil, err
	}
	return c, nil
}

// check reports why the signal cannot be in the message.
func (s *Signal) check(m *Message) error {
	if s.Length < 1 || s.Length > 64 {
		return fmt.Errorf("%d bits, want 1 to 64", s.Length)
	}
	if s.Start < 0 {
		return fmt.Errorf("starts at bit %d, want 0 or more", s.Start)
	}
	if _, last := s.bytes(); last >= m.Length {
		return fmt.Errorf("reaches into byte %d of a payload of %d", last+1, m.Length)
	}
	if s.Encoding == Float32 && s.Length != 32 || s.Encoding == Float64 && s.Length != 64 {
		return fmt.Errorf("%s of %d bits", s.Encoding, s.Length)
	}
	if s.Factor == 0 || math.IsNaN(s.Factor) || math.IsInf(s.Factor, 0) || math.IsNaN(s.Offset) || math.IsInf(s.Offset, 0) {
		return fmt.Errorf("factor %g and offset %g, want finite numbers and a factor other than 0", s.Factor, s.Offset)
	}
	if u := s.Under; u != nil && (u.Encoding == Float32 || u.Encoding == Float64) {
		return fmt.Errorf("its multiplexer switch %s is a float, want an integer", u.Name)
	}
	return s.checkRole()
}

func (s *Signal) plan(m *Message) plan {
	n := s.Length
	first, last := s.bytes()
	base := 0
	if m.Length > canbus.MaxClassicData {
		base = min(first, canbus.MaxData-8)
	}
	p := plan{
		factor: s.Factor, offset: s.Offset, mask: ^uint64(0) >> (64 - n),
		base: uint8(base), need: uint8(last + 1), under: -1,
		high: math.Ldexp(1, n),
	}
	// end counts the signal's bits from the start of the window to its last one.
	end := s.first() + n - 8*base
	switch {
	case end > 64:
		p.wide, p.spill = true, uint8(end-64)
		p.shift = uint8(s.first() - 8*base)
	case s.BigEndian:
		p.shift = uint8(64 - end)
	default:
		p.shift = uint8(s.Start - 8*base)
	}
	if s.BigEndian {
		p.order = 1
	}
	switch s.Encoding {
	case Signed:
		p.sign = 1 << (n - 1)
		p.high = math.Ldexp(1, n-1)
		p.low = -p.high
	case Float32:
		p.form = single
	case Float64:
		p.form = double
	default:
		if n == 64 {
			p.form = whole64
		}
	}
	return p
}

// disjoint reports whether no two signals of a simple codec share a bit.
func (c *Codec) disjoint() bool {
	var taken uint64
	for i := range c.plans {
		p := &c.plans[i]
		mask := p.mask << p.shift
		if p.order != 0 {
			mask = bits.ReverseBytes64(mask)
		}
		if taken&mask != 0 {
			return false
		}
		taken |= mask
	}
	return true
}

// sort orders the signals by their depth under switches; a circle is an error.
func (c *Codec) sort() error {
	done := make([]bool, len(c.plans))
	for len(c.order) < len(c.plans) {
		before := len(c.order)
		for i := range c.plans {
			if u := c.plans[i].under; !done[i] && (u < 0 || done[u]) {
				done[i] = true
				c.order = append(c.order, i)
			}
		}
		if len(c.order) == before {
			for i := range done {
				if !done[i] {
					return fmt.Errorf("signal %s of message %s: its multiplexer switches select each other in a circle", c.message.Signals[i].Name, c.message.Name)
				}
			}
		}
	}
	return nil
}
