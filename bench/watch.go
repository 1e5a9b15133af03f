package bench

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/metrics"
	"sawhorse/bench/trace"
	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/uds"
)

// address is where one ECU is spoken to.
type address struct {
	ecu               string
	request, response canbus.Key
}

// watch is the tap of a run: it numbers what goes by, records it, counts it,
// and puts diagnostic messages together for the judge. It sees the bus and
// nothing else.
type watch struct {
	own      func(sender string) bool // nodes of the bench itself
	record   Recorder
	metrics  *metrics.Set
	sniffer  *isotp.Sniffer
	requests map[canbus.Key]string // physical request identifier to ECU
	answers  map[canbus.Key]string
	observe  func(*judge.Observation)
	// asks are the single frames that somebody asks for. Only of those an observation
	// is made.
	asks []*cel.Frames
	// why gives each unit's own reason for what it has refused last, "" for none.
	why      map[string]func() string
	seen     judge.Observation // the one at hand: nobody keeps it
	trace    *trace.Trace      // nil keeps none
	rules    *rules.Set        // nil judges none
	count    int
	err      error         // the first that the recorder gave
	answered time.Duration // end of the last final answer
	waiting  bool          // an answer has come and no request since
}

func newWatch(addresses []address, m *metrics.Set, own func(string) bool) *watch {
	w := &watch{
		own: own, metrics: m,
		requests: map[canbus.Key]string{}, answers: map[canbus.Key]string{},
		observe: func(*judge.Observation) {}, why: map[string]func() string{},
	}
	cfg := isotp.SnifferConfig{}
	for _, a := range addresses {
		w.requests[a.request], w.answers[a.response] = a.ecu, a.ecu
		cfg.Pairs = append(cfg.Pairs, isotp.Address{Tx: a.request, Rx: a.response})
	}
	w.sniffer = isotp.NewSniffer(cfg)
	return w
}

// see is the bus's tap.
func (w *watch) see(s canbus.Sighting) {
	w.count++
	f := s.Frame
	if w.record != nil && w.err == nil {
		if err := w.record.Write(f, s.Touched); err != nil {
			w.err = fmt.Errorf("frame %d: %w", w.count, err)
		}
	}
	own := w.own(s.Sender)
	if w.trace != nil {
		w.trace.Frame(f.Time, laneOf(&s, own))
	}
	if f.Has(canbus.Error) {
		w.metrics.ErrorReport()
		return
	}
	w.metrics.Frame(!own)
	if w.rules != nil {
		w.rules.See(w.count, f, own, s.Touched != "")
	}
	for _, asked := range w.asks {
		if asked.Has(int(f.ID)) {
			w.frame(s)
			break
		}
	}
	if w.sniffer.Passes(f) {
		return
	}
	msg, ok := w.sniffer.See(w.count, f)
	for ; ok; msg, ok = w.sniffer.Next() {
		w.message(&msg)
	}
}

// seeFar records what goes by on a bus behind a gateway.
func (w *watch) seeFar(bus uint8, s canbus.Sighting) {
	if w.record == nil {
		return
	}
	w.count++
	f := *s.Frame
	f.Bus = bus
	if w.err == nil {
		if err := w.record.Write(&f, s.Touched); err != nil {
			w.err = fmt.Errorf("frame %d: %w", w.count, err)
		}
	}
}

// laneOf is what a frame counts as in the trace.
func laneOf(s *canbus.Sighting, own bool) trace.Lane {
	switch {
	case s.Frame.Has(canbus.Error):
		return trace.Errors
	case s.Touched != "":
		return trace.Altered
	case own:
		return trace.CarFrames
	}
	return trace.ToolFrames
}

// frame tells the judge of a single frame.
func (w *watch) frame(s canbus.Sighting) {
	o := &w.seen
	*o = judge.Saw(judge.Frame, s.Frame.Time)
	o.First, o.Last = w.count, w.count
	o.ID = int(s.Frame.ID)
	o.Data = s.Frame.Payload()
	o.Text = s.Touched
	w.observe(o)
}

// message tells the judge of a whole diagnostic message.
func (w *watch) message(m *isotp.Message) {
	if m.Kind != isotp.Whole || len(m.Payload) == 0 {
		return
	}
	ecu, isAnswer := w.answers[m.Key]
	kind := judge.Response
	if !isAnswer {
		kind = judge.Request
		ecu = w.requests[m.Key]
		if ecu == "" && !m.Functional {
			return // of no ECU of this car
		}
	}
	o := &w.seen
	*o = judge.Message(kind, m.End, m.Payload)
	o.First, o.Last, o.ID, o.ECU, o.Functional = m.First, m.Last, int(m.Key.ID()), ecu, m.Functional
	if why := w.why[ecu]; why != nil && o.NRC >= 0 && o.NRC != int(uds.ResponsePending) {
		o.Why = why()
	}
	w.tally(o, m)
	w.observe(o)
}

// tally counts a message.
func (w *watch) tally(o *judge.Observation, m *isotp.Message) {
	switch {
	case o.Kind == judge.Request:
		w.metrics.Request(m.Payload[0])
		if w.waiting {
			w.metrics.Reaction(max(0, m.Start-w.answered))
			w.waiting = false
		}
	case o.NRC >= 0:
		w.metrics.Negative(uint8(max(0, o.Service)), uint8(o.NRC))
		fallthrough
	default:
		if o.NRC != int(uds.ResponsePending) {
			w.answered, w.waiting = m.End, true
		}
	}
}

// ownNodes tells the bench's nodes from those outside it.
func ownNodes(names ...string) func(string) bool {
	return func(sender string) bool { return slices.Contains(names, sender) }
}
