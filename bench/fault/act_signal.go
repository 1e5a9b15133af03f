package fault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/replay"
	"sawhorse/dbc"
)

func init() { register[signalAct]("signal") }

// signalAct alters one signal of a message, by the .dbc file that describes it.
// Checksums are computed anew behind it, unless the parameter checksum says otherwise.
type signalAct struct {
	remark // goes with what it does
	// Do is one of signalActs, or counter or checksum.
	Do string `yaml:"do"`
}

func (a *signalAct) scope(Params) Scope { return Scope{InFrames, Messages} }

func (a *signalAct) terms() terms { return terms{} }

// alteredSignal is a signal act at work.
type alteredSignal struct {
	codec    *dbc.Codec
	at       int // the signal's place
	other    int // of the second signal, for swap; -1
	sum      string
	rng      *rand.Rand
	begun    bool
	start    time.Duration
	held     float64
	counted  int
	p        Params
	physical func(s *alteredSignal, now time.Duration, v float64) float64
}

// signalActs are what can be done to a physical value v.
var signalActs = map[string]func(s *alteredSignal, now time.Duration, v float64) float64{
	"set":    func(s *alteredSignal, _ time.Duration, _ float64) float64 { return s.p.Number("value") },
	"offset": func(s *alteredSignal, _ time.Duration, v float64) float64 { return v + s.p.Number("value") },
	"scale":  func(s *alteredSignal, _ time.Duration, v float64) float64 { return float64(v * s.p.Number("value")) },
	"clamp": func(s *alteredSignal, _ time.Duration, v float64) float64 {
		return math.Min(math.Max(v, s.p.Number("low")), s.p.Number("high"))
	},
	"noise": func(s *alteredSignal, _ time.Duration, v float64) float64 {
		return v + float64(s.rng.NormFloat64()*s.p.Number("value"))
	},
	"drift": func(s *alteredSignal, now time.Duration, v float64) float64 {
		return v + float64(s.p.Number("value")*(now-s.start).Seconds())
	},
	"stick": func(s *alteredSignal, _ time.Duration, _ float64) float64 { return s.held },
	"invert": func(s *alteredSignal, _ time.Duration, v float64) float64 {
		return s.p.Number("low") + s.p.Number("high") - v
	},
}

// bits are the acts on raw values.
var rawActs = []string{"bit", "swap", "counter-frozen", "counter-skips", "checksum-wrong"}

func (a *signalAct) prepare(t *Target, p Params) (alter.Alteration, error) {
	r := alter.Alteration{Name: a.name, Act: alter.Change}
	_, physical := signalActs[a.Do]
	if !physical && !slices.Contains(rawActs, a.Do) {
		return r, fmt.Errorf("do is %q, want one of %s, %s", a.Do, strings.Join(sortedKeys(signalActs), ", "), strings.Join(rawActs, ", "))
	}
	m, err := matchOf(t, p)
	if err != nil {
		return r, err
	}
	msg, err := messageOf(t, p)
	if err != nil {
		return r, err
	}
	m.IDs = []replay.Match{replay.ID(msg.Key)}
	s := &alteredSignal{codec: msg.Codec(), at: -1, other: -1, sum: p.Text("checksum"), p: p, physical: signalActs[a.Do]}
	if t.Chance != nil {
		s.rng = t.Chance("signal " + a.name)
	}
	if err := s.find(a.Do, msg, p); err != nil {
		return r, err
	}
	r.Match, r.Change = m, func(now time.Duration, f *canbus.Frame) string { return s.change(a.Do, now, f) }
	return r, r.Check()
}

// find looks the signals up that the act needs.
func (s *alteredSignal) find(do string, msg *dbc.Message, p Params) error {
	place := func(param string) (int, error) {
		i := msg.Index(p.Text(param))
		if i < 0 {
			return i, fmt.Errorf("parameter %s is %q, want a signal of %s: %s", param, p.Text(param), msg.Name, signalNames(msg))
		}
		return i, nil
	}
	var err error
	switch do {
	case "counter-frozen", "counter-skips":
		if len(s.codec.Counters()) == 0 {
			return fmt.Errorf("message %s has no counter (an attribute SawhorseRole says so)", msg.Name)
		}
	case "checksum-wrong":
		if len(s.codec.Checksums()) == 0 {
			return fmt.Errorf("message %s has no checksum (an attribute SawhorseRole says so)", msg.Name)
		}
	case "swap":
		if s.other, err = place("other"); err != nil {
			return err
		}
		fallthrough
	default:
		s.at, err = place("signal")
	}
	return err
}

// change does it to one frame, and says what.
func (s *alteredSignal) change(do string, now time.Duration, f *canbus.Frame) string {
	if !s.begun {
		s.begun, s.start = true, now
		if s.at >= 0 {
			s.held = s.codec.Value(f, s.at)
		} else if cs := s.codec.Counters(); len(cs) > 0 {
			s.held = float64(s.codec.Raw(f, cs[0]))
		}
	}
	says := do
	switch do {
	case "bit":
		s.codec.SetRaw(f, s.at, s.codec.Raw(f, s.at)^1<<uint(s.p.Number("bit")))
	case "swap":
		a, b := s.codec.Value(f, s.at), s.codec.Value(f, s.other)
		s.codec.SetValue(f, s.at, b)
		s.codec.SetValue(f, s.other, a)
	case "counter-frozen":
		s.codec.Count(f, uint64(s.held))
	case "counter-skips":
		s.counted++
		s.codec.Advance(f, uint64(s.counted)*uint64(s.p.Number("value")))
	case "checksum-wrong":
		for _, i := range s.codec.Checksums() {
			s.codec.SetRaw(f, i, s.codec.Raw(f, i)^1)
		}
		return says
	default:
		if !s.codec.Present(f, s.at) {
			return says + " (the signal is not in this frame)"
		}
		v := s.codec.Value(f, s.at)
		w := s.physical(s, now, v)
		s.codec.SetValue(f, s.at, w)
		says = fmt.Sprintf("%s %s from %g to %g", do, s.codec.Message().Signals[s.at].Name, v, s.codec.Value(f, s.at))
	}
	switch s.sum {
	case "keep":
	case "wrong":
		s.codec.Seal(f)
		for _, i := range s.codec.Checksums() {
			s.codec.SetRaw(f, i, s.codec.Raw(f, i)^1)
		}
	default:
		s.codec.Seal(f)
	}
	return says
}

func messageNames(n *dbc.Network) string {
	var names []string
	for _, m := range n.Messages {
		names = append(names, m.Name)
	}
	return few(names)
}

func signalNames(m *dbc.Message) string {
	var names []string
	for _, s := range m.Signals {
		names = append(names, s.Name)
	}
	return few(names)
}

// few lists names, at most twenty of them.
func few(names []string) string {
	slices.Sort(names)
	const most = 20
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}

func (a *signalAct) check(t *Target, p Params) error {
	_, err := a.prepare(t, p)
	return err
}

func (a *signalAct) free(*Target, Params) error { return nil } // rules add up

func (a *signalAct) on(t *Target, p Params) (func(), error) {
	r, err := a.prepare(t, p)
	if err != nil {
		return nil, err
	}
	return t.Network.Alter(r)
}
