package fault_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/fault"
)

func names(list []*fault.Entry) string {
	var ids []string
	for _, e := range list {
		ids = append(ids, e.ID)
	}
	return strings.Join(ids, " ")
}

func TestSearch(t *testing.T) {
	assert.Equal(t, "clutch-unlearned", names(fault.Search("clutch-unlearned")))
	byCode := names(fault.Search("p0113"))
	assert.Contains(t, byCode, "intake-air-open")
	assert.NotContains(t, byCode, "clutch-unlearned")
	assert.Contains(t, names(fault.Search("P0302")), "plug-fouled", "the cylinder is a parameter")
	both := fault.Search("flow", "control")
	require.NotEmpty(t, both)
	assert.True(t, strings.HasPrefix(both[0].ID, "flow-control"), "titles come first: %s", names(both))
	assert.Empty(t, fault.Search("gremlins"))
	assert.Empty(t, fault.Search(""))
}

func TestParseReadsAFaultAsItIsWritten(t *testing.T) {
	for text, want := range map[string]map[string]any{
		"frames-lost":                                 nil,
		"padding-wrong:byte=55":                       {"byte": "55"},
		"frames-late:delay=20,ids=7E8":                {"delay": 20.0, "ids": "7E8"},
		"frames-lost:ids=7E8,7E9,part=first":          {"ids": "7E8,7E9", "part": "first"},
		"bytes-overwritten:bytes=00 1e3,at=-2":        {"bytes": "00 1e3", "at": -2.0},
		"answer-pending:times=3,for-ever=true":        {"times": 3.0, "for-ever": true},
		"frames-lost:share=12.5,skip=1e2,sender=tool": {"share": 12.5, "skip": 100.0, "sender": "tool"},
	} {
		id, params, err := fault.Parse(text)
		require.NoError(t, err, text)
		assert.Equal(t, strings.Split(text, ":")[0], id)
		assert.Equal(t, want, params, text)
	}
	for text, want := range map[string]string{
		"gremlins":                        `fault "gremlins": not in the catalogue`,
		"frames-losst:share=2":            "did you mean frames-lost?",
		"frames-lost:shore=2":             `parameter "shore" is not known, want ids, message`,
		"frames-lost:share":               `"share", want PARAM=VALUE`,
		"frames-lost:share=2,share=3":     "parameter share for a second time",
		"frames-lost:share=many":          "parameter share is many, want 0.01..100 %",
		"frames-lost:share=200":           "parameter share is 200, want 0.01..100 %",
		"answer-pending:for-ever=perhaps": "parameter for-ever is perhaps, want true or false",
	} {
		_, _, err := fault.Parse(text)
		assert.ErrorContains(t, err, want, text)
	}
}
