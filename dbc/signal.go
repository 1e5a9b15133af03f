package dbc

import (
	"slices"
	"sort"

	"sawhorse/dbc/checksum"
)

// Encoding is how the bits of a signal make a number.
type Encoding uint8

// The encodings. Floats are IEEE 754 binary32 and binary64.
const (
	Unsigned Encoding = iota
	Signed            // two's complement
	Float32
	Float64
)

func (e Encoding) String() string {
	return [...]string{"unsigned", "signed", "float32", "float64"}[e&3]
}

// Signal is one value in a message's payload.
type Signal struct {
	Name string
	// Start is the bit it starts at (see the package), Length its bits: 1 to 64.
	Start, Length int
	BigEndian     bool
	Encoding      Encoding
	// Physical value = raw * Factor + Offset; Factor is not 0.
	Factor, Offset float64
	// Min and Max are the physical range that the file gives; both 0 if it gives none.
	Min, Max float64
	Unit     string
	Comment  string
	// Values names raw values, in rising order of Raw.
	Values []Value
	// Receivers are the nodes that listen to it.
	Receivers []string
	At        Place // of the name

	// Switch marks a multiplexer switch. Under is the switch that selects this signal,
	// nil if it is always there, and Selectors are the raw values that select it.
	Switch    bool
	Under     *Signal
	Selectors []Range

	// Counter and Checksum are set for signals with that role.
	Counter  *Counter
	Checksum *Checksum

	attributed
}

// Value is a name of a raw value; of a signed signal the raw value may be negative.
type Value struct {
	Raw  int64
	Text string
}

// Range is the raw values from Low to High, both included.
type Range struct{ Low, High uint64 }

// Counter is the role of a signal that is one more in each frame.
type Counter struct {
	// Modulus is the number of its values: it goes from 0 to Modulus-1. 0 is 2^64.
	Modulus uint64
}

// Checksum is the role of a signal that is computed from the rest of the frame.
type Checksum struct {
	Kind checksum.Kind
	// ID has the frame's identifier go first: 2 bytes for 11 bits, 4 for 29, the most
	// significant one first.
	ID bool
	// DataID goes next; then come the bytes of the payload but the checksum's own.
	DataID []byte
}

// Text is the name of a raw value; false if it has none.
func (s *Signal) Text(raw int64) (string, bool) {
	i, ok := slices.BinarySearchFunc(s.Values, raw, func(v Value, raw int64) int {
		switch {
		case v.Raw < raw:
			return -1
		case v.Raw > raw:
			return 1
		}
		return 0
	})
	if !ok {
		return "", false
	}
	return s.Values[i].Text, true
}

// RawOf is the raw value of a name; false if there is none.
func (s *Signal) RawOf(text string) (int64, bool) {
	for _, v := range s.Values {
		if v.Text == text {
			return v.Raw, true
		}
	}
	return 0, false
}

func (s *Signal) sortValues() {
	sort.SliceStable(s.Values, func(i, j int) bool { return s.Values[i].Raw < s.Values[j].Raw })
}

// first is the place of the signal's first bit in its order: the bit's number in
// little-endian order; in big-endian order counted from each byte's most significant bit.
func (s *Signal) first() int {
	if s.BigEndian {
		return s.Start/8*8 + 7 - s.Start%8
	}
	return s.Start
}

// bytes are the first and the last byte that the signal touches.
func (s *Signal) bytes() (first, last int) {
	f := s.first()
	return f / 8, (f + s.Length - 1) / 8
}

// selects reports whether a raw value of the switch selects the signal.
func (s *Signal) selects(raw uint64) bool {
	for _, r := range s.Selectors {
		if r.Low <= raw && raw <= r.High {
			return true
		}
	}
	return false
}

// meets reports whether the two may be in one frame, as far as their own switch tells.
func (s *Signal) meets(o *Signal) bool {
	if s.Under == nil || s.Under != o.Under {
		return true
	}
	for _, a := range s.Selectors {
		for _, b := range o.Selectors {
			if a.Low <= b.High && b.Low <= a.High {
				return true
			}
		}
	}
	return false
}
