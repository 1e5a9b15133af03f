package car

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
)

var carName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]*$`)

// Export writes a car as a folder that must not be there yet. The folder's name becomes
// that of the car, as two cars of one name cannot stand side by side. The folder appears
// whole or not at all.
func Export(s *Spec, dir string) (err error) {
	name := filepath.Base(filepath.Clean(dir))
	switch _, taken := BuiltIn(name); {
	case !carName.MatchString(name):
		return fmt.Errorf("%s: %q is no name for a car, want small letters, digits and dashes", dir, name)
	case taken == nil:
		return fmt.Errorf("%s: %q is the name of a built-in car, want a folder of another name", dir, name)
	}
	if _, err := os.Lstat(dir); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already, want a folder that is not", dir)
	}
	made, err := os.MkdirTemp(filepath.Dir(filepath.Clean(dir)), "."+name+"-")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(made))
		}
	}()
	for _, f := range s.Files() {
		data, err := fs.ReadFile(s.Dir, f)
		if err != nil {
			return err
		}
		if f == "car.yaml" {
			data = renamed(data, s.Name, name)
		}
		if err := os.WriteFile(filepath.Join(made, f), data, 0o644); err != nil {
			return err
		}
	}
	if err := os.Chmod(made, 0o755); err != nil {
		return err
	}
	return os.Rename(made, dir)
}

// renamed is a car.yaml with another name of the car.
func renamed(data []byte, from, to string) []byte {
	line := regexp.MustCompile(`(?m)^car: *` + regexp.QuoteMeta(from) + ` *$`)
	return line.ReplaceAll(slices.Clone(data), []byte("car: "+to))
}
