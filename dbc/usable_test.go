package dbc_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

// Good is a message that is read whatever stands beside it.
const good = `
BO_ 291 Good: 2 Node
 SG_ Speed : 0|16@1+ (0.01,0) [0|655.35] "km/h" Vector__XXX

`

// Each file that is refused, with a good message before and behind it: that one is read,
// and what was the reason is left out by its place.
func TestWhatCanBeUsedIsRead(t *testing.T) {
	tried := 0
	for _, file := range files(t, "refused") {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		if len(data) == 0 || strings.HasPrefix(string(data), "\xFF\xFE") || strings.HasPrefix(string(data), "\xFE\xFF") {
			continue // nothing can be put beside it
		}
		for where, text := range map[string]string{"before": good + string(data), "behind": string(data) + "\n" + good} {
			_, err = dbc.Parse(file, []byte(text))
			if err == nil {
				continue // it was refused for having nothing in it
			}
			n, err := dbc.ParseUsable(file, []byte(text))
			if where == "behind" && err != nil || where == "behind" && n != nil && missing(n) {
				// a text that does not end takes all that stands behind it
				require.Contains(t, text, `"`, file)
				continue
			}
			require.NoError(t, err, "%s %s", file, where)
			m, ok := n.Message(canbus.KeyOf(291, false))
			require.True(t, ok, "%s %s", file, where)
			f := canbus.New(291, 0x10, 0x27)
			values := []float64{0}
			require.Equal(t, 1, m.Codec().Decode(&f, values))
			require.InDelta(t, 100.0, values[0], 1e-9)
			left := 0
			for _, w := range n.Warnings {
				if strings.HasSuffix(w.What, "left out") {
					left++
				}
			}
			assert.Positive(t, left, "%s %s: nothing says what was left out", file, where)
			tried++
		}
	}
	require.Greater(t, tried, 60)
}

func missing(n *dbc.Network) bool {
	_, ok := n.Message(canbus.KeyOf(291, false))
	return !ok
}

// The message of signals of no message is written with and without the flag of 29 bits;
// both are no message of the bus.
func TestSignalsOfNoMessageAreLeftOut(t *testing.T) {
	for _, id := range []string{"3221225472", "1073741824"} {
		n, err := dbc.Parse("x.dbc", []byte("BO_ "+id+" VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n SG_ Loose : 0|8@1+ (1,0) [0|0] \"\" Vector__XXX\n"+good))
		require.NoError(t, err)
		require.Len(t, n.Messages, 1)
		require.True(t, slices.ContainsFunc(n.Warnings, func(w dbc.Warning) bool { return strings.HasSuffix(w.What, "left out") }))
	}
}

// A signal that is switched by one that is left out goes with it; the others of the
// message stay.
func TestSignalsGoWithTheirSwitch(t *testing.T) {
	text := `BO_ 291 M: 8 Node
 SG_ Switch M : 0|8@1+ (1,0) [0|0] "" N
 SG_ Switched m1 : 8|8@1+ (1,0) [0|0] "" N
 SG_ Other : 16|8@1+ (1,0) [0|0] "" N
SIG_VALTYPE_ 291 Switch : 1;
`
	_, err := dbc.Parse("x.dbc", []byte(text))
	require.Error(t, err)
	n, err := dbc.ParseUsable("x.dbc", []byte(text))
	require.NoError(t, err)
	require.Len(t, n.Messages, 1)
	require.Len(t, n.Messages[0].Signals, 1)
	require.Equal(t, "Other", n.Messages[0].Signals[0].Name)
}

func TestAFileWithoutAnythingToUseIsRefused(t *testing.T) {
	for _, text := range []string{"", "what is this", "BO_ x y z"} {
		_, err := dbc.ParseUsable("x.dbc", []byte(text))
		var list dbc.Errors
		require.True(t, errors.As(err, &list), "%q: %v", text, err)
	}
	_, err := dbc.LoadUsable(filepath.Join(t.TempDir(), "none.dbc"))
	require.ErrorIs(t, err, os.ErrNotExist)
}
