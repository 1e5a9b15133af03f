package builtin

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
	"sawhorse/bench/tool"
)

func TestEveryProfileLoadsAndDoesEveryTask(t *testing.T) {
	require.Equal(t, []string{"demotool", "external"}, Names())
	for _, name := range Names() {
		p, err := Profile(name)
		require.NoError(t, err)
		assert.Equal(t, name, p.Name)
		for _, x := range task.All() {
			args := []map[string]string{nil}
			if a := x.Argument; a != nil {
				args = []map[string]string{{a.Name: "0PT48VM60R1000048"}}
				if len(a.Words) > 0 {
					args = nil
				}
				for _, w := range a.Words {
					args = append(args, map[string]string{a.Name: w})
				}
			}
			for _, a := range args {
				e, ok := p.Entry(x.Name, a)
				require.True(t, ok, "%s does %s %v", name, x.Name, a)
				if p.Kind == tool.KindExternal {
					text, err := e.Instructions(tool.Values{Arguments: a})
					require.NoError(t, err)
					assert.NotEmpty(t, text)
				}
			}
		}
	}
	_, err := Profile("nobody")
	require.ErrorContains(t, err, "expected one of demotool, external")
}
