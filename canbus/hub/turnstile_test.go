package hub

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// A burst comes in at once; who comes without end has one turn after the other; who
// has stayed away may come in a burst again.
func TestTheTurnstileSpreadsWhoComes(t *testing.T) {
	var door turnstile
	now := time.Unix(1000, 0)
	for range burst {
		assert.Zero(t, door.enter(now))
	}
	for range 100 {
		wait := door.enter(now)
		assert.Equal(t, turn, wait)
		now = now.Add(wait)
	}
	now = now.Add(burst * turn)
	for range burst {
		assert.Zero(t, door.enter(now))
	}
	assert.Equal(t, turn, door.enter(now))
}
