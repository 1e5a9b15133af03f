package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/remote"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/socketcan"
)

// playOptions are the flags of play as they are written.
type playOptions struct {
	bus, speed, arm   string
	from, to, joinGap time.Duration
	loop              int
	only, skip, remap []string
	pacing            clock.Pacing
	alter             alterFlags
}

func newPlayCommand() *cobra.Command {
	var o playOptions
	cmd := &cobra.Command{
		Use:   "play CAPTURE",
		Short: "Play a recording on a bus",
		Long: `Play sends the frames of a recording (pcap, pcapng or CSV, also gzip; - is the
standard input) on a bus, each at its moment, and says in the end how late they
left.

Identifiers are hexadecimal: up to three digits have 11 bits, more have 29. Sets of
them are written 7E8, 7E0-7EF or 700/7F0 (value and mask).

Faults of the catalogue that are done to frames can be done to those of the
recording: --fault from the start, --faults at times or by chance, all of it from
the seed.

` + cautions,
		Example: `  sawhorse play drive.pcapng --bus unix:sawhorse.sock
  sawhorse play drive.pcapng --bus can:vcan0 --speed 2 --from 10s --to 20s
  sawhorse play drive.pcapng --bus can:can0 --arm can0 --skip 7E0-7EF --remap 110=210
  sawhorse play drive.pcapng --bus can:vcan0 --fault "frames-lost:ids=110,every=10" --capture altered.pcapng
  sawhorse play drive.pcapng --bus can:vcan0 --faults intermittent.yaml --seed 7`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return o.run(cmd, args[0]) },
	}
	f := cmd.Flags()
	f.StringVar(&o.bus, "bus", "", "bus to play on: unix:PATH or can:IFACE")
	f.StringVar(&o.speed, "speed", "1", "how much faster than recorded, or max for as fast as the bus takes")
	f.DurationVar(&o.from, "from", 0, "where to begin, from the recording's first frame")
	f.DurationVar(&o.to, "to", 0, "where to end; 0 is the end of the recording")
	f.IntVar(&o.loop, "loop", 1, "how many times; 0 plays until stopped")
	f.DurationVar(&o.joinGap, "join-gap", 0, "time between the last frame and the first of the next pass; 0 is the recording's mean gap")
	f.StringSliceVar(&o.only, "only", nil, "identifiers to play, all others are left out")
	f.StringSliceVar(&o.skip, "skip", nil, "identifiers to leave out")
	f.StringSliceVar(&o.remap, "remap", nil, "identifiers to change, OLD=NEW")
	f.StringVar(&o.arm, "arm", "", "physical interface that may be sent on")
	o.alter.register(f)
	pacingFlags(f, &o.pacing)
	return cmd
}

// pacingFlags are those of commands that keep moments in wall time.
func pacingFlags(f *pflag.FlagSet, p *clock.Pacing) {
	f.DurationVar(&p.Spin, "spin", clock.DefaultSpin, "how long before a moment the clock is watched instead of sleeping; more is more punctual and costs more of a core")
	f.IntVar(&p.Realtime, "realtime", 0, "real-time priority 1 to 99 of the sending thread, where permitted; 0 is none")
}

// options turns the flags into those of a replay.
func (o *playOptions) options() (replay.Options, error) {
	r := replay.Options{From: o.from, To: o.to, Loop: o.loop, JoinGap: o.joinGap}
	if o.loop == 0 {
		r.Loop = replay.Forever
	}
	switch v, err := strconv.ParseFloat(o.speed, 64); {
	case o.speed == "max":
		r.Speed = math.Inf(1)
	case err != nil || !(v > 0) || math.IsInf(v, 0):
		return r, fmt.Errorf("--speed %q: want a number above 0, or max", o.speed)
	default:
		r.Speed = v
	}
	if o.loop < 0 {
		return r, fmt.Errorf("--loop %d: want 1 or more, or 0 for without end", o.loop)
	}
	if o.from < 0 || o.to < 0 || o.to > 0 && o.to <= o.from {
		return r, fmt.Errorf("--from %v --to %v: want an end after the beginning", o.from, o.to)
	}
	var err error
	if r.Only, err = matches("--only", o.only); err != nil {
		return r, err
	}
	if r.Skip, err = matches("--skip", o.skip); err != nil {
		return r, err
	}
	r.Remap, err = remapping(o.remap)
	return r, err
}

func matches(flag string, words []string) ([]replay.Match, error) {
	var ms []replay.Match
	for _, w := range words {
		m, err := replay.ParseMatch(w)
		if err != nil {
			return nil, fmt.Errorf("%s %q: %w", flag, w, err)
		}
		ms = append(ms, m)
	}
	return ms, nil
}

