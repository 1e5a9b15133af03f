package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus/busurl"
)

func TestWhoMayConnect(t *testing.T) {
	s, err := socketOf("unix:a.sock", "0660", "0")
	require.NoError(t, err)
	assert.Equal(t, busurl.Socket{Mode: 0o660, Group: 0, GroupSet: true}, s)
	s, err = socketOf("can:can0", "", "")
	require.NoError(t, err)
	assert.Zero(t, s)
	for _, c := range []struct{ bus, mode, group, want string }{
		{"can:can0", "0660", "", "--bus is can:can0"},
		{"unix:a", "0888", "", "want permissions in octal"},
		{"unix:a", "01777", "", "want permissions in octal"},
		{"unix:a", "", "no-such-group-here", "there is no such group"},
	} {
		_, err := socketOf(c.bus, c.mode, c.group)
		require.ErrorContains(t, err, c.want)
	}
}
