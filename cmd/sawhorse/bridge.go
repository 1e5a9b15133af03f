package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench"
	"sawhorse/bench/api"
	"sawhorse/bench/chance"
	"sawhorse/bench/metrics"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
)

// bridgeOptions are the flags of bridge.
type bridgeOptions struct {
	bus, far, listen string
	arm              []string
	length           time.Duration
	pacing           clock.Pacing
	alter            alterFlags
}

func newBridgeCommand() *cobra.Command {
	var o bridgeOptions
	cmd := &cobra.Command{
		Use:   "bridge",
		Short: "Sit between two buses, with faults",
		Long: `Bridge joins two buses: what comes on one leaves on the other. Faults of the
catalogue that are done to frames can be put in between (sender near is what comes
from --bus, sender far what comes from --far), so that an intermittent fault can be
put between a real control unit and a real tool. In the end it says what passed and
how long it took.

--faults has them come and go at times or by chance, all of it from the seed.

With --listen the API of serve switches faults on and off while it runs.

` + cautions,
		Example: `  sawhorse bridge --bus can:can0 --far can:can1 --arm can0,can1 --fault "frames-lost:ids=7E8,every=10"
  sawhorse bridge --bus unix:car.sock --far can:vcan0 --capture both.pcapng --for 1m`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return o.run(cmd) },
	}
	f := cmd.Flags()
	f.StringVar(&o.bus, "bus", "", "near bus: unix:PATH or can:IFACE")
	f.StringVar(&o.far, "far", "", "far bus: unix:PATH or can:IFACE")
	f.StringSliceVar(&o.arm, "arm", nil, "physical interfaces that may be sent on")
	f.StringVar(&o.listen, "listen", "", "loopback address of the API; none without")
	f.DurationVar(&o.length, "for", 0, "how long; 0 is until stopped")
	o.alter.register(f)
	pacingFlags(f, &o.pacing)
	return cmd
}

func (o *bridgeOptions) run(cmd *cobra.Command) (err error) {
	for flag, url := range map[string]string{"--bus": o.bus, "--far": o.far} {
		if _, err := dialable(url); err != nil {
			return fmt.Errorf("%s: %w", flag, err)
		}
	}
	if o.bus == o.far {
		return fmt.Errorf("--bus and --far are both %s, want two buses", o.bus)
	}
	if err := o.alter.check(); err != nil {
		return err
	}
	loop, err := clock.NewWall()
	if err == nil {
		err = loop.Pace(o.pacing)
	}
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	var gone []string
	open := func(url string) (*reached, error) {
		return openBus(ctx, loop, url, strings.Join(armed(o.arm, url), ""), func(error) {
			gone = append(gone, url)
			loop.Stop()
		})
	}
	near, err := open(o.bus)
	if err != nil {
		return err
	}
	defer near.close()
	far, err := open(o.far)
	if err != nil {
		return err
	}
	defer far.close()
	m, err := bench.NewMiddle(loop, near, far, chance.Seed(o.alter.seed))
	if err != nil {
		return err
	}
	if err := o.alter.apply(ctx, loop, m.Lanes, o.far, strings.Join(armed(o.arm, o.far), "")); err != nil {
		return err
	}
	finish, err := o.alter.record(m.Lanes, o.bus, o.far)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, finish()) }()
	if o.listen != "" {
		stop, err := o.serve(loop, m)
		if err != nil {
			return err
		}
		defer stop()
	}
	until := time.Duration(math.MaxInt64)
	if o.length > 0 {
		until = o.length
	}
	stop := progress(cmd.ErrOrStderr(), loop, func() string {
		there, back := m.Stats()
		return fmt.Sprintf("%d frames passed to the far bus, %d back", there.Passed, back.Passed)
	})
	err = loop.Run(ctx, until)
	stop()
	there, back := m.Stats()
	for _, d := range []struct {
		name string
		s    bridge.Stats
	}{{o.bus + " to " + o.far, there}, {o.far + " to " + o.bus, back}} {
		fmt.Fprintf(cmd.OutOrStdout(), "%s: %d frames passed, %d lost, %d waiting; added %v in the median, %v at the 99th percentile, %v at most\n",
			d.name, d.s.Passed, d.s.Lost, d.s.Waiting, d.s.P50, d.s.P99, d.s.Max)
	}
	o.alter.report(cmd.OutOrStdout(), m.Lanes)
	near.report(cmd.OutOrStdout())
	far.report(cmd.OutOrStdout())
	switch {
	case m.Err() != nil:
		return m.Err()
	case len(gone) > 0:
		return fmt.Errorf("%s has gone", strings.Join(gone, ", "))
	case errors.Is(err, context.Canceled):
		return nil // the way it is meant to end
	}
	return err
}

// armed is the interface of the URL if it is among those armed.
func armed(list []string, url string) []string {
	for _, name := range list {
		if url == "can:"+name {
			return []string{name}
		}
	}
	return nil
}

func (o *bridgeOptions) serve(loop *clock.Loop, m *bench.Middle) (func(), error) {
	host, _, err := net.SplitHostPort(o.listen)
	if err != nil || !api.IsLoopback(host) {
		return nil, fmt.Errorf("--listen %q: want a loopback address and a port, such as 127.0.0.1:9464", o.listen)
	}
	ln, err := net.Listen("tcp", o.listen)
	if err != nil {
		return nil, fmt.Errorf("--listen %s: %w", o.listen, err)
	}
	server := &http.Server{Handler: api.New(loop.Post, m, metrics.New().Handler()), ReadHeaderTimeout: 5 * time.Second}
	go func() {
		if err := server.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
			slog.Error("the API has ended", "error", err)
		}
	}()
	slog.Info("the API listens", "address", ln.Addr())
	return func() { _ = server.Close() }, nil
}
