package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench/car"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/inspect"
	"sawhorse/dbc"
)

// inspectOptions are the flags of inspect.
type inspectOptions struct {
	asJSON bool
	rate   int
	gap    time.Duration
	most   int
	dbc    string
	pairs  []string
	strict bool
}

func newInspectCommand() *cobra.Command {
	var o inspectOptions
	cmd := &cobra.Command{
		Use:   "inspect CAPTURE [OTHER]",
		Short: "Tell what a recording holds, or how two differ",
		Long: `Inspect tells what a recording holds: each identifier with its count, period and
jitter, the load of the bus over time, gaps, the controller's error reports, and
the diagnostic conversations (ISO 15765-2) with services and trouble codes: those on
the identifiers of ISO 15765-4, and others that it finds by what is said in them, or
that --pairs names. With two recordings it tells how they differ: identifiers gone or new, periods changed,
and the first frame that differs.`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error { return o.run(cmd, args) },
	}
	f := cmd.Flags()
	f.BoolVar(&o.asJSON, "json", false, "print JSON")
	f.IntVar(&o.rate, "rate", 500_000, "bit rate of the bus in bit/s, for the load")
	f.DurationVar(&o.gap, "gap", 0, "shortest silence of the bus that is told; 0 finds a good one")
	f.IntVar(&o.most, "messages", 200, "how many diagnostic messages are shown; 0 shows all")
	f.StringVar(&o.dbc, "dbc", "", "a .dbc file, or the name of a stand-in car for its own: also tell the signals of its messages")
	f.StringSliceVar(&o.pairs, "pairs", nil, "diagnostic identifiers, REQUEST:ANSWER in hexadecimal as in 700:708, with address bytes as in 6F1/12:612/F1; none are looked for then")
	f.BoolVar(&o.strict, "strict", false, "refuse a .dbc file with an entry that cannot be used, instead of leaving that out")
	return cmd
}

// values gathers what the signals of networks showed.
type values struct {
	// networks are those of the recording's buses by their numbers, nil for one without
	// a file; a file that was named is every bus's.
	networks []*dbc.Network
	every    bool
	seen     map[*dbc.Message][]signalRange
	buf      []float64
}

// signalRange is what one signal showed.
type signalRange struct {
	n              int
	low, high, end float64
}

func loadValues(file string, strict bool, warn io.Writer) (*values, error) {
	if file == "" {
		return nil, nil
	}
	v := &values{seen: map[*dbc.Message][]signalRange{}}
	if err := v.load(file, strict); err != nil {
		return nil, err
	}
	for _, n := range v.networks {
		if n == nil {
			continue
		}
		for _, w := range n.Warnings {
			fmt.Fprintf(warn, "warning: %s\n", w)
		}
	}
	return v, nil
}

// load reads a .dbc file; the name of a car stands for the files of its buses.
func (v *values) load(file string, strict bool) error {
	if !slices.Contains(car.Names(), file) {
		read := dbc.LoadUsable
		if strict {
			read = dbc.Load
		}
		n, err := read(file)
		v.networks, v.every = []*dbc.Network{n}, true
		return err
	}
	spec, err := car.Find(file)
	if err != nil {
		return err
	}
	any := false
	for i := range spec.Buses {
		n := spec.Buses[i].Network()
		any = any || n != nil
		v.networks = append(v.networks, n)
	}
	v.every = len(v.networks) == 1
	if !any {
		return fmt.Errorf("the car %s has no .dbc file", file)
	}
	return nil
}

// network is that of a frame's bus; nil without.
func (v *values) network(bus uint8) *dbc.Network {
	switch {
	case v.every:
		return v.networks[0]
	case int(bus) < len(v.networks):
		return v.networks[bus]
	}
	return nil
}

// see takes one frame.
func (v *values) see(f *canbus.Frame) {
	n := v.network(f.Bus)
	if n == nil {
		return
	}
	m, ok := n.Message(f.Key())
	if !ok {
		return
	}
	rs := v.seen[m]
	if rs == nil {
		rs = make([]signalRange, len(m.Signals))
		v.seen[m] = rs
	}
	for len(v.buf) < len(m.Signals) {
		v.buf = append(v.buf, 0)
	}
	m.Codec().Decode(f, v.buf)
	for i := range rs {
		x := v.buf[i]
		if math.IsNaN(x) {
			continue
		}
		r := &rs[i]
		if r.n == 0 {
			r.low, r.high = x, x
		}
		r.n++
		r.low, r.high, r.end = min(r.low, x), max(r.high, x), x
	}
}

// valueView is one signal in the JSON of inspect.
type valueView struct {
	Message string `json:"message"`
	Signal  string `json:"signal"`
	Unit    string `json:"unit,omitempty"`
	Frames  int    `json:"frames"`
	Low     number `json:"low"`
	High    number `json:"high"`
	Last    number `json:"last"`
}

