package main

import (
	"fmt"
	"io/fs"
	"os/user"
	"strconv"
	"strings"

	"sawhorse/canbus/busurl"
)

// socketOf reads who may connect to a socket; bus is the URL that the flags are for.
func socketOf(bus, mode, group string) (s busurl.Socket, err error) {
	if mode == "" && group == "" {
		return s, nil
	}
	if !strings.HasPrefix(bus, "unix:") {
		return s, fmt.Errorf("--socket-mode and --socket-group are for a bus at a socket (unix:PATH), and --bus is %s", bus)
	}
	if mode != "" {
		n, err := strconv.ParseUint(mode, 8, 32)
		if err != nil || n == 0 || n > 0o777 {
			return s, fmt.Errorf("--socket-mode %q: want permissions in octal, 0001 to 0777, such as 0660", mode)
		}
		s.Mode = fs.FileMode(n)
	}
	if group == "" {
		return s, nil
	}
	id := group
	if g, err := user.LookupGroup(group); err == nil {
		id = g.Gid
	}
	if s.Group, err = strconv.Atoi(id); err != nil || s.Group < 0 {
		return s, fmt.Errorf("--socket-group %q: there is no such group", group)
	}
	s.GroupSet = true
	return s, nil
}
