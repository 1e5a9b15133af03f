package fault

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"

	"sawhorse/canbus/alter"
	"sawhorse/canbus/isotp"
)

func init() { register[flowAct]("flow") }

// flowAct has units ask odd things of who sends them a long message: their transport does
// so itself, so that both ends agree with what is on the bus. Only where no unit is ours,
// or for flow control of the tool, frames are changed on their way.
type flowAct struct {
	remark // goes with what it does
	// Do is one of flowActs.
	Do string `yaml:"do"`
}

// flowActs are what a unit can ask, and the bytes of a flow control that ask it.
var flowActs = map[string]struct {
	demand func(d *isotp.Demand, p Params)
	bytes  string
	at     int
}{
	"wait": {func(d *isotp.Demand, p Params) {
		if d.Waits = int(p.Number("times")); p.Bool("for-ever") {
			d.Waits = -1
		}
	}, "31", 0},
	"overflow": {func(d *isotp.Demand, _ Params) { d.Overflow = true }, "32", 0},
	// A block of one frame, and the reserved separation time FA, which means 127 ms
	// (ISO 15765-2:2016 clause 9.6.5.4).
	"odd": {func(d *isotp.Demand, _ Params) { d.BlockSize, d.STmin = 1, 0xFA }, "01 FA", 1},
}

func (a *flowAct) scope(p Params) Scope {
	if p == nil || ofTool(p) {
		return Scope{InFrames, Falsifies}
	}
	return Scope{InFrames, Asks}
}

func (a *flowAct) terms() terms { return terms{names: []string{a.Do}} }

// ofTool reports whether it is the tool's flow control that is meant.
func ofTool(p Params) bool { return p.Text("sender") == outside }

// onFrames is the act where it is done to frames.
func (a *flowAct) onFrames() *framesAct {
	x := flowActs[a.Do]
	return &framesAct{remark: a.remark, Act: "overwrite", Bytes: x.bytes, At: x.at, Part: "flow-control"}
}

func (a *flowAct) check(t *Target, p Params) error {
	if _, ok := flowActs[a.Do]; !ok {
		return fmt.Errorf("do is %q, want one of %s", a.Do, strings.Join(sortedKeys(flowActs), ", "))
	}
	if t.Units == nil || ofTool(p) {
		return a.onFrames().check(t, p)
	}
	_, err := a.units(t, p)
	return err
}

// units are those whose flow control the parameters choose: by sender, or by the
// identifiers of their answers.
func (a *flowAct) units(t *Target, p Params) ([]Unit, error) {
	m, err := matchOf(t, p)
	if err != nil {
		return nil, err
	}
	all, err := t.Units("")
	if err != nil {
		return nil, err
	}
	var list []Unit
	for _, u := range all {
		chosen := len(m.IDs) == 0
		for _, id := range m.IDs {
			chosen = chosen || id.Has(u.Response())
		}
		if chosen && (m.Sender == nil || m.Sender(u.Name())) {
			list = append(list, u)
		}
	}
	if len(list) == 0 {
		return nil, errors.New("no unit sends such flow control, want the identifier of a unit's answers, or its name as sender")
	}
	return list, nil
}

func (a *flowAct) free(*Target, Params) error { return nil } // the last one counts

func (a *flowAct) on(t *Target, p Params) (func(), error) {
	if t.Units == nil || ofTool(p) {
		return a.onFrames().on(t, p)
	}
	units, err := a.units(t, p)
	if err != nil {
		return nil, err
	}
	m, err := matchOf(t, p)
	if err != nil {
		return nil, err
	}
	var rng *rand.Rand
	if t.Chance != nil {
		rng = t.Chance("flow " + a.name)
	}
	c := turn{match: m, rng: rng}
	demand := flowActs[a.Do].demand
	var removes []func()
	for _, u := range units {
		removes = append(removes, u.Demand(func(d isotp.Demand) isotp.Demand {
			if c.next() {
				demand(&d, p)
			}
			return d
		}))
	}
	return func() {
		for _, remove := range removes {
			remove()
		}
	}, nil
}

// turn counts messages by the parameters that choose frames.
type turn struct {
	match         alter.Match
	rng           *rand.Rand
	seen, touched int
}

func (c *turn) next() bool {
	c.seen++
	m := &c.match
	switch n := c.seen - m.Skip - 1; {
	case n < 0, m.Every > 1 && n%m.Every != 0, m.Count > 0 && c.touched >= m.Count:
		return false
	case m.Share > 0 && m.Share < 1 && c.rng != nil && c.rng.Float64() >= m.Share:
		return false
	}
	c.touched++
	return true
}
