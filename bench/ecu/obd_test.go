package ecu

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestUnitsOfTheCarLoad(t *testing.T) {
	for _, name := range []string{"ecu-engine.yaml", "ecu-brake.yaml", "ecu-body.yaml"} {
		s := loadUnit(t, name)
		newRig(t, s)
	}
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	for _, q := range []string{"01 00", "01 0C", "22 F1 90", "10 03", "19 02 FF", "09 02", "01 01", "01 20", "01 40", "01 60", "02 00 00", "02 02 00"} {
		t.Log(q, "->", r.ask(q))
	}
	require.NotEmpty(t, r.ask("01 00"))
}
