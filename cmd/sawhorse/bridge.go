package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench"
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
	armFlags(f, &o.arm)
	f.StringVar(&o.listen, "listen", "", "loopback address of the API; none without")
	f.DurationVar(&o.length, "for", 0, "how long; 0 is until stopped")
	o.alter.register(f)
	pacingFlags(f, &o.pacing)
	return cmd
}

func (o *bridgeOptions) run(cmd *cobra.Command) (err error) {
	if err := errors.Join(checkShared("--bus", o.bus), checkShared("--far", o.far)); err != nil {
		return err
	}
	if o.bus == o.far {
		return fmt.Errorf("--bus and --far are both %s, want two buses", o.bus)
	}
	if err := errors.Join(checkArmed(o.arm, o.bus, o.far), o.alter.check()); err != nil {
		return err
	}
	b, err := o.alter.bench(o.pacing, bench.Settings{
		Buses:  []bench.Bus{{URL: o.bus, Join: true, Rate: o.alter.rate}, {URL: o.far, Join: true, Rate: o.alter.rate}},
		Bridge: true, Arm: o.arm,
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := o.alter.apply(b); err != nil {
		return err
	}
	if err := o.alter.record(b, o.bus, o.far); err != nil {
		return err
	}
	if o.listen != "" {
		face := face{listen: o.listen, hand: b.Hand()}
		if err := face.open(b); err != nil {
			return err
		}
	}
	tellSilent(cmd.ErrOrStderr(), b)
	until := time.Duration(math.MaxInt64)
	if o.length > 0 {
		until = o.length
	}
	stop := progress(cmd.ErrOrStderr(), b.Loop, func() string {
		there, back := b.Crossed()
		return fmt.Sprintf("%d frames passed to the far bus, %d back", there.Passed, back.Passed)
	})
	err = b.Run(cmd.Context(), until)
	stop()
	o.report(cmd.OutOrStdout(), b)
	switch gone := b.Gone(); {
	case errors.Is(err, context.Canceled):
		return nil // the way it is meant to end
	case err != nil:
		return err
	case len(gone) > 0:
		return fmt.Errorf("%s has gone", strings.Join(gone, ", "))
	}
	return nil
}

// report says what has crossed, and why what was lost was lost.
func (o *bridgeOptions) report(w io.Writer, b *bench.Bench) {
	there, back := b.Crossed()
	for _, d := range []struct {
		name string
		s    bridge.Stats
	}{{o.bus + " to " + o.far, there}, {o.far + " to " + o.bus, back}} {
		why := ""
		if d.s.Why != nil {
			why = fmt.Sprintf(" (%v)", d.s.Why)
		}
		fmt.Fprintf(w, "%s: %d frames passed, %d lost%s, %d waiting; added %v in the median, %v at the 99th percentile, %v at most\n",
			d.name, d.s.Passed, d.s.Lost, why, d.s.Waiting, d.s.P50, d.s.P99, d.s.Max)
	}
	o.alter.report(w, b)
}
