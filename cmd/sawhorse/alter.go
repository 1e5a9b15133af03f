package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
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

// apply sets the faults that were asked for; url is the bus that a node which a fault
// brings is put on.
func (o *alterFlags) apply(ctx context.Context, loop *clock.Loop, l *bench.Lanes, url, arm string) error {
	l.BitRate = o.rate
	if kind, _, err := busurl.Parse(url); err == nil && kind == busurl.Unix {
		l.Another = func() (canbus.Bus, func(), error) {
			b, err := openBus(ctx, loop, url, arm, func(error) {}) // that it has gone is told by the first
			if err != nil {
				return nil, nil, err
			}
			return b, b.close, nil
		}
	}
	if err := l.Schedule(o.timed, filepath.Dir(o.file)); err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	for _, text := range o.faults {
		id, params, err := parseFault(text)
		if err != nil {
			return err
		}
		if err := l.SetFault(id, true, params); err != nil {
			return fmt.Errorf("--fault %q: %w", text, err)
		}
	}
	return nil
}

// record has what the buses carry written to the file, if one was asked for.
func (o *alterFlags) record(l *bench.Lanes, buses ...string) (func() error, error) {
	if o.capture == "" {
		return func() error { return nil }, nil
	}
	w, err := capture.Create(o.capture, capture.Options{Buses: buses, Origin: time.Now(), FlushEvery: time.Second})
	if err != nil {
		return nil, err
	}
	l.Tap(func(s canbus.Sighting) { _ = w.Write(s.Frame, s.Touched) }) // Close tells the first error
	return w.Close, nil
}

// report says what the faults did, if there were any.
func (o *alterFlags) report(w io.Writer, l *bench.Lanes) {
	s := l.Altered()
	if len(o.faults) == 0 && o.file == "" && s.Touched == 0 {
		return
	}
	fmt.Fprintf(w, "faults touched %d frames: %d dropped, %d could not be sent afterwards, %d still held (seed %d)\n",
		s.Touched, s.Dropped, s.Lost, s.Held, o.seed)
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
