package dbc

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"sawhorse/canbus"
	"sawhorse/dbc/checksum"
)

// count is a counter of a codec: its signal, and its modulus, or the mask of one that is
// a power of two (2^64 is).
type count struct {
	signal        int
	modulus, mask uint64
}

func countOf(signal int, s *Signal) count {
	m := s.Counter.Modulus
	if m&(m-1) == 0 {
		return count{signal: signal, mask: m - 1}
	}
	return count{signal: signal, modulus: m}
}

// sum is a checksum of a codec: its signal, and the bytes it leaves out.
type sum struct {
	signal      int
	first, last int
	role        *Checksum
}

func (c *Codec) addRole(i int, s *Signal) {
	if s.Counter != nil {
		c.counters = append(c.counters, i)
		c.counts = append(c.counts, countOf(i, s))
	}
	if s.Checksum != nil {
		first, last := s.bytes()
		c.sums = append(c.sums, sum{i, first, last, s.Checksum})
		c.sumPlaces = append(c.sumPlaces, i)
	}
}

// checkSums reports two checksums in one frame: each would cover the other.
func (c *Codec) checkSums() error {
	for k, i := range c.sumPlaces {
		for _, j := range c.sumPlaces[:k] {
			if a, b := c.message.Signals[j], c.message.Signals[i]; a.meets(b) {
				return fmt.Errorf("message %s has two checksums in one frame, %s and %s, want one", c.message.Name, a.Name, b.Name)
			}
		}
	}
	return nil
}

// checkRole reports why the signal cannot have its role.
func (s *Signal) checkRole() error {
	if s.Counter == nil && s.Checksum == nil {
		return nil
	}
	if s.Counter != nil && s.Checksum != nil {
		return errors.New("both counter and checksum, want one role")
	}
	if s.Encoding != Unsigned {
		return fmt.Errorf("a counter or checksum that is %s, want unsigned", s.Encoding)
	}
	if n := s.Counter; n != nil {
		if s.Length < 64 && (n.Modulus < 2 || n.Modulus > 1<<s.Length) {
			return fmt.Errorf("a counter modulo %d in %d bits, want 2 to %d", n.Modulus, s.Length, uint64(1)<<s.Length)
		}
		return nil
	}
	w := s.Checksum.Kind.Width()
	if w == 0 || s.Length != w {
		return fmt.Errorf("checksum %s in %d bits, want %d", s.Checksum.Kind, s.Length, w)
	}
	if s.first()%8 != 0 {
		return errors.New("a checksum across bytes, want whole bytes")
	}
	return nil
}

// Counters and Checksums are the places of the signals with these roles.
func (c *Codec) Counters() []int { return c.counters }

// Checksums is described with Counters.
func (c *Codec) Checksums() []int { return c.sumPlaces }

// Count sets all counters that are present to n, each modulo its modulus.
func (c *Codec) Count(f *canbus.Frame, n uint64) {
	for k := range c.counts {
		if x := &c.counts[k]; c.Present(f, x.signal) {
			c.SetRaw(f, x.signal, x.of(n))
		}
	}
}

// Advance moves all counters that are present on by the given number of steps.
func (c *Codec) Advance(f *canbus.Frame, steps uint64) {
	for k := range c.counts {
		if x := &c.counts[k]; c.Present(f, x.signal) {
			c.SetRaw(f, x.signal, x.of(x.of(c.Raw(f, x.signal))+x.of(steps)))
		}
	}
}

// of is n modulo the modulus; a division only where it is no power of two.
func (x *count) of(n uint64) uint64 {
	if x.modulus != 0 {
		return n % x.modulus
	}
	return n & x.mask
}

// Seal computes all checksums that are present and writes them, in the order of the
// signals; do it last.
func (c *Codec) Seal(f *canbus.Frame) {
	for k := range c.sums {
		if s := &c.sums[k]; c.Present(f, s.signal) {
			c.SetRaw(f, s.signal, s.of(f))
		}
	}
}

// Verify reports whether all checksums that are present are right. If not, signal is the
// first wrong one, and want what it should hold.
func (c *Codec) Verify(f *canbus.Frame) (signal int, want uint64, ok bool) {
	for k := range c.sums {
		s := &c.sums[k]
		if !c.Present(f, s.signal) {
			continue
		}
		if want := s.of(f); want != c.Raw(f, s.signal) {
			return s.signal, want, false
		}
	}
	return -1, 0, true
}

func (s *sum) of(f *canbus.Frame) uint64 {
	k := s.role.Kind
	reg := k.Begin()
	if s.role.ID {
		id := [4]byte{byte(f.ID >> 24), byte(f.ID >> 16), byte(f.ID >> 8), byte(f.ID)}
		from := 2
		if f.Has(canbus.Extended) {
			from = 0
		}
		reg = k.Add(reg, id[from:])
	}
	reg = k.Add(reg, s.role.DataID)
	reg = k.Add(reg, f.Data[:s.first])
	reg = k.Add(reg, f.Data[s.last+1:f.Len])
	return uint64(k.End(reg))
}

// setRole reads the attribute SawhorseRole.
func (s *Signal) setRole(text string) error {
	name, rest, has := strings.Cut(text, ":")
	switch name {
	case "counter":
		n := &Counter{}
		if s.Length < 64 {
			n.Modulus = 1 << s.Length
		}
		if has {
			var err error
			if n.Modulus, err = strconv.ParseUint(rest, 0, 64); err != nil || n.Modulus == 0 {
				return fmt.Errorf("counter modulus %q, want a whole number of 2 or more", rest)
			}
		}
		s.Counter = n
	case "checksum":
		parts := strings.Split(rest, ",")
		kind, err := checksum.Parse(parts[0])
		if err != nil {
			return err
		}
		sum := &Checksum{Kind: kind}
		for _, p := range parts[1:] {
			if err := sum.option(p); err != nil {
				return err
			}
		}
		s.Checksum = sum
	default:
		return fmt.Errorf("role %q, want counter, counter:MODULUS or checksum:KIND", text)
	}
	return s.checkRole()
}

// option reads what follows the kind: the identifier, or up to eight bytes in
// hexadecimal as written, leading zeros included.
func (c *Checksum) option(text string) error {
	if text == "id" {
		c.ID = true
		return nil
	}
	digits, ok := strings.CutPrefix(text, "data-id=0x")
	if n, err := strconv.ParseUint(digits, 16, 64); ok && err == nil && len(digits)%2 == 0 {
		c.DataID = make([]byte, len(digits)/2)
		for i := range c.DataID {
			c.DataID[len(c.DataID)-1-i] = byte(n >> (8 * i))
		}
		return nil
	}
	return fmt.Errorf("checksum option %q, want id or data-id=0x and pairs of hexadecimal digits", text)
}
