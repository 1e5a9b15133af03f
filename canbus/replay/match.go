package replay

import (
	"fmt"
	"strconv"
	"strings"

	"sawhorse/canbus"
)

// Match describes a set of identifiers of one format: those from Low to High
// whose bits under Mask equal Bits. Build one with ID, Range, Masked or ParseMatch.
type Match struct {
	Low, High  canbus.Key
	Bits, Mask canbus.Key
}

// ID matches one identifier.
func ID(k canbus.Key) Match { return Match{Low: k, High: k} }

// Range matches the identifiers from low to high, both included and of one format.
func Range(low, high canbus.Key) Match { return Match{Low: low, High: high} }

// Masked matches the identifiers of bits' format that equal bits where mask has ones.
func Masked(bits canbus.Key, mask canbus.ID) Match {
	m := Match{Low: canbus.KeyOf(0, bits.Extended()), High: canbus.KeyOf(canbus.MaxStandardID, false), Mask: canbus.Key(mask)}
	if bits.Extended() {
		m.High = canbus.KeyOf(canbus.MaxExtendedID, true)
	}
	m.Bits = bits & m.Mask
	return m
}

// Has reports whether the identifier belongs to the set.
func (m Match) Has(k canbus.Key) bool { return k >= m.Low && k <= m.High && k&m.Mask == m.Bits }

// ParseMatch reads "7E8", "7E0-7EF" or "700/7F0" (bits/mask). Identifiers of up
// to three hexadecimal digits have 11 bits, longer ones 29.
func ParseMatch(s string) (Match, error) {
	if low, high, ok := strings.Cut(s, "-"); ok {
		a, errA := parseKey(low)
		b, errB := parseKey(high)
		if errA != nil || errB != nil || a.Extended() != b.Extended() || a > b {
			return Match{}, fmt.Errorf("identifiers %q: want a range such as 7E0-7EF, of one format and upwards", s)
		}
		return Range(a, b), nil
	}
	if bits, mask, ok := strings.Cut(s, "/"); ok {
		a, errA := parseKey(bits)
		m, errM := strconv.ParseUint(mask, 16, 32)
		if errA != nil || errM != nil || canbus.ID(m) > canbus.MaxExtendedID {
			return Match{}, fmt.Errorf("identifiers %q: want bits and mask such as 700/7F0", s)
		}
		return Masked(a, canbus.ID(m)), nil
	}
	k, err := parseKey(s)
	if err != nil {
		return Match{}, fmt.Errorf("identifier %q: want hexadecimal such as 7E8 or 18DAF110, a range 7E0-7EF, or bits and mask 700/7F0", s)
	}
	return ID(k), nil
}

func parseKey(s string) (canbus.Key, error) {
	n, err := strconv.ParseUint(s, 16, 32)
	id := canbus.ID(n)
	if extended := len(s) > 3; err == nil && (extended && id <= canbus.MaxExtendedID || !extended && id <= canbus.MaxStandardID) {
		return canbus.KeyOf(id, extended), nil
	}
	return 0, strconv.ErrRange
}

// set is many matches made fast: a bit for each 11-bit identifier, and the
// matches of 29-bit ones.
type set struct {
	std [(canbus.MaxStandardID + 1) / 64]uint64
	ext []Match
}

func newSet(ms []Match) *set {
	if len(ms) == 0 {
		return nil
	}
	s := new(set)
	for _, m := range ms {
		if m.High.Extended() {
			s.ext = append(s.ext, m)
			continue
		}
		for k := range canbus.Key(canbus.MaxStandardID + 1) {
			if m.Has(k) {
				s.std[k/64] |= 1 << (k % 64)
			}
		}
	}
	return s
}

func (s *set) has(k canbus.Key) bool {
	if !k.Extended() {
		return s.std[k/64&31]>>(k%64)&1 != 0
	}
	for i := range s.ext {
		if s.ext[i].Has(k) {
			return true
		}
	}
	return false
}
