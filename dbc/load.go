package dbc

import (
	"fmt"
	"os"
)

// MaxSize bounds a .dbc file, in bytes.
const MaxSize = 32 << 20

// Load reads a .dbc file. A file that is refused gives Errors.
func Load(path string) (*Network, error) { return load(path, Parse) }

// LoadUsable reads what can be used of a .dbc file.
func LoadUsable(path string) (*Network, error) { return load(path, ParseUsable) }

func load(path string, parse func(name string, data []byte) (*Network, error)) (*Network, error) {
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
	return parse(path, data)
}
