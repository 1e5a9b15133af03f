package main_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

// The rules are listed, told one by one and printed as JSON.
func TestRulesAreTold(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "rules")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "flow-in-time ")
	require.Contains(t, r.out, "security\n")
	r = sawhorse(t, dir, "rules", "flow-in-time")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "ISO 15765-2:2016")
	r = sawhorse(t, dir, "rules", "--json")
	require.Zero(t, r.status, r.errout)
	var list []map[string]string
	require.NoError(t, json.Unmarshal([]byte(r.out), &list))
	require.Greater(t, len(list), 40)
	r = sawhorse(t, dir, "rules", "truth/stored")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "ISO 15031-5:2015 clause 7 (service 03)")
	require.Equal(t, "must", list[0]["severity"])
}

// On the terminal the rules that were kept are one line, and explain tells about one.
func TestKeptRulesAreOneLine(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", "healthy", "--strict")
	require.Zero(t, r.status, r.errout)
	require.Regexp(t, `passed  \d+ rules for every tool, all kept\n +passed  \d+ fields of what the tool said, all true\n`, r.out)
	require.NotContains(t, r.out, "rule/")
	r = sawhorse(t, dir, "explain", "out/healthy", "rule/one-at-a-time")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "A rule for every tool, from ISO 15765-4:2011")
	r = sawhorse(t, dir, "explain", "out/healthy")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "rules for every tool were kept")
	require.Contains(t, r.out, "What the tool said was true in all of")
	r = sawhorse(t, dir, "explain", "out/healthy", "truth/vin")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "all true")
}
