package replay

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// The fast set holds what its matches hold, one by one.
func TestSetAgainstItsMatches(t *testing.T) {
	key := rapid.Custom(func(rt *rapid.T) canbus.Key {
		if rapid.Bool().Draw(rt, "extended") {
			return canbus.KeyOf(canbus.ID(rapid.Uint32Range(0, uint32(canbus.MaxExtendedID)).Draw(rt, "id")), true)
		}
		return canbus.KeyOf(canbus.ID(rapid.Uint32Range(0, uint32(canbus.MaxStandardID)).Draw(rt, "id")), false)
	})
	rapid.Check(t, func(rt *rapid.T) {
		var ms []Match
		for range rapid.IntRange(1, 5).Draw(rt, "matches") {
			k := key.Draw(rt, "key")
			switch rapid.IntRange(0, 2).Draw(rt, "kind") {
			case 0:
				ms = append(ms, ID(k))
			case 1:
				top := min(k.ID()+0x30, canbus.MaxStandardID)
				if k.Extended() {
					top = min(k.ID()+0x3000, canbus.MaxExtendedID)
				}
				ms = append(ms, Range(k, canbus.KeyOf(top, k.Extended())))
			default:
				ms = append(ms, Masked(k, canbus.ID(rapid.Uint32Range(0, uint32(canbus.MaxExtendedID)).Draw(rt, "mask"))))
			}
		}
		s := newSet(ms)
		for range 50 {
			k := key.Draw(rt, "asked")
			want := slices.ContainsFunc(ms, func(m Match) bool { return m.Has(k) })
			if s.has(k) != want {
				rt.Fatalf("%v in %+v: %v, want %v", k, ms, s.has(k), want)
			}
		}
	})
	require.Nil(t, newSet(nil))
}

// Whatever is accepted is a set of one format that is not upside down; what is
// refused is named with what was expected.
func FuzzParseMatch(f *testing.F) {
	for _, s := range []string{"7E8", "18DAF110", "7E0-7EF", "700/7F0", "18DA0000/1FFF0000", "", "-", "/", "800", "7EF-7E0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMatch(s)
		if err != nil {
			if !strings.Contains(err.Error(), "want") {
				t.Fatal(err)
			}
			return
		}
		if m.Low > m.High || m.Low.Extended() != m.High.Extended() || m.Bits&^m.Mask != 0 {
			t.Fatalf("%q gives %+v", s, m)
		}
		if m.Mask == 0 && !(m.Has(m.Low) && m.Has(m.High)) {
			t.Fatalf("%q has not got its own ends", s)
		}
	})
}
