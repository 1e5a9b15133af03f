// Package clock breaks a rule of the house on purpose.
package clock

import t "time"

// Late reads a clock under another name.
func Late() t.Duration {
	now := t.Now            // broken
	t.Sleep(1)              // broken
	return t.Since(now()) + // broken
		t.Second
}