// number is written as JSON has numbers; one that is infinite, which JSON does not have,
// as the text "+Inf" or "-Inf".
type number float64

// MarshalJSON writes it.
func (n number) MarshalJSON() ([]byte, error) {
	if math.IsInf(float64(n), 0) {
		return json.Marshal(strconv.FormatFloat(float64(n), 'g', -1, 64))
	}
	return json.Marshal(float64(n))
}

// views lists the signals in the order of the files.
func (v *values) views() []valueView {
	var list []valueView
	for _, n := range v.networks {
		if n == nil {
			continue
		}
		for _, m := range n.Messages {
			for i, r := range v.seen[m] {
				if r.n > 0 {
					s := m.Signals[i]
					list = append(list, valueView{m.Name, s.Name, s.Unit, r.n, number(r.low), number(r.high), number(r.end)})
				}
			}
		}
	}
	return list
}

func (v *values) print(w io.Writer) {
	fmt.Fprintln(w, "\nSignals")
	t := newTable(w, "  ")
	t.row("message", "signal", "least", "most", "last", "unit")
	for _, s := range v.views() {
		t.row(s.Message, s.Signal, fmt.Sprintf("%g", s.Low), fmt.Sprintf("%g", s.High), fmt.Sprintf("%g", s.Last), s.Unit)
	}
	t.flush()
}

