package fault

import (
	"encoding/hex"
	"fmt"
	"strings"

	"sawhorse/canbus"
	"sawhorse/canbus/bend"
)

// framesAct spoils frames between their nodes and the bus.
type framesAct struct {
	// Act is one of the acts of package bend.
	Act string `yaml:"act"`
	// Bytes, if set, takes the place of the parameter "bytes", and At of "at".
	Bytes string `yaml:"bytes"`
	At    int    `yaml:"at"`

	name string // of the fault, for the remark that goes with a frame
}

func (a *framesAct) rule(t *Target, p Params) (bend.Rule, error) {
	r := bend.Rule{
		Delay: millis(p, "delay"), Jitter: millis(p, "jitter"),
		Copies: int(p.Number("copies")), Window: int(p.Number("window")),
		At: int(p.Number("at")), Length: int(p.Number("length")),
	}
	var err error
	if r.Act, err = bend.ParseAct(a.Act); err != nil {
		return r, err
	}
	if r.Match, err = matchOf(t, p); err != nil {
		return r, err
	}
	r.Spread = map[string]bend.Spread{"uniform": bend.Uniform, "normal": bend.Normal, "exponential": bend.Exponential}[p.Text("spread")]
	text := p.Text("bytes")
	if a.Bytes != "" {
		text, r.At = a.Bytes, a.At
	}
	if r.Bytes, err = hex.DecodeString(strings.ReplaceAll(text, " ", "")); err != nil {
		return r, fmt.Errorf("parameter bytes is %q, want hexadecimal bytes such as \"22 F1 90\"", text)
	}
	if s := p.Text("new-id"); s != "" {
		if r.Key, err = canbus.ParseKey(s); err != nil {
			return r, fmt.Errorf("parameter new-id: %w", err)
		}
	}
	return r, r.Check()
}

func (a *framesAct) check(t *Target, p Params) error {
	_, err := a.rule(t, p)
	return err
}

func (a *framesAct) free(*Target) error { return nil } // rules add up

func (a *framesAct) on(t *Target, p Params) (func(), error) {
	r, err := a.rule(t, p)
	if err != nil {
		return nil, err
	}
	r.Name = a.name
	return t.Network.Spoil(r)
}
