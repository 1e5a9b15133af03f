package hub

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"

	"golang.org/x/sys/unix"
)

// listen binds the path. A socket file that nobody listens behind any more is
// replaced; whatever else is there stays, and is an error.
func listen(path string) (*net.UnixListener, os.FileInfo, error) {
	if err := CheckPath(path); err != nil {
		return nil, nil, err
	}
	addr := &net.UnixAddr{Name: path, Net: "unixpacket"}
	ln, err := net.ListenUnix("unixpacket", addr)
	if errors.Is(err, unix.EADDRINUSE) {
		if err := removeStale(path); err != nil {
			return nil, nil, err
		}
		ln, err = net.ListenUnix("unixpacket", addr)
	}
	if err != nil {
		return nil, nil, cause(err)
	}
	// Removing is ours: the file may have been replaced by another server's.
	ln.SetUnlinkOnClose(false)
	info, err := os.Lstat(path)
	if err != nil {
		return nil, nil, errors.Join(err, ln.Close())
	}
	return ln, info, nil
}

// permit gives the socket's file its mode and group.
func permit(path string, opt *Options) error {
	if opt.GroupSet {
		if err := os.Chown(path, -1, opt.Group); err != nil {
			return fmt.Errorf("group %d: %w", opt.Group, err)
		}
	}
	if opt.Mode != 0 {
		if err := os.Chmod(path, opt.Mode); err != nil {
			return fmt.Errorf("mode %04o: %w", opt.Mode, err)
		}
	}
	return nil
}

func removeStale(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // gone meanwhile
	}
	if err != nil {
		return err
	}
	if info.Mode()&fs.ModeSocket == 0 {
		return fmt.Errorf("there is a file of another kind (%s), not a socket", info.Mode().Type())
	}
	c, err := net.DialUnix("unixpacket", nil, &net.UnixAddr{Name: path, Net: "unixpacket"})
	switch {
	case err == nil:
		_ = c.Close() // it was only asked whether somebody is there
		return errors.New("another server listens there already")
	case errors.Is(err, unix.ECONNREFUSED):
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	case errors.Is(err, fs.ErrNotExist):
		return nil
	}
	// A full backlog (EAGAIN) or another socket type (EPROTOTYPE) is alive too.
	return fmt.Errorf("a socket in use by somebody else: %w", cause(err))
}

// removeOwn removes the socket's file unless another has taken its place.
func removeOwn(path string, own os.FileInfo) error {
	now, err := os.Lstat(path)
	if err != nil || !os.SameFile(now, own) {
		return nil
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// cause takes the address out of the net package's errors, which Error names.
func cause(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}
