package busurl

import (
	"fmt"

	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

func init() {
	register(&scheme{
		name: "mem", form: "mem:", rank: 1,
		check: func(target string) error {
			if target != "" {
				return fmt.Errorf("%q behind mem:, want nothing", target)
			}
			return nil
		},
		host: func(loop *clock.Loop, _ string, opt Options) (*Bus, error) { return embedded(loop, opt) },
	})
}

// embedded makes a bus inside the process.
func embedded(loop *clock.Loop, opt Options) (*Bus, error) {
	w, err := wire.New(loop, opt.Name, opt.Wire)
	if err != nil {
		return nil, err
	}
	return &Bus{Bus: opt.around(w), Wire: w}, nil
}
