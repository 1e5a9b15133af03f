//go:build !linux

package tool

import (
	"context"
	"errors"
	"os/exec"
)

func (p *Process) launch(context.Context, *exec.Cmd, Invocation, *Entry) error {
	return errors.New("starting a tool needs Linux: the process group has to be killed as a whole")
}
