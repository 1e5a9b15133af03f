package spec

// Field is a group of bytes of an answer: exactly one source is set.
type Field struct {
	// Signal is a reading, Learned a learned value; raw = (value-Offset)/PerBit.
	Signal  string `yaml:"signal"`
	Learned string `yaml:"learned"`
	// Text and HexText are identity in NV: as characters, or as hex digits.
	Text    string `yaml:"text"`
	HexText string `yaml:"hex_text"`
	// Const are fixed bytes.
	Const HexBytes `yaml:"const"`
	// State is one of the values the server or the code memory keep.
	State string `yaml:"state"`

	PerBit Ratio   `yaml:"per_bit"`
	Offset float64 `yaml:"offset"`
	Bytes  int     `yaml:"bytes"`
	Signed bool    `yaml:"signed"`
}

// Size is the length of the field's share of an answer; states are the lengths of what
// the server keeps itself.
func (f *Field) Size(states map[string]int) int {
	switch {
	case f.Const != nil:
		return len(f.Const)
	case f.State != "":
		return states[f.State]
	}
	return f.Bytes
}
