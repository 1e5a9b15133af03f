package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/rules"
	"sawhorse/canbus"
)

// ids are the identifiers that matter to the rules, and some that do not.
var ids = []canbus.Key{
	0x7DF, 0x7E0, 0x7E1, 0x7E8, 0x7E9, 0x7A0, 0x7A8, 0x123,
	canbus.KeyOf(0x18DB33F1, true), canbus.KeyOf(0x18DA10F1, true), canbus.KeyOf(0x18DAF110, true),
}

// feed takes bytes for a conversation: each step is a word and the data of a frame.
func feed(s *rules.Set, data []byte) time.Duration {
	now := time.Duration(0)
	for no := 1; len(data) > 2; no++ {
		what, gap, n := data[0], data[1], int(data[2])
		data = data[3:]
		now += time.Duration(gap) * time.Duration(gap) * 100 * time.Microsecond
		switch what & 0x1F {
		case 0x1E:
			o := judge.Saw(judge.TaskStart, now)
			o.Task = "t"
			s.Observe(&o)
		case 0x1F:
			o := judge.Saw(judge.TaskEnd, now)
			o.Task, o.Status = "t", judge.Statuses()[n%len(judge.Statuses())]
			s.Observe(&o)
		case 0x1D:
			o := judge.Saw(judge.FaultOn+judge.Kind(n%2), now)
			o.Fault = "f"
			s.Observe(&o)
		case 0x1C:
			o := judge.Saw(judge.Driver, now)
			o.Control, o.Text = "key", []string{"key off", "key on"}[n%2]
			s.Observe(&o)
		default:
			key := ids[int(what&0x1F)%len(ids)]
			f := canbus.Frame{ID: key.ID(), Time: now, Len: uint8(n % 9)}
			if key.Extended() {
				f.Flags |= canbus.Extended
			}
			if what&0x20 != 0 {
				f.Flags |= canbus.Remote
			} else {
				data = data[copy(f.Data[:f.Len], data):]
			}
			s.See(no, &f, what&0x40 != 0, what&0x80 != 0)
		}
	}
	return now
}

func newFuzzed() *rules.Set {
	return rules.New(rules.Options{
		Pairs:    []rules.Pair{{Name: "body", Request: 0x7A0, Response: 0x7A8}},
		Truth:    func(string) (float64, bool) { return 1000, true },
		Disturbs: func(string) bool { return true },
		Fresh:    true,
	})
}

// Whatever goes by, the rules neither panic nor say anything that has no place or
// reason, and the same conversation gives the same verdicts.
func FuzzConversation(f *testing.F) {
	f.Add([]byte{0x1E, 0, 0, 0, 1, 8, 2, 1, 0, 0, 0, 0, 0, 0, 0x43, 1, 8, 6, 0x41, 0, 0xBE, 0x3F, 0xB9, 0x93, 0, 0x1F, 1, 0})
	f.Add([]byte{1, 1, 8, 0x10, 0x14, 0x36, 1, 0, 0, 0, 0, 0x43, 1, 3, 0x32, 0, 0, 1, 1, 8, 0x21, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{1, 1, 2, 0x01, 0x02, 1, 1, 1, 0x01, 5, 1, 2, 0x01, 0x2F, 0x43, 1, 2, 0x01, 0x74, 1, 1, 2, 0x01, 0x36})
	for i := range 40 { // every service, as a request and as an answer of one byte
		f.Add([]byte{1, 1, 3, 0x02, byte(i), byte(i), 0x43, 1, 3, 0x02, byte(i) + 0x40, byte(i), 0x43, 1, 4, 0x03, 0x7F, byte(i), 0x78})
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		one, two := newFuzzed(), newFuzzed()
		end := feed(one, data)
		feed(two, data)
		vs := one.Finish(end, true)
		require.Equal(t, vs, two.Finish(end, true))
		for _, v := range vs {
			require.NotEmpty(t, v.Reason, v.ID)
			require.NotEmpty(t, v.Source, v.ID)
			if v.Outcome != judge.Pass {
				require.NotEmpty(t, v.Evidence, v.ID)
			}
			for _, e := range v.Evidence {
				require.LessOrEqual(t, e.First, e.Last, v.ID)
			}
		}
	})
}

// The scripts are a conversation of their own, for all rules at once.
func TestAllRulesTogetherSeeTheScripts(t *testing.T) {
	for _, c := range readScripts(t) {
		alone := c.play(t, c.rule)
		for _, v := range c.play(t) {
			if v.ID == rules.Prefix+c.rule {
				require.Equal(t, alone[0], v, "%s: %s", c.rule, c.head)
			}
		}
	}
}
