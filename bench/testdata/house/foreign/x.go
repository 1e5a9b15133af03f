// Package foreign breaks a rule of the house on purpose.
package foreign

import (
	. "os" // broken
	"strings"

	osexec "os/exec" // broken
)

var (
	_ = Getpid
	_ = osexec.Command
	_ = strings.Cut
)
