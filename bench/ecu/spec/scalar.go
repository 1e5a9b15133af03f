package spec

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Span is a duration as Go writes it, never negative.
type Span time.Duration

func (s Span) Duration() time.Duration { return time.Duration(s) }

// maxSpan keeps sums of durations far from overflow.
const maxSpan = 24 * time.Hour

// UnmarshalText reads the scalar.
func (s *Span) UnmarshalText(text []byte) error {
	d, err := time.ParseDuration(string(text))
	if err != nil || d < 0 || d > maxSpan {
		return fmt.Errorf("%q is no duration, want one of 0s to 24h as in 50ms or 1.5s", string(text))
	}
	*s = Span(d)
	return nil
}

// Ratio is a positive number, or a fraction of two: 0.25, 100/255.
type Ratio float64

// UnmarshalText reads the scalar.
func (r *Ratio) UnmarshalText(text []byte) error {
	over, under, isFraction := strings.Cut(string(text), "/")
	a, err := strconv.ParseFloat(over, 64)
	b := 1.0
	if err == nil && isFraction {
		b, err = strconv.ParseFloat(under, 64)
	}
	if v := a / b; err == nil && v > 1e-9 && v < 1e9 {
		*r = Ratio(v)
		return nil
	}
	return fmt.Errorf("%q is no scale, want a positive number or a fraction as in 0.25 or 100/255", string(text))
}

// HexBytes are bytes as hex digits, spaces ignored.
type HexBytes []byte

// UnmarshalText reads the scalar.
func (h *HexBytes) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(strings.ReplaceAll(string(text), " ", ""))
	if err != nil || len(b) == 0 {
		return fmt.Errorf("%q are no bytes, want hex digits in pairs as in \"FF 00\"", string(text))
	}
	*h = b
	return nil
}
