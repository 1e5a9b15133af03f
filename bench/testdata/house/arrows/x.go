// Package arrows breaks a rule of the house on purpose.
package arrows

import (
	top "sawhorse/cmd/demotool/tester" // broken
)

var _ = top.Start
