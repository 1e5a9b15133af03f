package bench

import (
	"errors"
	"fmt"
	"path/filepath"

	"sawhorse/bench/plan"
	"sawhorse/dbc"
	"sawhorse/scenarios"
)

// networks are the .dbc files that the faults of a rig read signals by.
type networks struct {
	// own is the network of the car; nil without.
	own *dbc.Network
	// folder is where relative names begin.
	folder string
	files  map[string]*dbc.Network
}

// load reads a file once.
func (n *networks) load(file string) (*dbc.Network, error) {
	if file == "" && n.own != nil {
		return n.own, nil
	}
	if file == "" {
		return nil, errors.New(`parameter dbc is empty, want the name of a .dbc file`)
	}
	if !filepath.IsAbs(file) {
		file = filepath.Join(n.folder, file)
	}
	if x, ok := n.files[file]; ok {
		return x, nil
	}
	x, err := dbc.Load(file)
	if err != nil {
		return nil, err
	}
	if n.files == nil {
		n.files = map[string]*dbc.Network{}
	}
	n.files[file] = x
	return x, nil
}

// findNetworks notes the .dbc files of a scenario's faults, so that a repeated run
// reads the same ones.
func findNetworks(sc *scenarios.Scenario) ([]plan.File, error) {
	var list []plan.File
	seen := map[string]bool{}
	for _, f := range sc.Faults {
		name, _ := f.Params["dbc"].(string)
		if name == "" {
			continue
		}
		path := name
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(sc.File), name)
		}
		if seen[path] {
			continue
		}
		seen[path] = true
		d, err := plan.Digest(path)
		if err != nil {
			return nil, fmt.Errorf("scenario %s: fault %s: %w", sc.Name, f.Fault, err)
		}
		list = append(list, *d)
	}
	return list, nil
}
