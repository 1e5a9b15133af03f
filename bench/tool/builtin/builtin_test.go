package builtin

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/tool"
)

func TestEveryProfileLoadsAndDoesEveryTask(t *testing.T) {
	require.Equal(t, []string{"demotool", "external"}, Names())
	for _, name := range Names() {
		p, err := Profile(name)
		require.NoError(t, err)
		assert.Equal(t, name, p.Name)
		for _, task := range tool.Tasks {
			args := []map[string]string{nil}
			for name, a := range tool.Arguments {
				if a.Task != task {
					continue
				}
				args = []map[string]string{{name: "0PT48VM60R1000048"}}
				if len(a.Words) > 0 {
					args = nil
				}
				for _, w := range a.Words {
					args = append(args, map[string]string{name: w})
				}
			}
			for _, a := range args {
				e, ok := p.Entry(task, a)
				require.True(t, ok, "%s does %s %v", name, task, a)
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
