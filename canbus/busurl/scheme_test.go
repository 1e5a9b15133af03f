package busurl

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// A kind of bus is one registration: what checks, lists and opens URLs knows it from
// there.
func TestAKindOfBusIsOneRegistration(t *testing.T) {
	before := schemes
	t.Cleanup(func() { schemes = before })
	schemes = append([]*scheme{}, before...)
	register(&scheme{
		name: "paper", form: "paper:SHEET", rank: 9, physical: true,
		check: func(string) error { return nil },
		host: func(loop *clock.Loop, _ string, opt Options) (*Bus, error) {
			return embedded(loop, opt)
		},
		dial: func(string, func(string)) (canbus.Conn, error) { return nil, canbus.ErrClosed },
	})
	u, err := Parse("paper:a4")
	require.NoError(t, err)
	require.Equal(t, "a4", u.Physical())
	require.NoError(t, CheckShared("paper:a4"))
	require.Equal(t, "unix:PATH, can:IFACE or paper:SHEET", SharedForms())
	_, err = Parse("x:")
	require.ErrorContains(t, err, "want mem:, unix:PATH, can:IFACE or paper:SHEET")
	_, err = Dial("paper:a4", nil)
	require.ErrorIs(t, err, canbus.ErrClosed)
	loop, err := clock.NewWall()
	require.NoError(t, err)
	b, err := Host(loop, "paper:a4", Options{Name: "can0"})
	require.NoError(t, err)
	require.NotNil(t, b.Wire)
	require.NoError(t, b.Close())
	_, err = Join(context.Background(), loop, "paper:a4", Options{})
	require.ErrorContains(t, err, "inside one process", "nobody has said how it is joined")
}
