package broadcast

import (
	"fmt"

	"sawhorse/bench/car/strict"
	"sawhorse/dbc"
)

// refuse is an error about a place of the network's file.
func refuse(net *dbc.Network, at dbc.Place, format string, args ...any) error {
	return &strict.Error{File: net.File, Line: at.Line, Column: at.Column, Problem: fmt.Sprintf(format, args...)}
}
