package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// alterFlags are those of commands that alter frames on a bus without a car.
type alterFlags struct {
	faults  []string
	file    string
	capture string
	seed    uint64
	rate    int
	timed   []scenarios.Fault
}

func (o *alterFlags) register(f *pflag.FlagSet) {
	f.StringArrayVar(&o.faults, "fault", nil, "fault of frames: ID, or ID:PARAM=VALUE,PARAM=VALUE; may be given again")
	f.StringVar(&o.file, "faults", "", "file (YAML) with faults that come and go at times or by chance, in the form of a scenario's faults")
	f.StringVar(&o.capture, "capture", "", "record what the bus carries to this file (.pcapng or .csv), with what was done to each frame")
	f.Uint64Var(&o.seed, "seed", 1, "root of all chance")
	f.IntVar(&o.rate, "bit-rate", 500_000, "the bus's bit rate in bit/s, for faults that load it")
}

// check finds mistakes before a bus is touched.
func (o *alterFlags) check() (err error) {
	if o.rate < 10_000 || o.rate > 1_000_000 {
		return fmt.Errorf("--bit-rate %d: want 10000 to 1000000 bit/s", o.rate)
	}
	for _, text := range o.faults {
		if _, _, err := parseFault(text); err != nil {
			return err
		}
	}
	if o.file != "" {
		o.timed, err = scenarios.LoadFaults(o.file, bench.FrameFaults())
	}
	return err
}

// bench makes a bench without a car for these faults; its loop is in wall time.
func (o *alterFlags) bench(pacing clock.Pacing, s bench.Settings) (*bench.Bench, error) {
	s.Wall, s.Seed, s.Networks, s.Log = true, chance.Seed(o.seed), filepath.Dir(o.file), slog.Default()
	b, err := bench.New(s)
	if err != nil {
		return nil, err
	}
	if err := b.Loop.Pace(pacing); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// apply sets the faults that were asked for.
func (o *alterFlags) apply(b *bench.Bench) error {
	if _, err := b.Script(nil, o.timed); err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	for _, text := range o.faults {
		id, params, err := parseFault(text)
		if err != nil {
			return err
		}
		if err := b.Hand().SetFault(id, true, params); err != nil {
			return fmt.Errorf("--fault %q: %w", text, err)
		}
	}
	return nil
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
	if len(o.faults) > 0 || o.file != "" || s.Touched > 0 {
		fmt.Fprintf(w, "faults touched %d frames: %d dropped, %d could not be sent afterwards, %d still held (seed %d)\n",
			s.Touched, s.Dropped, s.Lost, s.Held, o.seed)
	}
	for _, line := range b.Fared() {
		fmt.Fprintln(w, line)
	}
}

// parseFault reads ID:PARAM=VALUE,PARAM=VALUE. Values are numbers, true, false, or
// words.
func parseFault(text string) (string, map[string]any, error) {
	id, rest, ok := strings.Cut(text, ":")
	if !ok {
		return id, nil, nil
	}
	params := map[string]any{}
	for _, pair := range strings.Split(rest, ",") {
		name, value, ok := strings.Cut(pair, "=")
		if !ok || name == "" {
			return "", nil, fmt.Errorf("--fault %q: %q, want PARAM=VALUE", text, pair)
		}
		params[name] = value
		// Identifiers, bytes and words stay words, also where they look like numbers.
		if f, err := strconv.ParseFloat(value, 64); err == nil && !textParams[name] {
			params[name] = f
		}
		if b, err := strconv.ParseBool(value); err == nil && !textParams[name] && (value == "true" || value == "false") {
			params[name] = b
		}
	}
	return id, params, nil
}

// textParams are the parameters of the catalogue whose values are words.
var textParams = map[string]bool{"ids": true, "id": true, "bytes": true, "new-id": true, "sender": true, "part": true, "service": true, "item": true, "code": true}
