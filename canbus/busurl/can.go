package busurl

import (
	"context"
	"fmt"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/socketcan"
)

func init() {
	register(&scheme{
		name: "can", form: "can:IFACE", rank: 3, physical: true,
		check: socketcan.CheckName, host: openCAN,
		join: func(_ context.Context, loop *clock.Loop, target string, opt Options) (*Bus, error) {
			return openCAN(loop, target, opt)
		},
		dial: func(target string, onState func(string)) (canbus.Conn, error) {
			c, err := socketcan.Dial(target, socketcan.Options{FD: true, OnState: onState})
			if err != nil {
				return nil, err // and no *Conn that is nil in an interface that is not
			}
			return c, nil
		},
	})
}

// openCAN opens the kernel's interface, which has place for many nodes.
func openCAN(loop *clock.Loop, target string, opt Options) (*Bus, error) {
	b, err := socketcan.Open(target, loop, socketcan.Options{Armed: opt.Armed, FD: true, OnState: opt.OnState})
	if err != nil {
		return nil, err
	}
	return &Bus{
		Bus: opt.around(b), Silent: b.Silent(), close: b.Close,
		Report: func() string {
			state := "unknown"
			if c, err := socketcan.ControllerOf(target); err == nil {
				state = c.String()
			}
			s := b.Stats()
			return fmt.Sprintf("%s: %s; %d frames sent, %d received, %d error reports; queue found full %d times; not sent %d, never confirmed %d, not read in time %d",
				target, state, s.Out, s.In, s.Errors, s.Full, s.Refused, s.Unconfirmed, s.Lost)
		},
	}, nil
}
