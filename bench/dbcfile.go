package bench

import (
	"errors"
	"path/filepath"

	"sawhorse/dbc"
)

// networks are the .dbc files that the faults of a bench read signals by.
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