func remapping(words []string) (map[canbus.Key]canbus.Key, error) {
	if len(words) == 0 {
		return nil, nil
	}
	m := map[canbus.Key]canbus.Key{}
	for _, w := range words {
		from, to, ok := strings.Cut(w, "=")
		a, errA := canbus.ParseKey(from)
		b, errB := canbus.ParseKey(to)
		if err := errors.Join(errA, errB); !ok || err != nil {
			return nil, fmt.Errorf("--remap %q: want OLD=NEW, two hexadecimal identifiers", w)
		}
		m[a] = b
	}
	return m, nil
}

func (o *playOptions) run(cmd *cobra.Command, file string) (err error) {
	opt, err := o.options()
	if err != nil {
		return err
	}
	if _, err := dialable(o.bus); err != nil {
		return err
	}
	if err := o.alter.check(); err != nil {
		return err
	}
	src, err := capture.Open(file)
	if err != nil {
		return err
	}
	defer src.Close()
	loop, err := clock.NewWall()
	if err == nil {
		err = loop.Pace(o.pacing)
	}
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	bus, err := openBus(ctx, loop, o.bus, o.arm, func(error) { loop.Stop() })
	if err != nil {
		return err
	}
	defer bus.close()
	lane := bench.NewLane(loop, bus, chance.Seed(o.alter.seed))
	if err := o.alter.apply(ctx, loop, lane, o.bus, o.arm); err != nil {
		return err
	}
	opt.Finished = func() { lane.Drain(loop.Stop) }
	r, err := replay.New(loop, []canbus.Bus{lane.Bus()}, src, opt)
	if err != nil {
		return err
	}
	finish, err := o.alter.record(lane, o.bus)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, finish()) }()
	r.Start(0)
	stop := progress(cmd.ErrOrStderr(), loop, func() string {
		return fmt.Sprintf("%d frames played, %v", r.Stats().Confirmed, loop.Now().Round(time.Second))
	})
	err = loop.Run(ctx, math.MaxInt64)
	stop()
	s := r.Stats()
	fmt.Fprintf(cmd.OutOrStdout(), "%d frames played, %d left out, %d refused; late by %v in the median, %v at the 99th percentile, %v at most\n",
		s.Confirmed, s.LeftOut+s.Reports+s.Homeless, s.Refused, s.P50, s.P99, s.Max)
	o.alter.report(cmd.OutOrStdout(), lane)
	bus.report(cmd.OutOrStdout())
	if err == nil {
		err = lane.Err()
	}
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("stopped after %d frames", s.Confirmed)
	}
	if err == nil {
		err = r.Err()
	}
	if err == nil && !r.Done() {
		err = fmt.Errorf("%s has gone after %d frames", o.bus, s.Confirmed)
	}
	return err
}

// dialable checks that a URL names a bus which another process can reach.
func dialable(url string) (busurl.Kind, error) {
	if url == "" {
		return 0, errors.New("--bus is not given, want unix:PATH or can:IFACE")
	}
	kind, _, err := busurl.Parse(url)
	if err == nil && kind == busurl.Mem {
		err = fmt.Errorf("--bus %s: that bus is inside one process, want unix:PATH or can:IFACE", url)
	}
	return kind, err
}

// reached is a bus that another process or the kernel owns.
type reached struct {
	canbus.Bus
	close func()
	// stats are an interface's; nil for a bus of another process.
	stats func() socketcan.Stats
	iface string
}

// openBus joins a bus. gone is called in the loop when it ends.
func openBus(ctx context.Context, loop *clock.Loop, url, arm string, gone func(error)) (*reached, error) {
	kind, target, err := busurl.Parse(url)
	if err != nil {
		return nil, err
	}
	if kind == busurl.CAN {
		b, err := socketcan.Open(target, loop, socketcan.Options{Armed: arm == target, FD: true, OnState: warn})
		if err != nil {
			return nil, err
		}
		return &reached{Bus: b, close: func() { _ = b.Close() }, stats: b.Stats, iface: target}, nil
	}
	conn, err := hub.Dial(target)
	if err != nil {
		return nil, err
	}
	bus := remote.New(ctx, loop, conn, func(err error) {
		if !errors.Is(err, io.EOF) && !errors.Is(err, canbus.ErrClosed) {
			slog.Warn("bus lost", "bus", url, "error", err)
		}
		gone(err)
	})
	return &reached{Bus: bus, close: func() { _ = conn.Close() }}, nil
}

func warn(message string) { slog.Warn(message) }

// report says how an interface and its controller have fared.
func (r *reached) report(w io.Writer) {
	if r.stats == nil {
		return
	}
	state := "unknown"
	if c, err := socketcan.ControllerOf(r.iface); err == nil {
		state = c.String()
	}
	s := r.stats()
	fmt.Fprintf(w, "%s: %s; %d frames sent, %d received, %d error reports; queue found full %d times; not sent %d, never confirmed %d, not read in time %d\n",
		r.iface, state, s.Out, s.In, s.Errors, s.Full, s.Refused, s.Unconfirmed, s.Lost)
}
