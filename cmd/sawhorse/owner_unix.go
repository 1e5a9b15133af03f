//go:build unix

package main

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// ownedAlone reports why others than root and this process's user may have written a
// file; nil if they may not.
func ownedAlone(info fs.FileInfo) error {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return fmt.Errorf("its owner is not known")
	}
	if uid := int(s.Uid); uid != 0 && uid != os.Geteuid() {
		return fmt.Errorf("its owner is user %d", uid)
	}
	if mode := info.Mode().Perm(); mode&0o022 != 0 {
		return fmt.Errorf("its mode is %v", mode)
	}
	return nil
}
