package spec

// DID is one data identifier of services 22 and 2E.
type DID struct {
	DID      uint16   `yaml:"did"`
	Name     string   `yaml:"name"`
	Fields   []Field  `yaml:"fields"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
	Write    *Write   `yaml:"write"`
}

// Write says who may write a data identifier.
type Write struct {
	In       []string    `yaml:"in"`
	Security uint8       `yaml:"security"`
	Needs    []Condition `yaml:"needs"`
}

// Output is one actuator that a tool may command.
type Output struct {
	Output string   `yaml:"output"`
	DID    uint16   `yaml:"did"`
	Title  string   `yaml:"title"`
	In     []string `yaml:"in"`
	// Security is the level it needs, 0 for none.
	Security uint8 `yaml:"security"`
	// Signal is the reading that shows the command in effect; without one the
	// state cannot be frozen.
	Signal string `yaml:"signal"`
	Bytes  int    `yaml:"bytes"`
	PerBit Ratio  `yaml:"per_bit"`
	// AtLeast and AtMost bound what can be commanded; Default is what "reset to
	// default" commands.
	AtLeast float64     `yaml:"at_least"`
	AtMost  float64     `yaml:"at_most"`
	Default float64     `yaml:"default"`
	Needs   []Condition `yaml:"needs"`
	// Hold must go on to hold; else the output returns to the unit.
	Hold []Condition `yaml:"hold"`
	// Longest is after what time the output returns by itself; 0 never.
	Longest Span `yaml:"longest"`
}

// Set commands an output by its name.
type Set struct {
	Output string  `yaml:"output"`
	Value  float64 `yaml:"value"`
}

// Region is a part of the unit's memory.
type Region struct {
	Region  string `yaml:"region"`
	Address uint32 `yaml:"address"`
	Size    uint32 `yaml:"size"`
	// Read says who may read it; nil nobody.
	Read *Access `yaml:"read"`
	// Program marks what can be erased and downloaded. Its last four bytes are the
	// checksum of those before (CRC-32 of IEEE 802.3).
	Program bool `yaml:"program"`
}

// Access says who may read a region.
type Access struct {
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
}

// Programming is how the unit takes new memory and what it can while it has no
// whole program.
type Programming struct {
	// MaxBlock is the longest request of service 36.
	MaxBlock int         `yaml:"max_block"`
	Needs    []Condition `yaml:"needs"`
	// Services and DIDs are those that the boot program has.
	Services []uint8  `yaml:"services"`
	DIDs     []uint16 `yaml:"dids"`
}
