package app

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"sawhorse/bench/car"
)

// registry holds the programs by the names of their ECUs. Each registers itself, so that
// a program is one file.
var registry = map[string]func(*car.Car, Codes, NV) (Program, error){}

// register adds a program when the bench starts; never later.
func register[P Program](name string, build func(*car.Car, Codes, NV) (P, error)) {
	registry[name] = func(c *car.Car, codes Codes, nv NV) (Program, error) {
		p, err := build(c, codes, nv)
		if err != nil {
			return nil, err
		}
		return p, nil
	}
}

// Programs lists the ECUs that have a program, in alphabetical order.
func Programs() []string {
	return slices.Sorted(maps.Keys(registry))
}

// Has reports whether there is a program for the ECU of that name.
func Has(name string) bool { return registry[name] != nil }

// New builds the program of the ECU of that name on a car's wiring. The error names the
// circuits that the car lacks, or what is wrong with its calibration.
func New(name string, c *car.Car, codes Codes, nv NV) (Program, error) {
	build, ok := registry[name]
	if !ok {
		return nil, fmt.Errorf("there is no program for an ECU named %q, want one of %s, or the key program in the unit's file",
			name, strings.Join(Programs(), ", "))
	}
	return build(c, codes, nv)
}
