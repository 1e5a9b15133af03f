package car

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
)

// Bounds of a car's folder outside the program.
const (
	mostFiles = 200
	mostBytes = 4 << 20 // of a file
	mostCars  = 100     // of a folder of cars
)

// garage holds the cars that Use has found.
type garage struct {
	mu   sync.Mutex
	cars []*Spec
}

var outside garage

func (g *garage) all() []*Spec {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Clone(g.cars)
}

// Use reads cars from a folder outside the program: the folder itself, if it has a
// car.yaml, or every folder in it that has one. Find then knows them by their names;
// a car that was read from the same folder before is read anew. The error names file,
// line and column, and nothing is taken of a folder with an error.
func Use(dir string) ([]*Spec, error) {
	dirs := []string{dir}
	if _, err := os.Stat(filepath.Join(dir, "car.yaml")); err != nil {
		if dirs, err = carFolders(dir); err != nil {
			return nil, err
		}
	}
	var found []*Spec
	for _, d := range dirs {
		if err := bounded(d); err != nil {
			return nil, err
		}
		s, err := load(os.DirFS(d), filepath.ToSlash(d))
		if err != nil {
			return nil, err
		}
		s.Folder = d
		if _, err := BuiltIn(s.Name); err == nil {
			return nil, s.doc.Errorf("$.car", "%q is built in, want another name", s.Name)
		}
		if slices.ContainsFunc(found, func(o *Spec) bool { return o.Name == s.Name }) {
			return nil, s.doc.Errorf("$.car", "%q is the name of another car in %s, want another", s.Name, dir)
		}
		found = append(found, s)
	}
	return found, outside.take(found)
}

func (g *garage) take(found []*Spec) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, s := range found {
		for _, o := range g.cars {
			if o.Name == s.Name && o.Folder != s.Folder {
				return s.doc.Errorf("$.car", "%q is the name of the car in %s, want another", s.Name, o.Folder)
			}
		}
	}
	for _, s := range found {
		g.cars = slices.DeleteFunc(g.cars, func(o *Spec) bool { return o.Name == s.Name })
		g.cars = append(g.cars, s)
	}
	return nil
}

// carFolders are the folders in a folder that have a car.yaml.
func carFolders(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var dirs []string
	for _, e := range entries {
		d := filepath.Join(dir, e.Name())
		if _, err := os.Stat(filepath.Join(d, "car.yaml")); err == nil {
			dirs = append(dirs, d)
		}
	}
	switch {
	case len(dirs) == 0:
		return nil, fmt.Errorf("%s: neither it nor a folder in it has a car.yaml", dir)
	case len(dirs) > mostCars:
		return nil, fmt.Errorf("%s: %d cars, at most %d", dir, len(dirs), mostCars)
	}
	return dirs, nil
}

// bounded looks at the sizes before anything is read.
func bounded(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	if len(entries) > mostFiles {
		return fmt.Errorf("%s: %d files, at most %d", dir, len(entries), mostFiles)
	}
	for _, e := range entries {
		info, err := os.Stat(filepath.Join(dir, e.Name()))
		if err != nil {
			return err
		}
		if info.Mode().IsRegular() && info.Size() > mostBytes {
			return fmt.Errorf("%s: %d bytes, at most %d", filepath.Join(dir, e.Name()), info.Size(), mostBytes)
		}
	}
	return nil
}

// Files lists the names of the files that make up a car, in order.
func (s *Spec) Files() []string {
	names := append([]string{"car.yaml", "circuits.yaml"}, s.ECUFiles...)
	if s.Calibration != "" {
		names = slices.Insert(names, 2, s.Calibration)
	}
	if s.ShiftPoints != "" {
		names = append(names, s.ShiftPoints)
	}
	for _, b := range s.Buses {
		if b.File != "" {
			names = append(names, b.File)
		}
	}
	return names
}
