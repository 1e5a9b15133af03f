package wire_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/bustest"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

func TestContract(t *testing.T) {
	t.Run("virtual", func(t *testing.T) {
		bustest.Run(t, func(t *testing.T) bustest.Rig {
			loop := clock.NewVirtual()
			bus, err := wire.New(loop, "mem", wire.Config{DataBitRate: 2_000_000})
			require.NoError(t, err)
			return bustest.Rig{Loop: loop, Bus: bus, FD: true, Ordered: true}
		})
	})
	t.Run("wall", func(t *testing.T) {
		bustest.Run(t, func(t *testing.T) bustest.Rig {
			loop, err := clock.NewWall()
			require.NoError(t, err)
			bus, err := wire.New(loop, "mem", wire.Config{BitRate: 1_000_000})
			require.NoError(t, err)
			return bustest.Rig{Loop: loop, Bus: bus, Ordered: true}
		})
	})
}
