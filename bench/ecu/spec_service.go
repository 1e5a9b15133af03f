package ecu

import "time"

// similarSpec names the readings by which conditions are compared; the warm-up
// state is that of the coolant.
type similarSpec struct {
	RPM  string `yaml:"rpm"`
	Load string `yaml:"load"`
}

// periodicSpec are the rates of service 2A and how many identifiers run at once.
type periodicSpec struct {
	Slow   span `yaml:"slow"`
	Medium span `yaml:"medium"`
	Fast   span `yaml:"fast"`
	Most   int  `yaml:"most"`
}

// outputSpec is one actuator that a tool may command.
type outputSpec struct {
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
	PerBit ratio  `yaml:"per_bit"`
	// AtLeast and AtMost bound what can be commanded; Default is what "reset to
	// default" commands.
	AtLeast float64     `yaml:"at_least"`
	AtMost  float64     `yaml:"at_most"`
	Default float64     `yaml:"default"`
	Needs   []Condition `yaml:"needs"`
	// Hold must go on to hold; else the output returns to the unit.
	Hold []Condition `yaml:"hold"`
	// Longest is after what time the output returns by itself; 0 never.
	Longest span `yaml:"longest"`
}

// setSpec commands an output by its name.
type setSpec struct {
	Output string  `yaml:"output"`
	Value  float64 `yaml:"value"`
}

// testSpec is one test of service 08, and routine E0xx: it holds outputs.
type testSpec struct {
	TID   uint8       `yaml:"tid"`
	Name  string      `yaml:"name"`
	Needs []Condition `yaml:"needs"`
	Hold  []Condition `yaml:"hold"`
	Sets  []setSpec   `yaml:"sets"`
	Lasts span        `yaml:"lasts"`
}

// regionSpec is a part of the unit's memory.
type regionSpec struct {
	Region  string `yaml:"region"`
	Address uint32 `yaml:"address"`
	Size    uint32 `yaml:"size"`
	// Read says who may read it; nil nobody.
	Read *accessSpec `yaml:"read"`
	// Program marks what can be erased and downloaded. Its last four bytes are the
	// checksum of those before (CRC-32 of IEEE 802.3).
	Program bool `yaml:"program"`
}

type accessSpec struct {
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
}

// programSpec is how the unit takes new memory and what it can while it has no
// whole program.
type programSpec struct {
	// MaxBlock is the longest request of service 36.
	MaxBlock int         `yaml:"max_block"`
	Needs    []Condition `yaml:"needs"`
	// Services and DIDs are those that the boot program has.
	Services []uint8  `yaml:"services"`
	DIDs     []uint16 `yaml:"dids"`
}

// Usual severities (bits 7 to 5 of ISO 14229-1 annex D.3, class in bits 4 to 0 as
// in UN global technical regulation 5): chosen.
const (
	severityLamp    = 0x44 // check at the next halt, class B1
	severityNoLamp  = 0x30 // maintenance only, class C
	severityOutside = 0x21 // maintenance only, no class
)

func usualSeverity(c *CodeSpec) uint8 {
	switch {
	case !c.Emission:
		return severityOutside
	case c.MIL:
		return severityLamp
	}
	return severityNoLamp
}

// completeServices fills in what the data of services may leave out.
func (s *Spec) completeServices() {
	p := &s.Timing.Periodic
	for _, d := range []struct {
		at *span
		v  time.Duration
	}{{&p.Slow, time.Second}, {&p.Medium, 250 * time.Millisecond}, {&p.Fast, 50 * time.Millisecond}} {
		if *d.at == 0 {
			*d.at = span(d.v)
		}
	}
	p.Most = or(p.Most, 6)
	s.Program.MaxBlock = or(s.Program.MaxBlock, 0x102)
	for i := range s.Outputs {
		o := &s.Outputs[i]
		o.Bytes, o.PerBit = or(o.Bytes, 1), or(o.PerBit, 1)
		if o.AtMost == 0 && o.AtLeast == 0 {
			o.AtMost = 1
		}
	}
	if s.OBD == nil {
		return
	}
	for i := range s.OBD.Results {
		r := &s.OBD.Results[i]
		r.Over = or(r.Over, "last")
	}
}
