// Package builtin holds the tool profiles that come with the bench: demotool,
// the demo's own tool, and external, whatever is on the bus already.
package builtin

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/tool"
)

//go:embed *.profile.yaml
var files embed.FS

const suffix = ".profile.yaml"

// Default is the profile of the demo's tool.
const Default = "demotool"

// Names lists the profiles in order.
func Names() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic(err) // the folder is in the program itself
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), suffix))
	}
	slices.Sort(names)
	return names
}

// Source returns the text of a profile, to start one's own from.
func Source(name string) ([]byte, error) {
	b, err := files.ReadFile(name + suffix)
	if err != nil {
		return nil, fmt.Errorf("tool profile %q, expected one of %s", name, strings.Join(Names(), ", "))
	}
	return b, nil
}

// Profile returns a profile by name.
func Profile(name string) (*tool.Profile, error) {
	b, err := Source(name)
	if err != nil {
		return nil, err
	}
	return tool.Parse(name+suffix, strings.NewReader(string(b)))
}
