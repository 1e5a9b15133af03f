package ecu

import (
	"encoding/hex"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// span is a duration as Go writes it, never negative.
type span time.Duration

func (s span) d() time.Duration { return time.Duration(s) }

// maxSpan keeps sums of durations far from overflow.
const maxSpan = 24 * time.Hour

// UnmarshalYAML reads the scalar with its place.
func (s *span) UnmarshalYAML(n ast.Node) error {
	d, err := time.ParseDuration(scalar(n))
	if err != nil || d < 0 || d > maxSpan {
		return at(n, "%q is no duration, want one of 0s to 24h as in 50ms or 1.5s", scalar(n))
	}
	*s = span(d)
	return nil
}

// ratio is a positive number, or a fraction of two: 0.25, 100/255.
type ratio float64

// UnmarshalYAML reads the scalar with its place.
func (r *ratio) UnmarshalYAML(n ast.Node) error {
	over, under, isFraction := strings.Cut(scalar(n), "/")
	a, err := strconv.ParseFloat(over, 64)
	b := 1.0
	if err == nil && isFraction {
		b, err = strconv.ParseFloat(under, 64)
	}
	if v := a / b; err == nil && v > 1e-9 && v < 1e9 {
		*r = ratio(v)
		return nil
	}
	return at(n, "%q is no scale, want a positive number or a fraction as in 0.25 or 100/255", scalar(n))
}

// hexBytes are bytes as hex digits, spaces ignored.
type hexBytes []byte

// UnmarshalYAML reads the scalar with its place.
func (h *hexBytes) UnmarshalYAML(n ast.Node) error {
	b, err := hex.DecodeString(strings.ReplaceAll(scalar(n), " ", ""))
	if err != nil || len(b) == 0 {
		return at(n, "%q are no bytes, want hex digits in pairs as in \"FF 00\"", scalar(n))
	}
	*h = b
	return nil
}

// scalar is the text of a scalar as it was written; "" for anything else.
func scalar(n ast.Node) string {
	if _, ok := n.(ast.ScalarNode); !ok {
		return ""
	}
	tk := n.GetToken()
	if tk == nil {
		return ""
	}
	return tk.Value
}
