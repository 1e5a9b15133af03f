package signal_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/signal"
)

func TestTable(t *testing.T) {
	var table signal.Table
	rpm := table.Define("engine_rpm", "rev/min", "engine speed")
	mil := table.Define("mil", "bool", "lamp")
	table.Set(rpm, 604)
	table.SetBool(mil, true)
	require.Equal(t, 604.0, table.Get(rpm))
	require.True(t, table.Is(mil))
	table.SetBool(mil, false)
	require.False(t, table.Is(mil))
	ref, ok := table.Lookup("engine_rpm")
	require.True(t, ok)
	require.Equal(t, rpm, ref)
	_, ok = table.Lookup("wings")
	require.False(t, ok)
	require.Equal(t, 2, table.Len())
	infos := table.Infos()
	require.Equal(t, "mil", infos[1].Name)
	infos[1].Name = "altered"
	require.Equal(t, "mil", table.Infos()[1].Name, "a copy was given out")
	require.Panics(t, func() { table.Define("mil", "", "") })
}
