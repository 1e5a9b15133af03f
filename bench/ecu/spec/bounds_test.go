package spec

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"sawhorse/canbus/uds"
)

// Readiness monitors have the places of PID 01 that the standard's table gives (canbus/uds),
// in the same order; none is empty or there twice.
func TestMonitorsHaveTheirPlaces(t *testing.T) {
	names := map[string]bool{}
	standard := uds.MonitorsOf(false)
	assert.Len(t, Monitors, len(standard))
	for i, m := range Monitors {
		assert.NotEmpty(t, m.Name)
		assert.False(t, names[m.Name], "%s is there already", m.Name)
		names[m.Name] = true
		assert.Equal(t, standard[i].Continuous, m.Continuous, m.Name)
		assert.Equal(t, standard[i].Bit, m.Bit, m.Name)
	}
}

// In-use counters stand in the order of infotype 08 (SAE J1979 appendix G): a completion
// and a condition counter each, after those of all monitors.
func TestInUseCountersHaveTheirPlaces(t *testing.T) {
	short := map[string]string{"catalyst_1": "CATCOMP1", "catalyst_2": "CATCOMP2", "oxygen_1": "O2SCOMP1", "oxygen_2": "O2SCOMP2",
		"egr": "EGRCOMP", "secondary_air": "AIRCOMP", "evap": "EVAPCOMP"}
	assert.Len(t, Ratios, len(short))
	for i, name := range Ratios {
		assert.Equal(t, short[name], uds.InUseCounter(2+2*i), name)
	}
}
