package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
)

// playOptions are the flags of play as they are written.
type playOptions struct {
	bus, speed        string
	arm               []string
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
	armFlags(f, &o.arm)
	o.alter.register(f)
	pacingFlags(f, &o.pacing)
	return cmd
}

// pacingFlags are those of commands that keep moments in wall time.
func pacingFlags(f *pflag.FlagSet, p *clock.Pacing) {
	p.Slack = clock.DefaultSlack
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
	if err := checkShared("--bus", o.bus); err != nil {
		return err
	}
	if err := errors.Join(checkArmed(o.arm, o.bus), o.alter.check()); err != nil {
		return err
	}
	src, err := capture.Open(file)
	if err != nil {
		return err
	}
	defer src.Close()
	b, err := o.alter.bench(o.pacing, bench.Settings{Buses: []bench.Bus{{URL: o.bus, Join: true, Rate: o.alter.rate}}, Arm: o.arm})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := refuseSilent(b); err != nil {
		return err
	}
	if err := o.alter.apply(b); err != nil {
		return err
	}
	opt.Finished = func() { b.Drain(b.Loop.Stop) }
	r, err := b.Play(src, opt)
	if err != nil {
		return err
	}
	if err := o.alter.record(b, o.bus); err != nil {
		return err
	}
	stop := progress(cmd.ErrOrStderr(), b.Loop, func() string {
		return fmt.Sprintf("%d frames played, %v", r.Stats().Confirmed, b.Loop.Now().Round(time.Second))
	})
	err = b.Run(cmd.Context(), math.MaxInt64)
	stop()
	s := r.Stats()
	out := cmd.OutOrStdout()
	fmt.Fprintf(out, "%d frames played, %d left out, %d refused; late by %v in the median, %v at the 99th percentile, %v at most\n",
		s.Confirmed, s.LeftOut+s.Reports+s.Homeless, s.Refused, s.P50, s.P99, s.Max)
	o.alter.report(out, b)
	switch {
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("stopped after %d frames", s.Confirmed)
	case err != nil:
		return err
	case r.Err() != nil:
		return r.Err()
	case !r.Done():
		return fmt.Errorf("%s has gone after %d frames", o.bus, s.Confirmed)
	}
	return nil
}

// checkShared reports why a flag names no bus that another process can reach.
func checkShared(flag, url string) error {
	if url == "" {
		return fmt.Errorf("%s is not given, want %s", flag, busurl.SharedForms())
	}
	if err := busurl.CheckShared(url); err != nil {
		return fmt.Errorf("%s: %w", flag, err)
	}
	return nil
}

func warn(message string) { slog.Warn(message) }
