package dbc

import (
	"encoding/binary"
	"math"
	"math/bits"

	"sawhorse/canbus"
)

// Message is what the codec was compiled from.
func (c *Codec) Message() *Message { return c.message }

// Frame is a frame of the message with all bits 0; a CAN FD one switches the bit rate.
func (c *Codec) Frame() canbus.Frame {
	m := c.message
	f := canbus.Frame{ID: m.Key.ID(), Len: uint8(m.Length)}
	if m.Key.Extended() {
		f.Flags |= canbus.Extended
	}
	if m.FD {
		f.Flags |= canbus.FD | canbus.BitRateSwitch
		f.Len = uint8(canbus.LengthOf(canbus.DLC(m.Length)))
	}
	return f
}

// Present reports whether the frame holds signal i: it is long enough, and the
// multiplexer switches select it. Remote frames and error reports hold none.
func (c *Codec) Present(f *canbus.Frame, i int) bool {
	if f.Flags&(canbus.Remote|canbus.Error) != 0 {
		return false
	}
	if p := &c.plans[i]; p.under < 0 {
		return p.need <= f.Len
	}
	return c.selected(f, i)
}

func (c *Codec) selected(f *canbus.Frame, i int) bool {
	for {
		p := &c.plans[i]
		if p.need > f.Len {
			return false
		}
		if p.under < 0 {
			return true
		}
		s := c.message.Signals[i]
		i = int(p.under)
		if !s.selects(c.plans[i].get(&f.Data)) {
			return false
		}
	}
}

// Raw is the bits of signal i as an unsigned number, whether or not it is present.
func (c *Codec) Raw(f *canbus.Frame, i int) uint64 { return c.plans[i].get(&f.Data) }

// SetRaw sets the bits of signal i to the low ones of raw, whether or not it is present;
// a negative number of a signed signal goes in as uint64(v).
func (c *Codec) SetRaw(f *canbus.Frame, i int, raw uint64) { c.plans[i].put(&f.Data, raw) }

// Int is the bits of signal i as a number by its sign: what Signal.Text wants.
func (c *Codec) Int(f *canbus.Frame, i int) int64 {
	p := &c.plans[i]
	return int64((p.get(&f.Data) ^ p.sign) - p.sign)
}

// Value is the physical value of signal i; NaN if it is not present.
func (c *Codec) Value(f *canbus.Frame, i int) float64 {
	if p := &c.plans[i]; p.plain && p.need <= f.Len && f.Flags&(canbus.Remote|canbus.Error) == 0 {
		raw := p.load(&f.Data) >> (p.shift & 63) & p.mask
		return float64(float64(int64((raw^p.sign)-p.sign))*p.factor) + p.offset
	}
	if !c.Present(f, i) {
		return math.NaN()
	}
	return c.plans[i].physical(c.plans[i].get(&f.Data))
}

// SetValue writes the physical value of signal i, rounded and saturated as the package
// says, whether or not it is present.
func (c *Codec) SetValue(f *canbus.Frame, i int, v float64) {
	p := &c.plans[i]
	p.put(&f.Data, p.raw(v))
}

// RawOf is what SetValue would write.
func (c *Codec) RawOf(i int, v float64) uint64 { return c.plans[i].raw(v) }

// Decode writes the physical values of all signals to dst, one for each of
// Message.Signals and NaN for absent ones, and returns how many are present. It panics if
// dst is shorter. Whether the frame is one of the message is the caller's to know.
func (c *Codec) Decode(f *canbus.Frame, dst []float64) int {
	if !c.simple || f.Len < c.need || f.Flags&(canbus.Remote|canbus.Error) != 0 {
		return c.decodeEach(f, dst)
	}
	little := binary.LittleEndian.Uint64(f.Data[:8])
	big := bits.ReverseBytes64(little)
	words := [4]uint64{little, big, little >> 1, big >> 1}
	cores := c.cores
	dst = dst[:len(cores):len(dst)] // panics if shorter
	for i := range cores {
		p := &cores[i]
		raw := words[p.word&3] & p.mask
		// The conversion keeps the product's rounding: no machine may fuse the two.
		dst[i] = float64(float64(int64((raw^p.sign)-p.sign))*p.scale) + p.offset
	}
	for _, i := range c.others {
		p := &c.plans[i]
		dst[i] = p.physical(p.get(&f.Data))
	}
	return len(cores)
}

