package main_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// What a run has recorded is judged again, by itself and with what lies beside it; what
// was said falsely fails, and what is no conversation cannot be judged.
func TestJudgeARecording(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", "healthy")
	require.Equal(t, 0, r.status, r.out+r.errout)
	file := "out/healthy/capture.pcapng"

	r = sawhorse(t, dir, "judge", file, "--scenario", "healthy", "--report", "pages", "--junit", "j.xml", "--verdicts", "v.jsonl")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "car-answers")
	require.Contains(t, r.out, "rules for every tool, all kept")
	require.Contains(t, r.errout, "frames alone do not tell: engine-runs")
	for _, f := range []string{"pages/capture.html", "pages/capture.pcapng", "j.xml", "v.jsonl"} {
		require.FileExists(t, filepath.Join(dir, f))
	}

	r = sawhorse(t, dir, "judge", file, "--alone", "--car", "petrel-48")
	require.Equal(t, 0, r.status, r.out+r.errout)

	write(t, filepath.Join(dir, "said.json"), `{"stored": ["P0420"], "permanent": null}`)
	r = sawhorse(t, dir, "judge", file, "--alone", "--said", "said.json")
	require.Equal(t, 1, r.status, r.out+r.errout)
	require.Contains(t, r.out, "P0420")

	write(t, filepath.Join(dir, "quiet.csv"), "time,bus,id,flags,dlc,data,comment\n0.000000000,0,0F0,,1,00,\n")
	r = sawhorse(t, dir, "judge", "quiet.csv")
	require.Equal(t, 2, r.status, r.out+r.errout)
	require.Contains(t, r.errout, "identifier of test equipment")
	r = sawhorse(t, dir, "judge", file, "--pair", "7A0")
	require.Equal(t, 2, r.status, r.out+r.errout)
	require.Contains(t, r.errout, "7A0:7A8")
}
