package rules_test

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/rules"
	"sawhorse/canbus"
)

// A script in testdata is named like the rule that it is about and has cases:
//
//	== kept: why
//	== broken 7: why, where 7 is the frame shown last (0 for none)
//	== silent: why, where the rule has nothing to judge
//	== excused: why
//
// A line of a case is a time in ms and one of
//
//	7DF 02 01 00 CC     a frame; eight digits are an identifier of 29 bit
//	7DF > 01 00         a message in a single frame, padded to eight bytes
//	task NAME           a task starts
//	end STATUS          it ends
//	fault NAME          a fault comes that disturbs the bus
//	gone NAME           it goes
//	key off             the driver's key
//	truth NAME VALUE    a true signal
//	long                tasks are not new processes (for the whole case)
//
// Frames are numbered from 1 in each case. The units are those of emission
// diagnostics and one beyond, at 7A0 and 7A8.
type scriptCase struct {
	rule, head, want string
	line             int
	frame            int
	steps            []string
}

func readScripts(t testing.TB) []scriptCase {
	t.Helper()
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files, "no scripts found: this test would prove nothing")
	var cases []scriptCase
	for _, name := range files {
		data, err := os.ReadFile(name)
		require.NoError(t, err)
		rule := strings.TrimSuffix(filepath.Base(name), ".txt")
		sc := bufio.NewScanner(bytes.NewReader(data))
		for n := 1; sc.Scan(); n++ {
			line, _, _ := strings.Cut(sc.Text(), "#")
			line = strings.TrimSpace(line)
			if head, ok := strings.CutPrefix(line, "== "); ok {
				c := scriptCase{rule: rule, head: head, line: n}
				words := strings.Fields(strings.ReplaceAll(head, ":", " "))
				c.want = words[0]
				if c.want == "broken" {
					c.frame, err = strconv.Atoi(words[1])
					require.NoError(t, err, "%s:%d", name, n)
				}
				cases = append(cases, c)
			} else if line != "" {
				require.NotEmpty(t, cases, "%s:%d: a step before the first case", name, n)
				c := &cases[len(cases)-1]
				c.steps = append(c.steps, line)
			}
		}
	}
	return cases
}

// play runs a case through the rules given, all if there are none.
func (c *scriptCase) play(t testing.TB, only ...string) []judge.Verdict {
	t.Helper()
	truth := map[string]float64{"engine_rpm": 0, "vehicle_kmh": 0}
	opt := rules.Options{
		Pairs:    []rules.Pair{{Name: "body", Request: canbus.KeyOf(0x7A0, false), Response: canbus.KeyOf(0x7A8, false)}},
		Truth:    func(name string) (float64, bool) { v, ok := truth[name]; return v, ok },
		Disturbs: func(string) bool { return true }, Running: 0x01,
		Fresh: !strings.Contains(strings.Join(c.steps, "\n"), " long"),
		Only:  only,
	}
	s := rules.New(opt)
	now, frame, task := time.Duration(0), 0, ""
	for _, step := range c.steps {
		words := strings.Fields(step)
		ms, err := strconv.ParseFloat(words[0], 64)
		require.NoError(t, err, "%s line %d: %s", c.rule, c.line, step)
		at := time.Duration(ms * float64(time.Millisecond))
		require.GreaterOrEqual(t, at, now, "%s line %d: %s", c.rule, c.line, step)
		now = at
		saw := func(k judge.Kind) judge.Observation { return judge.Saw(k, now) }
		switch words[1] {
		case "task":
			o := saw(judge.TaskStart)
			task = words[2]
			o.Task = task
			s.Observe(&o)
		case "end":
			o := saw(judge.TaskEnd)
			o.Task, o.Status = task, words[2]
			s.Observe(&o)
		case "fault", "gone":
			o := saw(map[string]judge.Kind{"fault": judge.FaultOn, "gone": judge.FaultOff}[words[1]])
			o.Fault = words[2]
			s.Observe(&o)
		case "key":
			o := saw(judge.Driver)
			o.Control, o.Text = "key", "key "+words[2]
			s.Observe(&o)
		case "truth":
			truth[words[2]], err = strconv.ParseFloat(words[3], 64)
			require.NoError(t, err)
		case "long":
		default:
			frame++
			f := frameOf(t, words[1:])
			f.Time = now
			s.See(frame, f, !isTool(f, words), false)
		}
	}
	return s.Finish(now+10*time.Second, true)
}