func (c *Codec) decodeEach(f *canbus.Frame, dst []float64) (present int) {
	dst = dst[:len(c.plans):len(dst)]
	for i := range c.plans {
		if dst[i] = math.NaN(); c.Present(f, i) {
			p := &c.plans[i]
			dst[i] = p.physical(p.get(&f.Data))
			present++
		}
	}
	return present
}

// Encode writes the physical values of src, one for each of Message.Signals, into the
// frame; those that are NaN or that the switches do not select are left alone. It returns
// how many it wrote, and panics if src is shorter. Counters and checksums are signals
// like others here; Count and Seal are for them.
func (c *Codec) Encode(f *canbus.Frame, src []float64) (written int) {
	src = src[:len(c.plans):len(src)]
	if c.apart && f.Len >= c.need && f.Flags&(canbus.Remote|canbus.Error) == 0 {
		return c.encodeWord(f, src)
	}
	for _, i := range c.order {
		if v := src[i]; v == v && c.Present(f, i) {
			p := &c.plans[i]
			p.put(&f.Data, p.raw(v))
			written++
		}
	}
	return written
}

// encodeWord is Encode for a codec whose signals lie apart in one word: those of each
// byte order are put together before the frame is touched.
func (c *Codec) encodeWord(f *canbus.Frame, src []float64) (written int) {
	var bitsOf, maskOf [2]uint64
	for i, v := range src {
		if v != v {
			continue
		}
		p := &c.plans[i]
		maskOf[p.order&1] |= p.mask << (p.shift & 63)
		bitsOf[p.order&1] |= p.raw(v) << (p.shift & 63)
		written++
	}
	w := binary.LittleEndian.Uint64(f.Data[:8])
	w = w&^maskOf[0] | bitsOf[0]
	w = w&^bits.ReverseBytes64(maskOf[1]) | bits.ReverseBytes64(bitsOf[1])
	binary.LittleEndian.PutUint64(f.Data[:8], w)
	return written
}

// physical turns the bits of the signal into its value.
func (p *plan) physical(raw uint64) float64 {
	var v float64
	switch p.form {
	case whole:
		v = float64(int64((raw ^ p.sign) - p.sign))
	case whole64:
		v = float64(raw)
	case single:
		v = float64(math.Float32frombits(uint32(raw)))
	case double:
		v = math.Float64frombits(raw)
	}
	return float64(v*p.factor) + p.offset
}

// raw turns a value into the bits of the signal: nearest and saturated.
func (p *plan) raw(v float64) uint64 {
	x := (v - p.offset) / p.factor
	switch p.form {
	case single:
		if s := float32(x); !math.IsInf(float64(s), 0) || math.IsInf(x, 0) {
			return uint64(math.Float32bits(s))
		}
		return uint64(math.Float32bits(float32(math.Copysign(math.MaxFloat32, x))))
	case double:
		return math.Float64bits(x)
	}
	if x > -maxWhole && x < maxWhole {
		// Rounding half away from zero, by what lies behind the point.
		n := int64(x)
		switch rest := x - float64(n); {
		case rest >= 0.5:
			n++
		case rest <= -0.5:
			n--
		}
		if x = float64(n); x < p.high && x > p.low {
			return uint64(n) & p.mask
		}
	}
	switch {
	case math.IsNaN(x):
		return 0
	case x >= p.high:
		return p.mask ^ p.sign // all ones, but for the sign
	case x <= p.low:
		return p.sign
	case p.sign != 0:
		return uint64(int64(x)) & p.mask
	}
	return uint64(x)
}

// maxWhole bounds the numbers that round as int64.
const maxWhole = 1 << 62
