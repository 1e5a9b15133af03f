package clock

import "time"

// WallTime reads the wall clock, for the date of a recording and nothing that a
// run depends on.
func WallTime() time.Time { return time.Now() }
