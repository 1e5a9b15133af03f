package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"

	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
)

// alterFlags are those of commands that alter frames on a bus without a car.
type alterFlags struct {
	faultFlags
	capture string
	seed    uint64
	rate    int
}

func (o *alterFlags) register(f *pflag.FlagSet) {
	o.faultFlags.register(f)
	f.StringVar(&o.capture, "capture", "", "record what the bus carries to this file (.pcapng or .csv), with what was done to each frame")
	f.Uint64Var(&o.seed, "seed", 1, "root of all chance")
	f.IntVar(&o.rate, "bit-rate", 500_000, "the bus's bit rate in bit/s, for faults that load it")
}

// check finds mistakes before a bus is touched.
func (o *alterFlags) check() (err error) {
	if o.rate < 10_000 || o.rate > 1_000_000 {
		return fmt.Errorf("--bit-rate %d: want 10000 to 1000000 bit/s", o.rate)
	}
	return o.faultFlags.check(bench.FrameFaults(), nil)
}

// bench makes a bench without a car for these faults; its loop is in wall time.
func (o *alterFlags) bench(pacing clock.Pacing, s bench.Settings) (*bench.Bench, error) {
	s.Wall, s.Seed, s.Networks, s.Log = true, chance.Seed(o.seed), o.folder(), slog.Default()
	b, err := bench.New(s)
	if err != nil {
		return nil, err
	}
	if err := b.Loop.Pace(pacing); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// record has what the buses carry written to the file, if one was asked for.
func (o *alterFlags) record(b *bench.Bench, buses ...string) error {
	if o.capture == "" {
		return nil
	}
	_, err := b.Capture(o.capture, capture.Options{Buses: buses}, nil)
	return err
}

// report says what the faults did, if there were any, and how the buses have fared.
func (o *alterFlags) report(w io.Writer, b *bench.Bench) {
	s := b.Altered()
	if o.given() || s.Touched > 0 {
		fmt.Fprintf(w, "faults touched %d frames: %d dropped, %d could not be sent afterwards, %d still held (seed %d)\n",
			s.Touched, s.Dropped, s.Lost, s.Held, o.seed)
	}
	for _, line := range b.Fared() {
		fmt.Fprintln(w, line)
	}
}