// isTool tells the tool's frames by their identifier; a mark "!" gives it any.
func isTool(f *canbus.Frame, words []string) bool {
	id := f.ID
	if f.Has(canbus.Extended) {
		return id == 0x18DB33F1 || id&0xFF == 0xF1
	}
	return id == 0x7DF || id >= 0x7E0 && id <= 0x7E7 || id == 0x7A0 || id == 0x123
}

func frameOf(t testing.TB, words []string) *canbus.Frame {
	t.Helper()
	id, err := strconv.ParseUint(words[0], 16, 32)
	require.NoError(t, err, words)
	f := &canbus.Frame{ID: canbus.ID(id)}
	if len(words[0]) == 8 {
		f.Flags |= canbus.Extended
	}
	data := words[1:]
	message := len(data) > 0 && data[0] == ">"
	if len(data) > 0 && data[0] == "remote" {
		f.Flags |= canbus.Remote
		f.Len = 8
		return f
	}
	if message {
		data = data[1:]
		require.LessOrEqual(t, len(data), 7, "a message of more than seven bytes is written as frames: %v", words)
		data = append([]string{fmt.Sprintf("%02X", len(data))}, data...)
		for len(data) < 8 {
			data = append(data, "CC")
		}
	}
	for i, w := range data {
		b, err := strconv.ParseUint(w, 16, 8)
		require.NoError(t, err, words)
		f.Data[i] = byte(b)
	}
	f.Len = uint8(len(data))
	return f
}

// Each rule has a script in which it is kept, one in which it is broken, at the frame
// named, and one in which it has nothing to judge.
func TestScripts(t *testing.T) {
	for _, c := range readScripts(t) {
		t.Run(c.rule+"/"+c.head, func(t *testing.T) {
			rule, err := rules.Find(c.rule)
			require.NoError(t, err)
			vs := c.play(t, c.rule)
			where := fmt.Sprintf("testdata/%s.txt:%d", c.rule, c.line)
			if c.want == "silent" {
				require.Empty(t, vs, where)
				return
			}
			if c.want == "excused" && len(vs) == 0 {
				return
			}
			require.Len(t, vs, 1, where)
			v := &vs[0]
			assert.Equal(t, rules.Prefix+c.rule, v.ID)
			assert.Equal(t, rule.Source, v.Source)
			switch c.want {
			case "kept", "excused":
				require.Equal(t, judge.Pass, v.Outcome, "%s: %s %v", where, v.Reason, v.Evidence)
			case "broken":
				want := judge.Advice
				if rule.Severity == rules.Must {
					want = judge.Fail
				}
				require.Equal(t, want, v.Outcome, "%s: %s %v", where, v.Reason, v.Evidence)
				require.NotEmpty(t, v.Evidence, where)
				if c.frame == 0 {
					assert.Zero(t, v.Evidence[len(v.Evidence)-1].First, "%s: %v", where, v.Evidence)
				} else {
					assert.Equal(t, c.frame, v.Evidence[len(v.Evidence)-1].First, "%s: %s %v", where, v.Reason, v.Evidence)
				}
			default:
				require.Fail(t, "unknown case", where)
			}
		})
	}
}

// No rule is without the three.
func TestEveryRuleHasItsScripts(t *testing.T) {
	seen := map[string]map[string]int{}
	for _, c := range readScripts(t) {
		if seen[c.rule] == nil {
			seen[c.rule] = map[string]int{}
		}
		seen[c.rule][c.want]++
	}
	for _, id := range rules.IDs() {
		for _, want := range []string{"kept", "broken", "silent"} {
			assert.NotZero(t, seen[id][want], "rule %s has no case %q", id, want)
		}
	}
	for id := range seen {
		_, err := rules.Find(id)
		assert.NoError(t, err)
	}
}
