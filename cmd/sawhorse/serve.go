package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"

	"github.com/spf13/cobra"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/canbus/clock"
)

// serveOptions are the flags of serve.
type serveOptions struct {
	bus, car, listen, recordings string
	rate                         int
	seed                         uint64
	cars, arm                    []string
	faults                       faultFlags
	judged                       judgedFlags
	key                          string
	pacing                       clock.Pacing
	socketMode, socketGroup      string
}

func newServeCommand() *cobra.Command {
	var o serveOptions
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Put a car on a bus until stopped",
		Long: `Serve is the daemon: a stand-in car on a bus, in wall time, until Ctrl-C. Its
controls are a JSON API on a loopback address:

  GET    /v1/car          the car's true signals
  PUT    /v1/driver       {"key": "on", "clutch": 100}
  GET    /v1/faults       the catalogue and what is on
  PUT    /v1/faults/ID    {"params": {...}} switches a fault on
  DELETE /v1/faults/ID    switches it off
  PUT    /v1/recording    {"name": "morning"} records the bus into --recordings
  DELETE /v1/recording    ends that
  GET    /metrics         for Prometheus
  GET    /healthz         ok while the loop answers and recordings have room

With --scenario the car is driven and broken by a scenario's script while a person or a
tool works on it; with it, or with --judge, whoever does is judged: the verdicts are
told at the end.

` + cautions,
		Example: `  sawhorse serve
  sawhorse serve --bus can:vcan0 --fault clutch-unlearned --key on
  sawhorse serve --fault answer-late:delay=80,ecu=engine --faults coming.yaml
  sawhorse serve --scenario clutch-unlearned
  curl -X PUT -d '{"key": "on"}' http://127.0.0.1:9464/v1/driver`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return o.run(cmd) },
	}
	f := cmd.Flags()
	f.StringVar(&o.bus, "bus", "unix:sawhorse.sock", "bus to be on: unix:PATH or can:IFACE")
	f.StringVar(&o.car, "car", car.Default, "which car")
	carsFlag(f, &o.cars)
	f.StringVar(&o.listen, "listen", "127.0.0.1:9464", "loopback address of the API and the metrics")
	armFlags(f, &o.arm)
	f.StringVar(&o.recordings, "recordings", ".", "folder for recordings that the API begins")
	f.IntVar(&o.rate, "rate", 500_000, "bit rate of an embedded bus in bit/s")
	f.Uint64Var(&o.seed, "seed", 1, "root of all chance")
	o.faults.register(f)
	o.judged.register(f)
	pacingFlags(f, &o.pacing)
	f.StringVar(&o.socketMode, "socket-mode", "", "permissions of a socket, such as 0660: who may write it may be on the bus")
	f.StringVar(&o.socketGroup, "socket-group", "", "group that owns a socket, by name or number")
	f.StringVar(&o.key, "key", "off", "position of the key at the start: off, accessory, on")
	return cmd
}

func (o *serveOptions) run(cmd *cobra.Command) (err error) {
	if err := o.check(cmd); err != nil {
		return err
	}
	socket, err := socketOf(o.bus, o.socketMode, o.socketGroup)
	if err != nil {
		return err
	}
	b, err := bench.New(bench.Settings{
		Car: o.car, Seed: chance.Seed(o.seed), Wall: true, Buses: []bench.Bus{{URL: o.bus, Rate: o.rate, Socket: socket}}, Arm: o.arm,
		Networks: o.faults.folder(), Log: slog.Default(),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := b.Loop.Pace(o.pacing); err != nil {
		return err
	}
	if err := o.judged.attach(b); err != nil {
		return err
	}
	hand := b.Hand()
	hand.RecordInto(o.recordings)
	if err := o.turn(hand); err != nil {
		return err
	}
	if err := o.faults.apply(b); err != nil {
		return err
	}
	face := face{listen: o.listen, hand: hand}
	if err := face.open(b); err != nil {
		return err
	}
	tellSilent(cmd.ErrOrStderr(), b)
	fmt.Fprintf(cmd.OutOrStdout(), "%s on %s; API and metrics on http://%s; Ctrl-C ends it\n", o.car, o.bus, face.address)
	if err := b.Run(cmd.Context(), math.MaxInt64); !errors.Is(err, context.Canceled) {
		return err
	}
	return o.judged.tell(cmd.OutOrStdout(), b, o.seed) // the way it is meant to end
}

// check finds mistakes before a bus is touched.
func (o *serveOptions) check(cmd *cobra.Command) error {
	if err := checkShared("--bus", o.bus); err != nil {
		return err
	}
	if err := checkArmed(o.arm, o.bus); err != nil {
		return err
	}
	if err := checkListen(o.listen); err != nil {
		return err
	}
	if err := useCars(o.cars); err != nil {
		return err
	}
	if err := o.judged.load(); err != nil {
		return err
	}
	if sc := o.judged.scenario; sc != nil {
		if cmd.Flags().Changed("car") && o.car != sc.Car {
			return fmt.Errorf("--car %s: the scenario %s is of the %s", o.car, sc.Name, sc.Car)
		}
		o.car = sc.Car
	}
	words := bench.Vocabulary()
	lang, err := words.Language(o.car)
	if err != nil {
		return err
	}
	return o.faults.check(words.Faults(), lang)
}

// turn sets the key before the loop runs.
func (o *serveOptions) turn(hand *bench.Hand) error {
	if o.key == "start" {
		return errors.New(`--key "start": want off, accessory or on; the starter is turned over the API`)
	}
	if err := hand.Drive(map[string]any{"key": o.key}); err != nil {
		return fmt.Errorf("--key: %w", err)
	}
	return nil
}
