package ecu

import (
	"fmt"
	"io/fs"
	"path"
	"strings"

	"sawhorse/bench/car"
	"sawhorse/bench/car/strict"
	"sawhorse/bench/ecu/program"
)

// LoadSpecs reads the files of several units and checks that they can share a
// bus: names and identifiers are unique.
func LoadSpecs(fsys fs.FS, files []string) ([]*Spec, error) { return loadSpecs(fsys, "", files) }

// loadSpecs is LoadSpecs; errors name the files below a folder.
func loadSpecs(fsys fs.FS, folder string, files []string) ([]*Spec, error) {
	var specs []*Spec
	for _, name := range files {
		src, err := strict.Open(fsys, name, path.Join(folder, name))
		if err != nil {
			return nil, fmt.Errorf("control unit: %w", err)
		}
		s, err := loadSpec(src)
		if err != nil {
			return nil, err
		}
		for _, o := range specs {
			if err := s.beside(o); err != nil {
				return nil, err
			}
		}
		specs = append(specs, s)
	}
	return specs, nil
}

// SpecsOf are the units of a car, read once for all cars of that spec.
func SpecsOf(c *car.Spec) ([]*Spec, error) {
	return car.Derived(c, "units", func() ([]*Spec, error) { return loadSpecs(c.Dir, c.Shown, c.ECUFiles) })
}

// BusOf is the bus of a car on which the unit sits.
func (s *Spec) BusOf(c *car.Spec) (*car.BusSpec, error) {
	if s.Network.Bus == "" {
		return &c.Buses[0], nil
	}
	b, ok := c.Bus(s.Network.Bus)
	if !ok {
		return nil, s.doc.Errorf("$.network.bus", "%q is no bus of the car %s", s.Network.Bus, c.Name)
	}
	return b, nil
}

// beside reports why two units cannot share a bus.
func (s *Spec) beside(o *Spec) error {
	a, b := s.Addresses, o.Addresses
	switch {
	case s.Name == o.Name:
		return s.doc.Errorf("$.ecu", "the name %q is taken by %s, want another", s.Name, o.doc.File)
	case s.Network.Node != "" && s.Network.Node == o.Network.Node && s.Network.Bus == o.Network.Bus:
		return s.doc.Errorf("$.network.node", "the node %q is taken by unit %s: both would send its messages", s.Network.Node, o.Name)
	case a.Extended != b.Extended:
		return nil
	case a.Request == b.Request || a.Request == b.Response:
		return s.doc.Errorf("$.addresses.request", "identifier %X is taken by unit %s, want a free one", uint32(a.Request), o.Name)
	case a.Response == b.Response || a.Response == b.Request:
		return s.doc.Errorf("$.addresses.response", "identifier %X is taken by unit %s, want a free one", uint32(a.Response), o.Name)
	}
	return nil
}

// LoadSpec reads one unit. The name stands for the file in errors, which are
// *strict.Error: an unknown key, a value out of range, a reference to nothing.
func LoadSpec(name string, data []byte) (*Spec, error) { return loadSpec(strict.Text(name, data)) }

func loadSpec(src strict.Source) (*Spec, error) {
	spec := &Spec{}
	doc, err := src.Decode(spec, func(d *strict.Doc) error { return d.Hex(hexKeys...) })
	if err != nil {
		return nil, err
	}
	spec.doc = doc
	spec.complete()
	if err := spec.check(); err != nil {
		return nil, err
	}
	if spec.App != nil {
		var codes []string
		for i := range spec.Codes {
			codes = append(codes, spec.Codes[i].Code)
		}
		if err := spec.App.Complete(doc, codes); err != nil {
			return nil, err
		}
	}
	return spec, nil
}

// hexKeys are the keys whose values are written in hexadecimal.
var hexKeys = []string{
	"request", "response", "functional", "did", "dids", "rid", "pid", "pids", "freeze_frame", "mid", "tid", "uas", "type", "id",
	"service", "services", "sub", "item", "nrc", "reason", "fails", "ftb", "severity", "secret", "address",
}

// CheckNames checks the names by which the unit's file speaks of its program against
// those that the program has. The error names file, line and column.
func (s *Spec) CheckNames(n program.Names) error {
	if s.doc == nil { // a spec that was not read from a file
		return nil
	}
	return n.Check(s.doc)
}

// NoProgram is the error of a unit that has neither the key program nor one of the names
// of programs.
func (s *Spec) NoProgram(names []string) error {
	return s.doc.Errorf("$.ecu", "%q has no program, want the key program, or one of the names %s", s.Name, strings.Join(names, ", "))
}

// IdentityOf is what the data of a car say of one of its units, in the names of
// NV: vin, ecu_name (four characters, a dash, fifteen, as infotype 0A wants
// it), calibration_id_1.. and cvn_1.. as eight hex digits.
func IdentityOf(id *car.Identity, unit string) map[string]string {
	texts := map[string]string{"vin": id.VIN}
	for i := range id.ECUs {
		u := &id.ECUs[i]
		if u.Name != unit {
			continue
		}
		texts["ecu_name"] = ecuName(u.Title)
		for k, c := range u.Calibrations {
			texts[fmt.Sprintf("calibration_id_%d", k+1)] = c.ID
			texts[fmt.Sprintf("cvn_%d", k+1)] = fmt.Sprintf("%08X", c.CVN)
		}
	}
	return texts
}

// ecuName pads the acronym before the dash to its four characters (SAE J1979
// infotype 0A).
func ecuName(title string) string {
	for i := 0; i < min(len(title), 5); i++ {
		if title[i] == '-' {
			return title[:i] + "\x00\x00\x00\x00"[:4-i] + title[i:]
		}
	}
	return title
}
