package dbc

import (
	"fmt"
	"os"
)

// MaxSize bounds a .dbc file, in bytes.
const MaxSize = 32 << 20

// Load reads a .dbc file. A file that is refused gives Errors.
func Load(path string) (*Network, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > MaxSize {
		return nil, fmt.Errorf("%s: %d bytes, want at most %d", path, info.Size(), MaxSize)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, data)
}