func (o *inspectOptions) run(cmd *cobra.Command, args []string) error {
	if o.rate < 1000 || o.rate > 1_000_000 || o.gap < 0 || o.most < 0 {
		return fmt.Errorf("--rate %d --gap %v --messages %d: want 1000 to 1000000 bit/s and nothing below 0", o.rate, o.gap, o.most)
	}
	signals, err := loadValues(o.dbc, o.strict, cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	if signals != nil && len(args) == 2 {
		return errors.New("--dbc goes with one recording")
	}
	var readers []*capture.Reader
	for _, name := range args {
		r, err := capture.Open(name)
		if err != nil {
			return err
		}
		defer r.Close()
		readers = append(readers, r)
	}
	opt := inspect.Options{BitRate: o.rate, Gap: o.gap, Messages: o.most}
	if o.most == 0 {
		opt.Messages = 1 << 30
	}
	out := cmd.OutOrStdout()
	if len(readers) == 2 {
		d, a, b, err := inspect.Compare(readers[0], readers[1], opt)
		if o.asJSON {
			return errors.Join(printJSON(out, map[string]any{"difference": d, "left": a, "right": b}), err)
		}
		printDifference(out, args, d, a, b)
		return err
	}
	for _, text := range o.pairs {
		c, err := inspect.ParseConversation(text)
		if err != nil {
			return fmt.Errorf("--pairs: %w", err)
		}
		opt.Conversations = append(opt.Conversations, c)
	}
	r, err := o.look(cmd.ErrOrStderr(), readers[0], opt, signals)
	if o.asJSON {
		doc := struct {
			*inspect.Report
			Signals []valueView `json:"signals,omitempty"`
		}{Report: r}
		if signals != nil {
			doc.Signals = signals.views()
		}
		return errors.Join(printJSON(out, doc), err)
	}
	printReport(out, args[0], r)
	if signals != nil {
		signals.print(out)
	}
	return err // of a damaged recording, after all that could be read was told
}

// look reads the recording, and where conversations were found on other identifiers once
// more, to put their messages together. The error is that of a damaged recording.
func (o *inspectOptions) look(warn io.Writer, r *capture.Reader, opt inspect.Options, signals *values) (*inspect.Report, error) {
	n, finder := inspect.New(opt), inspect.NewFinder()
	err := each(r, func(f *canbus.Frame) {
		n.See(f)
		finder.See(f)
		if signals != nil {
			signals.see(f)
		}
	})
	if opt.Conversations = finder.Conversations(); len(o.pairs) > 0 || len(opt.Conversations) == 0 {
		return n.Report(), err
	}
	if again := r.Rewind(); again != nil {
		fmt.Fprintf(warn, "warning: conversations were found, and their messages are not told: %v\n", again)
		return n.Report(), err
	}
	n = inspect.New(opt)
	err = each(r, n.See)
	return n.Report(), err
}

// each gives every frame of a recording to see.
func each(r *capture.Reader, see func(f *canbus.Frame)) error {
	var f canbus.Frame
	for {
		err := r.Next(&f)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		see(&f)
	}
}

func printReport(w io.Writer, name string, r *inspect.Report) {
	fmt.Fprintf(w, "%s: %d frames in %v, from %s\n", name, r.Frames, r.Length, time.Unix(0, int64(r.First)).UTC().Format("2006-01-02 15:04:05.000000 MST"))
	if r.Backwards > 0 {
		fmt.Fprintf(w, "%d times go back\n", r.Backwards)
	}
	fmt.Fprintln(w, "\nIdentifiers (periods in ms)")
	t := newTable(w, "  ")
	t.row("id", "bus", "frames", "bytes", "mean", "median", "least", "most", "jitter", "changes")
	for _, id := range r.IDs {
		t.row(id.Name, fmt.Sprint(id.Bus), fmt.Sprint(id.Frames), lengths(id.Lengths), millis(id.Mean), millis(id.Median),
			millis(id.Min), millis(id.Max), millis(id.Jitter), fmt.Sprint(id.Changed))
	}
	t.flush()
	fmt.Fprintf(w, "\nBus load %.1f %% in the mean, %.1f %% at most, by %g s\n", 100*r.Load.Mean, 100*r.Load.Max, r.Load.Step)
	printLoad(w, r.Load.Steps)
	if len(r.Gaps) > 0 {
		fmt.Fprintln(w, "\nSilences of the whole bus")
		for _, g := range r.Gaps {
			t.row(fmt.Sprintf("%.6f s", g.At.Seconds()), g.Length.String(), fmt.Sprintf("after frame %d", g.After))
		}
		t.flush()
	}
	if len(r.Errors) > 0 {
		fmt.Fprintln(w, "\nReports of the controller")
		for _, e := range r.Errors {
			t.row(fmt.Sprintf("%.6f s", e.At.Seconds()), fmt.Sprintf("frame %d", e.Frame), e.Text)
		}
		t.flush()
	}
	printMessages(w, r)
}

func printMessages(w io.Writer, r *inspect.Report) {
	t := newTable(w, "  ")
	if len(r.Conversations) > 0 {
		fmt.Fprintln(w, "\nConversations beside those of ISO 15765-4")
		for _, c := range r.Conversations {
			t.row(c.Request.String(), "asks", cmp.Or(c.Answer.String(), "several"), evidence(&c))
		}
		t.flush()
	}
	if len(r.Messages) == 0 {
		return
	}
	fmt.Fprintln(w, "\nDiagnostic messages")
	for _, m := range r.Messages {
		frames := fmt.Sprint(m.First)
		if m.Last > m.First {
			frames += fmt.Sprintf("-%d", m.Last)
		}
		text := m.Text
		if m.Broken != "" {
			text += " (incomplete: " + m.Broken + ")"
		}
		t.row(fmt.Sprintf("%.6f s", m.At.Seconds()), frames, m.ID, text)
	}
	t.flush()
	if r.Dropped > 0 {
		fmt.Fprintf(w, "  and %d more (--messages 0 shows all)\n", r.Dropped)
	}
}

// printLoad draws the load over time, a character a step, eight heights.
func printLoad(w io.Writer, steps []float64) {
	const width = 100
	heights := []rune(" ▁▂▃▄▅▆▇█")
	for i := 0; i < len(steps); i += width {
		var b strings.Builder
		for _, v := range steps[i:min(i+width, len(steps))] {
			b.WriteRune(heights[int(v*float64(len(heights)-1)+0.5)])
		}
		fmt.Fprintf(w, "  %5d s |%s|\n", i, b.String())
	}
}

// evidence says what a conversation was found by; nothing for one that was named.
func evidence(c *inspect.Conversation) string {
	if c.Flows+c.Answers == 0 {
		return ""
	}
	return fmt.Sprintf("%d requests answered, %d long messages let through", c.Answers, c.Flows)
}

func lengths(ls []int) string {
	var s []string
	for _, l := range ls {
		s = append(s, fmt.Sprint(l))
	}
	return strings.Join(s, ",")
}

func millis(v float64) string { return fmt.Sprintf("%.3f", v) }

func printDifference(w io.Writer, names []string, d *inspect.Difference, a, b *inspect.Report) {
	fmt.Fprintf(w, "%s: %d frames, %d identifiers, %v\n%s: %d frames, %d identifiers, %v\n",
		names[0], a.Frames, len(a.IDs), a.Length, names[1], b.Frames, len(b.IDs), b.Length)
	part := func(head string, ids []inspect.ID) {
		if len(ids) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n", head)
		t := newTable(w, "  ")
		for _, id := range ids {
			t.row(id.Name, fmt.Sprintf("bus %d", id.Bus), fmt.Sprintf("%d frames", id.Frames))
		}
		t.flush()
	}
	part("Only in the first", d.Gone)
	part("Only in the second", d.New)
	if len(d.Periods) > 0 {
		fmt.Fprintln(w, "\nOther periods (medians in ms)")
		t := newTable(w, "  ")
		for _, p := range d.Periods {
			t.row(p.ID, fmt.Sprintf("bus %d", p.Bus), millis(p.Left), millis(p.Right))
		}
		t.flush()
	}
	if d.First == nil {
		fmt.Fprintf(w, "\nAll %d frames are equal, times aside\n", d.Equal)
		return
	}
	fmt.Fprintf(w, "\nThe first %d frames are equal, times aside; then\n  %s\n", d.Equal, d.First)
}
