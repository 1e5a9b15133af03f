package signal_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/signal"
)

func TestASignalIsOneEntry(t *testing.T) {
	var table signal.Table
	var at struct {
		RPM signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed"`
		Key signal.Ref `name:"key" text:"key: 0 off, 2 on"`
	}
	table.Declare(&at)
	table.Set(at.Key, 2)
	ref, ok := table.Lookup("key")
	require.True(t, ok)
	require.Equal(t, at.Key, ref)
	require.Equal(t, []signal.Info{{Name: "engine_rpm", Unit: "rev/min", Text: "engine speed"}, {Name: "key", Text: "key: 0 off, 2 on"}}, table.Infos())
}

func TestAnEmptyOrDoubledEntryPanics(t *testing.T) {
	for name, refs := range map[string]any{
		"no name": &struct {
			A signal.Ref `text:"a"`
		}{},
		"no text": &struct {
			A signal.Ref `name:"a"`
		}{},
		"no Ref": &struct {
			A int `name:"a" text:"a"`
		}{},
		"doubled": &struct {
			A signal.Ref `name:"a" text:"a"`
			B signal.Ref `name:"a" text:"b"`
		}{},
	} {
		require.Panics(t, func() { new(signal.Table).Declare(refs) }, name)
	}
}
