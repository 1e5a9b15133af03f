// Command demotool is a small, correct diagnostic tool: the tool under test of
// the demo. It works on the bus that SAWHORSE_BUS or --bus names, prints what
// it does on standard error and one JSON document on standard output (the
// shape is tester.Document).
//
// Exit status: 0 done, 1 refused by the car or a condition, 2 usage, 3 no car
// found, 4 communication lost, 5 interrupted or out of time, 6 done, but a control unit
// did not say what it has to.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/canbus"
	"sawhorse/canbus/busurl"
	"sawhorse/cmd/demotool/tester"
)

func main() {
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	cancel()
	os.Exit(status)
}

// options are the flags.
type options struct {
	bus      string
	uds      []string
	limit    time.Duration
	patience time.Duration
	lost     time.Duration
	defect   string
	style    string
	defects  bool
}

// run does one command line and returns the exit status.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	status := tester.StatusUsage
	var o options
	root := &cobra.Command{
		Use:           "demotool",
		Short:         "A small diagnostic tool for OBD and UDS on CAN",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.CompletionOptions.DisableDefaultCmd = true
	f := root.PersistentFlags()
	f.StringVar(&o.bus, "bus", os.Getenv("SAWHORSE_BUS"), "bus to work on: unix:PATH or can:IFACE")
	f.StringArrayVar(&o.uds, "uds", nil, "control unit beyond the OBD range: NAME=REQUEST/RESPONSE in hex, such as body=7A0/7A8; empty for none; without, those of the stand-in cars")
	f.DurationVar(&o.limit, "limit", 0, "limit for the whole task (default 1m, learn 5m, learn exchange 44m)")
	f.DurationVar(&o.patience, "patience", 0, "how long a learn waits for its conditions (default 30s)")
	f.StringVar(&o.defect, "defect", "", "have this defect, to see whether a judge of tools notices; --defects lists them")
	f.StringVar(&o.style, "style", tester.StyleSwift, "how it works, in another order and depth and with other times: "+strings.Join(tester.Styles, ", "))
	root.Flags().BoolVar(&o.defects, "defects", false, "list the defects and do nothing")
	f.DurationVar(&o.lost, "lost", 0, "how long to look for a car that fell silent (default 10s)")
	for _, job := range tester.Jobs() {
		c := &cobra.Command{Use: job.Task, Short: job.Short, Args: cobra.NoArgs}
		if job.Argument != "" {
			c.Use += " " + strings.ToUpper(job.Argument)
			c.Args = cobra.ExactArgs(1)
		}
		c.RunE = func(_ *cobra.Command, pos []string) (err error) {
			status, err = o.work(ctx, job, pos, stdout, stderr)
			return err
		}
		root.AddCommand(c)
	}
	root.SetArgs(args)
	root.SetOut(stderr)
	root.SetErr(stderr)
	root.RunE = func(c *cobra.Command, _ []string) error {
		if o.defects {
			status = tester.StatusDone
			return listDefects(stdout)
		}
		return fmt.Errorf("%w: no task, expected one of %s", tester.ErrUsage, strings.Join(tester.Tasks(), ", "))
	}
	cmd, err := root.ExecuteC()
	if err != nil {
		fmt.Fprintf(stderr, "demotool: %v\n", err)
		return status
	}
	if h := cmd.Flags().Lookup("help"); h != nil && h.Changed || cmd.Name() == "help" {
		return tester.StatusDone
	}
	return status
}

// listDefects prints a line for each.
func listDefects(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, d := range tester.Defects() {
		fmt.Fprintf(t, "%s\t%s\t%s\n", d.ID, d.Group, d.Says)
	}
	return t.Flush()
}

// work does one task on the bus.
func (o *options) work(ctx context.Context, job tester.Job, pos []string, stdout, stderr io.Writer) (int, error) {
	cfg := tester.Config{Limit: o.limit, Patience: o.patience, LostWait: o.lost, Defect: o.defect, Style: o.style}
	args := map[string]string{}
	if job.Argument != "" {
		args[job.Argument] = pos[0]
	}
	if len(o.uds) > 0 {
		cfg.UDS = []tester.Pair{}
	}
	for _, s := range o.uds {
		if s == "" {
			continue
		}
		p, err := parsePair(s)
		if err != nil {
			return tester.StatusUsage, err
		}
		cfg.UDS = append(cfg.UDS, p)
	}
	m, err := tester.StartAs(cfg, job.Task, args)
	if err != nil {
		return tester.StatusUsage, err
	}
	if o.bus == "" {
		return tester.StatusUsage, errors.New("no bus, expected SAWHORSE_BUS or --bus")
	}
	if err := busurl.CheckShared(o.bus); err != nil {
		return tester.StatusUsage, err
	}
	conn, err := busurl.Dial(o.bus, nil)
	if err != nil {
		return tester.StatusNoCar, err
	}
	defer conn.Close()
	return drive(ctx, m, conn, stdout, stderr)
}

// parsePair reads NAME=REQUEST/RESPONSE; more than three hex digits make a
// 29-bit identifier.
func parsePair(s string) (tester.Pair, error) {
	name, ids, ok := strings.Cut(s, "=")
	req, resp, both := strings.Cut(ids, "/")
	if !ok || !both || name == "" {
		return tester.Pair{}, fmt.Errorf("control unit %q, expected NAME=REQUEST/RESPONSE such as body=7A0/7A8", s)
	}
	p := tester.Pair{Name: name}
	for _, x := range []struct {
		text string
		key  *canbus.Key
	}{{req, &p.Request}, {resp, &p.Respond}} {
		n, err := strconv.ParseUint(x.text, 16, 32)
		extended := len(x.text) > 3
		if err != nil || extended && canbus.ID(n) > canbus.MaxExtendedID || !extended && canbus.ID(n) > canbus.MaxStandardID {
			return tester.Pair{}, fmt.Errorf("identifier %q of control unit %q, expected 3 hex digits up to 7FF or 8 up to 1FFFFFFF", x.text, name)
		}
		*x.key = canbus.KeyOf(canbus.ID(n), extended)
	}
	return p, nil
}
