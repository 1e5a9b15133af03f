package dbc_test

import (
	"fmt"
	"math"

	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

// bitsOf lists the places of a signal's bits in the payload, the least significant one
// first: the naive reading of the format, one bit after the other.
func bitsOf(s *dbc.Signal) []int {
	places := make([]int, 0, s.Length)
	at := s.Start
	for range s.Length {
		places = append(places, at)
		switch {
		case !s.BigEndian:
			at++
		case at%8 == 0: // down within the byte, then on at bit 7 of the next
			at += 15
		default:
			at--
		}
	}
	if s.BigEndian { // they came from the most significant one on
		for i, j := 0, len(places)-1; i < j; i, j = i+1, j-1 {
			places[i], places[j] = places[j], places[i]
		}
	}
	return places
}

func oracleRaw(d []byte, s *dbc.Signal) (raw uint64) {
	for i, at := range bitsOf(s) {
		raw |= uint64(d[at/8]>>(at%8)&1) << i
	}
	return raw
}

func oracleSet(d []byte, s *dbc.Signal, raw uint64) {
	for i, at := range bitsOf(s) {
		d[at/8] = d[at/8]&^(1<<(at%8)) | byte(raw>>i&1)<<(at%8)
	}
}

func oracleValue(raw uint64, s *dbc.Signal) float64 {
	var v float64
	switch s.Encoding {
	case dbc.Unsigned:
		v = float64(raw)
	case dbc.Signed:
		v = float64(int64(raw<<(64-s.Length)) >> (64 - s.Length))
	case dbc.Float32:
		v = float64(math.Float32frombits(uint32(raw)))
	case dbc.Float64:
		v = math.Float64frombits(raw)
	}
	v *= s.Factor
	return v + s.Offset
}

// fits reports whether the signal stays within a payload.
func fits(s *dbc.Signal, length int) bool {
	for _, at := range bitsOf(s) {
		if at/8 >= length {
			return false
		}
	}
	return true
}

var (
	lengths = rapid.SampledFrom([]int{1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 12, 16, 20, 24, 32, 48, 64})
	factors = rapid.SampledFrom([]float64{1, 0.1, 0.25, 0.001, 2, -1, -0.5, 1e-7, 1000, 0.0078125})
	offsets = rapid.SampledFrom([]float64{0, 0, 0, -40, 100, 0.5, -273.15, 1e6})
)

// drawSignal draws a signal that fits the payload, at any bit, of any length, order and
// encoding.
func drawSignal(t *rapid.T, name string, length int) *dbc.Signal {
	s := &dbc.Signal{
		Name: name, BigEndian: rapid.Bool().Draw(t, "big"), Factor: factors.Draw(t, "factor"), Offset: offsets.Draw(t, "offset"),
		Encoding: rapid.SampledFrom([]dbc.Encoding{0, 0, 1, 1, 2, 3}).Draw(t, "encoding"),
	}
	switch {
	case s.Encoding == dbc.Float32 && length >= 4:
		s.Length = 32
	case s.Encoding == dbc.Float64 && length >= 8:
		s.Length = 64
	default:
		s.Encoding &= 1
		s.Length = rapid.IntRange(1, min(64, 8*length)).Draw(t, "bits")
	}
	first := rapid.IntRange(0, 8*length-s.Length).Draw(t, "first")
	s.Start = first
	if s.BigEndian {
		s.Start = first/8*8 + 7 - first%8
	}
	return s
}

func drawMessage(t *rapid.T, length int) *dbc.Message {
	m := &dbc.Message{Key: 0x123, Name: "Drawn", Length: length, FD: length > 8}
	for i := range rapid.IntRange(1, 12).Draw(t, "signals") {
		m.Signals = append(m.Signals, drawSignal(t, fmt.Sprintf("S%d", i), length))
	}
	return m
}

func drawData(t *rapid.T, length int) (d [canbus.MaxData]byte) {
	copy(d[:], rapid.SliceOfN(rapid.Byte(), length, length).Draw(t, "data"))
	return d
}
