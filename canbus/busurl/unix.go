package busurl

import (
	"context"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/remote"
)

func init() {
	register(&scheme{
		name: "unix", form: "unix:PATH", rank: 2,
		check: hub.CheckPath, host: hostUnix, join: joinUnix,
		dial: func(target string, _ func(string)) (canbus.Conn, error) { return hub.Dial(target) },
	})
}

// hostUnix opens an embedded bus to other processes.
func hostUnix(loop *clock.Loop, target string, opt Options) (*Bus, error) {
	b, err := embedded(loop, opt)
	if err != nil {
		return nil, err
	}
	server, err := hub.Listen(target, loop, b.Bus, hub.Options{
		OnJoin: opt.OnJoin, OnLeave: opt.OnLeave, OnDrop: opt.OnDrop, OnLost: opt.OnLost,
		Mode: opt.Socket.Mode, Group: opt.Socket.Group, GroupSet: opt.Socket.GroupSet,
	})
	if err != nil {
		return nil, err
	}
	b.close = server.Close
	return b, nil
}

// joinUnix is a client of another process's bus.
func joinUnix(ctx context.Context, loop *clock.Loop, target string, opt Options) (*Bus, error) {
	conn, err := hub.Dial(target)
	if err != nil {
		return nil, err
	}
	again := opt
	again.OnGone, again.Around = nil, nil // that it has gone is told by the first
	return &Bus{
		Bus:   opt.around(remote.New(ctx, loop, conn, opt.OnGone)),
		Again: func() (*Bus, error) { return joinUnix(ctx, loop, target, again) },
		close: func() error { _ = conn.Close(); return nil }, // its port may have closed it
	}, nil
}
