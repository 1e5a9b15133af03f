package spec

import (
	"fmt"
	"io/fs"
	"path"
	"strings"

	"sawhorse/bench/car"
	"sawhorse/bench/car/strict"
	"sawhorse/bench/ecu/program"
)

// LoadAll reads the files of several units and checks that they can share a
// bus: names and identifiers are unique.
func LoadAll(fsys fs.FS, files []string, v *Vocabulary) ([]*Unit, error) {
	return loadAll(fsys, "", files, v)
}

// loadAll is LoadAll; errors name the files below a folder.
func loadAll(fsys fs.FS, folder string, files []string, v *Vocabulary) ([]*Unit, error) {
	var units []*Unit
	for _, name := range files {
		src, err := strict.Open(fsys, name, path.Join(folder, name))
		if err != nil {
			return nil, fmt.Errorf("control unit: %w", err)
		}
		u, err := load(src, v)
		if err != nil {
			return nil, err
		}
		for _, o := range units {
			if err := u.beside(o); err != nil {
				return nil, err
			}
		}
		units = append(units, u)
	}
	return units, nil
}

// Of are the units of a car, read once for all cars of that spec.
func Of(c *car.Spec, v *Vocabulary) ([]*Unit, error) {
	return car.Derived(c, "units", func() ([]*Unit, error) { return loadAll(c.Dir, c.Shown, c.ECUFiles, v) })
}

// BusOf is the bus of a car on which the unit sits.
func (u *Unit) BusOf(c *car.Spec) (*car.BusSpec, error) {
	if u.Network.Bus == "" {
		return &c.Buses[0], nil
	}
	b, ok := c.Bus(u.Network.Bus)
	if !ok {
		return nil, u.doc.Errorf("$.network.bus", "%q is no bus of the car %s", u.Network.Bus, c.Name)
	}
	return b, nil
}

// beside reports why two units cannot share a bus.
func (u *Unit) beside(o *Unit) error {
	a, b := u.Addresses, o.Addresses
	switch {
	case u.Name == o.Name:
		return u.doc.Errorf("$.ecu", "the name %q is taken by %s, want another", u.Name, o.doc.File)
	case u.Network.Node != "" && u.Network.Node == o.Network.Node && u.Network.Bus == o.Network.Bus:
		return u.doc.Errorf("$.network.node", "the node %q is taken by unit %s: both would send its messages", u.Network.Node, o.Name)
	case a.Extended != b.Extended:
		return nil
	case a.Request == b.Request || a.Request == b.Response:
		return u.doc.Errorf("$.addresses.request", "identifier %X is taken by unit %s, want a free one", uint32(a.Request), o.Name)
	case a.Response == b.Response || a.Response == b.Request:
		return u.doc.Errorf("$.addresses.response", "identifier %X is taken by unit %s, want a free one", uint32(a.Response), o.Name)
	}
	return nil
}

// Load reads one unit. The name stands for the file in errors, which are
// *strict.Error: an unknown key, a value out of range, a reference to nothing.
func Load(name string, data []byte, v *Vocabulary) (*Unit, error) {
	return load(strict.Text(name, data), v)
}

func load(src strict.Source, v *Vocabulary) (*Unit, error) {
	u := &Unit{}
	doc, err := src.Decode(u, func(d *strict.Doc) error { return d.Hex(hexKeys...) })
	if err != nil {
		return nil, err
	}
	u.doc = doc
	u.complete()
	if err := u.check(v); err != nil {
		return nil, err
	}
	if u.Program != nil {
		if err := u.Program.Complete(doc, u.codes()); err != nil {
			return nil, err
		}
	}
	return u, nil
}

func (u *Unit) codes() []string {
	var list []string
	for i := range u.Codes {
		list = append(list, u.Codes[i].Code)
	}
	return list
}

// hexKeys are the keys whose values are written in hexadecimal.
var hexKeys = []string{
	"request", "response", "functional", "did", "dids", "rid", "pid", "pids", "freeze_frame", "mid", "tid", "uas", "type", "id",
	"service", "services", "sub", "item", "nrc", "reason", "fails", "ftb", "severity", "secret", "address",
}

// CheckNames checks the names by which the unit's file speaks of its program against
// those that the program has. The error names file, line and column.
func (u *Unit) CheckNames(n program.Names) error {
	if u.doc == nil { // a description that was not read from a file
		return nil
	}
	return n.Check(u.doc)
}

// NoProgram is the error of a unit that has neither the key program nor one of the names
// of programs.
func (u *Unit) NoProgram(names []string) error {
	return u.doc.Errorf("$.ecu", "%q has no program, want the key program, or one of the names %s", u.Name, strings.Join(names, ", "))
}
