package nearest

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// The worked example of V. I. Levenshtein's distance that textbooks give, kitten and
// sitting, is 3 (from memory); an exchange of neighbours counts once.
func TestDistance(t *testing.T) {
	assert.Equal(t, 3, distance("kitten", "sitting"))
	assert.Equal(t, 1, distance("clutch", "cluthc"))
	assert.Equal(t, 0, distance("", ""))
	assert.Equal(t, 4, distance("", "four"))
	assert.Equal(t, 1, distance("open", "opens"))
}

func TestProposals(t *testing.T) {
	known := []string{"clutch-unlearned", "clutch-sensor-open", "air-mass-dead", "turbine-sensor-dead"}
	assert.Equal(t, []string{"clutch-unlearned"}, To("clutch-unlerned", known))
	assert.Equal(t, []string{"clutch-unlearned", "clutch-sensor-open"}, To("clutch", known))
	assert.Empty(t, To("gremlins", known))
	assert.Equal(t, "; did you mean air-mass-dead?", Question("AIR-MASS-DAED", known))
	assert.Empty(t, Question("gremlins", known))
}
