package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// conversation is a recording in CSV: extended addressing (ISO 15765-2 clause 10.3) on
// identifiers of no standard, a VIN in three frames, and a message with a number that is
// infinite (IEEE 754: 7F800000).
const conversation = `time,bus,id,flags,dlc,data
0.000,0,6F1,,8,12021003AAAAAAAA
0.010,0,612,,8,F1065003003201F4
0.020,0,6F1,,8,120322F190AAAAAA
0.030,0,612,,8,F1101462F1905445
0.040,0,6F1,,8,12300000AAAAAAAA
0.050,0,612,,8,F121535443415230
0.060,0,612,,8,F122313233343536
0.070,0,612,,8,F123373839AAAAAA
0.080,0,100,,4,0000807F
0.090,0,100,,4,0000803F
`

const network = `VERSION ""
BU_: A
BO_ 256 M: 4 A
 SG_ S : 0|32@1- (1,0) [0|0] "V" A
SIG_VALTYPE_ 256 S : 1;
`

func inspected(t *testing.T, args ...string) map[string]any {
	t.Helper()
	dir := t.TempDir()
	rec, dbc := filepath.Join(dir, "rec.csv"), filepath.Join(dir, "net.dbc")
	require.NoError(t, os.WriteFile(rec, []byte(conversation), 0o600))
	require.NoError(t, os.WriteFile(dbc, []byte(network), 0o600))
	cmd := newInspectCommand()
	var out bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetArgs(append([]string{rec, "--json", "--dbc", dbc}, args...))
	require.NoError(t, cmd.Execute())
	var doc map[string]any
	require.NoError(t, json.Unmarshal(out.Bytes(), &doc), "%s", out.String())
	return doc
}

func TestInspectTellsWholeConversationsInJSON(t *testing.T) {
	for _, args := range [][]string{nil, {"--pairs", "6F1/12:612/F1"}} {
		doc := inspected(t, args...)
		pair := doc["conversations"].([]any)[0].(map[string]any)
		require.Equal(t, "6F1/12", pair["request"])
		require.Equal(t, "612/F1", pair["answer"])
		messages := doc["messages"].([]any)
		require.Len(t, messages, 4)
		last := messages[3].(map[string]any)
		require.Equal(t, "62F1905445535443415230313233343536373839", last["data"])
		require.Equal(t, true, last["answer"])
		require.Equal(t, "ReadDataByIdentifier ok VIN TESTCAR0123456789", last["text"])
	}
}

func TestInspectWritesNumbersThatJSONDoesNotHave(t *testing.T) {
	doc := inspected(t)
	signal := doc["signals"].([]any)[0].(map[string]any)
	require.Equal(t, "+Inf", signal["high"])
	require.Equal(t, 1.0, signal["low"])
	lengths := doc["ids"].([]any)[0].(map[string]any)["lengths"]
	require.Equal(t, []any{4.0}, lengths)
}

func TestInspectRefusesAPairThatIsNone(t *testing.T) {
	cmd := newInspectCommand()
	cmd.SetOut(&bytes.Buffer{})
	cmd.SetErr(&bytes.Buffer{})
	rec := filepath.Join(t.TempDir(), "rec.csv")
	require.NoError(t, os.WriteFile(rec, []byte(conversation), 0o600))
	cmd.SetArgs([]string{rec, "--pairs", "6F1/12:612"})
	require.ErrorContains(t, cmd.Execute(), "--pairs")
}

// One entry that cannot be used is left out by name; --strict refuses the file for it.
func TestInspectLeavesOutWhatCannotBeUsed(t *testing.T) {
	dir := t.TempDir()
	rec, dbc := filepath.Join(dir, "rec.csv"), filepath.Join(dir, "net.dbc")
	require.NoError(t, os.WriteFile(rec, []byte(conversation), 0o600))
	require.NoError(t, os.WriteFile(dbc, []byte(network+"BO_ 257 N: 4 A\n SG_ Wide : 30|8@1+ (1,0) [0|0] \"\" A\n"), 0o600))
	run := func(args ...string) (string, error) {
		cmd := newInspectCommand()
		var out, errout bytes.Buffer
		cmd.SetOut(&out)
		cmd.SetErr(&errout)
		cmd.SetArgs(append([]string{rec, "--json", "--dbc", dbc}, args...))
		err := cmd.Execute()
		return errout.String(), err
	}
	warned, err := run()
	require.NoError(t, err)
	require.Contains(t, warned, "net.dbc:7:")
	require.Contains(t, warned, "signal Wide")
	_, err = run("--strict")
	require.ErrorContains(t, err, "signal Wide")
}
