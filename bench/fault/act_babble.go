package fault

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
)

func init() { register[babbleAct]("babble") }

// babbleAct is a node that talks without being asked: at a chosen share of the
// bus, or a burst.
type babbleAct struct{}

func (a *babbleAct) scope(Params) Scope { return Scope{InFrames, Adds} }

func (a *babbleAct) terms() terms { return terms{} }

func (a *babbleAct) babble(t *Target, p Params) (alter.Babble, error) {
	b := alter.Babble{Name: "babbler", Burst: int(p.Number("burst"))}
	if t.Network == nil {
		return b, errNoNetwork
	}
	key, err := canbus.ParseKey(p.Text("id"))
	if err != nil {
		return b, fmt.Errorf("parameter id: %w", err)
	}
	data, err := hexBytes(p, "bytes")
	if err != nil || len(data) > canbus.MaxClassicData {
		return b, fmt.Errorf("parameter bytes is %q, want at most 8 hexadecimal bytes", p.Text("bytes"))
	}
	b.Frame = canbus.New(0, data...)
	if b.Frame.ID = key.ID(); key.Extended() {
		b.Frame.Flags |= canbus.Extended
	}
	if load := p.Number("load"); load < 100 {
		length := t.Network.FrameTime(&b.Frame)
		if length == 0 {
			return b, fmt.Errorf("parameter load is %g: the bit rate of this bus is not known here, want 100", load)
		}
		b.Every = time.Duration(float64(length) * 100 / load)
	}
	return b, nil
}

func (a *babbleAct) check(t *Target, p Params) error {
	_, err := a.babble(t, p)
	return err
}

func (a *babbleAct) free(*Target, Params) error { return nil } // a second one finds the name taken

func (a *babbleAct) on(t *Target, p Params) (func(), error) {
	b, err := a.babble(t, p)
	if err != nil {
		return nil, err
	}
	return t.Network.Babble(b)
}
