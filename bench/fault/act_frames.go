package fault

import (
	"fmt"
	"maps"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
)

func init() { register[framesAct]("frames") }

// framesAct alters frames between their nodes and the bus.
type framesAct struct {
	remark // goes with what it does
	// Act is one of the acts of package alter.
	Act string `yaml:"act"`
	// Bytes, if set, takes the place of the parameter "bytes", and At of "at".
	Bytes string `yaml:"bytes"`
	At    int    `yaml:"at"`
	// Part, if set, takes the place of the parameter "part".
	Part string `yaml:"part"`
}

// reaches are what the acts of package alter can do.
var reaches = map[alter.Act]Reach{
	alter.Drop: Loses, alter.Delay: Delays, alter.Duplicate: Adds, alter.Reorder: Delays,
	alter.Flip: Falsifies, alter.Overwrite: Falsifies, alter.Resize: Falsifies | Ignored,
	alter.Renumber: Falsifies, alter.Freeze: Falsifies, alter.Stale: Falsifies,
}

func (a *framesAct) scope(Params) Scope {
	act, err := alter.ParseAct(a.Act)
	if r, ok := reaches[act]; ok && err == nil {
		return Scope{InFrames, r}
	}
	return Scope{InFrames, disturbing}
}

func (a *framesAct) terms() terms { return terms{} }

func (a *framesAct) rule(t *Target, p Params) (alter.Alteration, error) {
	r := alter.Alteration{
		Delay: millis(p, "delay"), Jitter: millis(p, "jitter"),
		Copies: int(p.Number("copies")), Window: int(p.Number("window")),
		At: int(p.Number("at")), Length: int(p.Number("length")),
	}
	var err error
	if r.Act, err = alter.ParseAct(a.Act); err != nil {
		return r, err
	}
	if a.Part != "" {
		p = with(p, "part", a.Part)
	}
	if r.Match, err = matchOf(t, p); err != nil {
		return r, err
	}
	r.Spread = map[string]alter.Spread{"uniform": alter.Uniform, "normal": alter.Normal, "exponential": alter.Exponential}[p.Text("spread")]
	if a.Bytes != "" {
		p, r.At = with(p, "bytes", a.Bytes), a.At
	}
	if r.Bytes, err = hexBytes(p, "bytes"); err != nil {
		return r, err
	}
	if s := p.Text("new-id"); s != "" {
		if r.Key, err = canbus.ParseKey(s); err != nil {
			return r, fmt.Errorf("parameter new-id: %w", err)
		}
	}
	return r, r.Check()
}

// with is the parameters with one of them another.
func with(p Params, name string, v any) Params {
	q := maps.Clone(p)
	q[name] = v
	return q
}

func (a *framesAct) check(t *Target, p Params) error {
	_, err := a.rule(t, p)
	return err
}

func (a *framesAct) free(*Target, Params) error { return nil } // rules add up

func (a *framesAct) on(t *Target, p Params) (func(), error) {
	r, err := a.rule(t, p)
	if err != nil {
		return nil, err
	}
	r.Name = a.name
	return t.Network.Alter(r)
}
