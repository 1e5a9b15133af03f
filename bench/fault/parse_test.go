package fault

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
)

const sound = `group: test
faults:
  - fault: worn-wire
    title: A worn wire
    cause: It rubs.
    params:
      - {name: open_share, kind: number, unit: "%", min: 1, max: 90, default: 10, text: share of time open}
      - {name: kind, kind: text, words: [open, intermittent], default: open, text: which}
      - {name: both, kind: bool, default: false, text: both wires}
    driver_sees: Flicker.
    found_by: Wiggling.
    mended_by: Tape.
    codes: [P0117]
    also: [{if: both, codes: [P0113]}]
    acts:
      - {wire: {circuit: coolant-sensor, state_of: kind, open_pct_of: open_share, period_s: 2}}
      - {if: both, plug_off: {connector: air-mass-plug}}
`

func TestParse(t *testing.T) {
	es, err := parse(strict.Text("x.yaml", []byte(sound)))
	require.NoError(t, err)
	require.Len(t, es, 1)
	assert.Equal(t, "test", es[0].Group)
	assert.Equal(t, "1..90 %", es[0].Params[0].Want())
	p, err := es[0].params(map[string]any{"open_share": 12})
	require.NoError(t, err)
	assert.Equal(t, Params{"open_share": 12.0, "kind": "open", "both": false}, p)
	_, err = es[0].params(map[string]any{"open_share": 95.0})
	assert.EqualError(t, err, "parameter open_share is 95, want 1..90 %")
}

func TestABadCatalogueIsNamedByPlace(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"group: test\n", "", "a group without a name"},
		{"fault: worn-wire", "fault: Worn Wire", `x.yaml:3:12: faults[0].fault: fault "Worn Wire", want lower-case words joined by -`},
		{"    cause: It rubs.\n", "", "fault worn-wire has no cause"},
		{"min: 1,", "min: 20,", "the default of parameter open_share is 10, want 20..90 %"},
		{"name: kind", "name: both", `parameter "both", want a name of its own`},
		{"kind: text", "kind: word", `"word", want one of number, bool, text`},
		{"P0117", "P9117", `codes[0]: code "P9117", want a letter`},
		{"if: both, codes", "if: kind, codes", `if is "kind", want a parameter of kind bool`},
		{"state_of: kind", "state_of: both", `"both", want a parameter of kind text`},
		{"words: [open, intermittent]", "words: [open, cut]", `wire state "cut", want one of`},
		{"period_s: 2", "period_s: 0", "period 0 s, want 0.02..3600"},
		{"plug_off: {connector: air-mass-plug}", "", "0 acts, want exactly one"},
		{"plug_off:", "plug:", `unknown field "plug"`},
	} {
		require.Contains(t, sound, c.old)
		_, err := parse(strict.Text("x.yaml", []byte(strings.Replace(sound, c.old, c.new, 1))))
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^x\.yaml:\d+:\d+: `, err.Error())
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(sound))
	f.Add([]byte("group: a\nfaults: [{fault: b}]\n"))
	f.Add([]byte("group: a\nfaults: [null]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		es, err := parse(strict.Text("x.yaml", data))
		if err != nil {
			var e *strict.Error
			require.True(t, errors.As(err, &e), "%v", err)
			assert.Equal(t, "x.yaml", e.File)
			return
		}
		for _, e := range es {
			p, err := e.params(nil)
			require.NoError(t, err, "defaults are accepted")
			require.Len(t, p, len(e.Params))
		}
	})
}
