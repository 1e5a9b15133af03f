package capture

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	partSuffix = ".part"
	// maxParts is how many unfinished files of one name may lie about.
	maxParts = 100
)

// partFile is a file under construction, beside the name it will have. An older
// .part may be all that is left of a run, so a new one never replaces it but
// counts on: x.part, x.2.part ...
type partFile struct {
	f    *os.File
	path string
	gone bool // renamed or removed
	lax  bool // not waited for on its way to the disk
	// replace permits taking the place of a file that has the name.
	replace bool
}

func newPartFile(path string) (*partFile, error) {
	for n := 1; n <= maxParts; n++ {
		name := path + partSuffix
		if n > 1 {
			name = fmt.Sprintf("%s.%d%s", path, n, partSuffix)
		}
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err == nil {
			return &partFile{f: f, path: path}, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
	}
	return nil, &fs.PathError{Op: "create", Path: path + partSuffix, Err: fmt.Errorf("%d unfinished files are there already", maxParts)}
}

// finish gives the file its name once all of it is on the disk.
func (p *partFile) finish() error {
	sync := p.f.Sync
	if p.lax {
		sync = func() error { return nil }
	}
	if err := errors.Join(sync(), p.f.Close()); err != nil {
		return err
	}
	if err := p.name(); err != nil {
		return err
	}
	p.gone = true
	if p.lax {
		return nil
	}
	// The folder holds the name. Not every file system can sync one.
	if dir, err := os.Open(filepath.Dir(p.path)); err == nil {
		_ = dir.Sync()
		_ = dir.Close()
	}
	return nil
}

// name gives the file its name. A second name fails where there is one already, so
// that nothing is replaced even if it came meanwhile; where a file system has no second
// names, it is looked for first.
func (p *partFile) name() error {
	if p.replace {
		return os.Rename(p.f.Name(), p.path)
	}
	err := os.Link(p.f.Name(), p.path)
	switch {
	case err == nil:
		_ = os.Remove(p.f.Name()) // it has the better name
		return nil
	case errors.Is(err, fs.ErrExist):
		return taken(p.path)
	}
	if err := free(p.path); err != nil {
		return err
	}
	return os.Rename(p.f.Name(), p.path)
}

// free reports that a name is taken.
func free(path string) error {
	_, err := os.Lstat(path)
	switch {
	case err == nil:
		return taken(path)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	}
	return err
}

func taken(path string) error {
	return fmt.Errorf("%s: %w; recordings are not overwritten, want another name or that file moved away", path, fs.ErrExist)
}

func (p *partFile) abort() error {
	if p.gone {
		return nil
	}
	p.gone = true
	_ = p.f.Close() // closed already after a failed finish
	return os.Remove(p.f.Name())
}
