package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestRunsAtOnceAreWhatTheMachineBears(t *testing.T) {
	assert.Equal(t, 16, waiters(2, 0))
	assert.Equal(t, 8, waiters(2, 1))
	assert.Equal(t, 1, waiters(2, 2))
	assert.Equal(t, 1, waiters(2, 30))

	var c crowd
	assert.Equal(t, 12, c.begin(12))
	c.note(crowded - time.Millisecond)
	assert.Equal(t, 12, c.limit())
	for _, want := range []int{9, 7, 6, 5, 4, 3, 2, 1, 1} {
		c.note(crowded)
		assert.Equal(t, want, c.limit())
	}
}
