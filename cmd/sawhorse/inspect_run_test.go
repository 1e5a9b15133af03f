package main_test

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// The unit of the Petrel that lies beyond the range of OBD is found among 17,000 frames
// of a run, and nothing else; the Auklet's are all on the identifiers of ISO 15765-4.
func TestInspectFindsTheUnitBeyondTheStandardsRange(t *testing.T) {
	for scenario, want := range map[string][]string{
		"healthy":        {"7A0 7A8"},
		"auklet-healthy": nil,
	} {
		dir := t.TempDir()
		r := sawhorse(t, dir, "run", scenario)
		require.Zero(t, r.status, r.errout)
		r = sawhorse(t, dir, "inspect", "--json", filepath.Join("out", scenario, "capture.pcapng"))
		require.Zero(t, r.status, r.errout)
		var doc struct {
			Conversations []struct{ Request, Answer string }
			Messages      []struct{ ID, Text, Broken string }
		}
		require.NoError(t, json.Unmarshal([]byte(r.out), &doc))
		var got []string
		for _, c := range doc.Conversations {
			got = append(got, c.Request+" "+c.Answer)
		}
		require.Equal(t, want, got, scenario)
		for _, m := range doc.Messages {
			require.Empty(t, m.Broken, "%s: %s", m.ID, m.Text)
		}
	}
}
