package fault

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
)

func init() { register[paddingAct]("padding") }

// paddingAct changes the unused bytes behind an ISO 15765-2 message that says in its
// own frame how long it is: a single frame or a flow control.
type paddingAct struct {
	remark // goes with what it does
	// Remove shortens the frame to what is used; else each unused byte becomes the
	// parameter "byte".
	Remove bool `yaml:"remove"`
}

// A receiver must not look at the unused bytes, but may leave a diagnostic frame alone that
// has not eight bytes (ISO 15765-4).
func (a *paddingAct) scope(Params) Scope {
	if a.Remove {
		return Scope{InFrames, Unused | Ignored}
	}
	return Scope{InFrames, Unused}
}

func (a *paddingAct) terms() terms { return terms{} }

// used is how many bytes of a classic frame the message fills; all of them where its
// form does not tell (ISO 15765-2:2016 clause 9.6: normal addressing).
func used(f *canbus.Frame) int {
	if f.Has(canbus.FD) || f.Len == 0 {
		return int(f.Len)
	}
	switch f.Data[0] >> 4 {
	case 0:
		return min(int(f.Len), 1+int(f.Data[0]&0xF))
	case 3:
		return min(int(f.Len), 3)
	}
	return int(f.Len)
}

func (a *paddingAct) rule(t *Target, p Params) (alter.Alteration, error) {
	m, err := matchOf(t, p)
	if err != nil {
		return alter.Alteration{}, err
	}
	b, err := hexBytes(p, "byte")
	if err != nil || !a.Remove && len(b) != 1 {
		return alter.Alteration{}, fmt.Errorf("parameter byte is %q, want one hexadecimal byte", p.Text("byte"))
	}
	return alter.Alteration{Name: a.name, Act: alter.Change, Match: m, Change: func(_ time.Duration, f *canbus.Frame) string {
		n := used(f)
		if n == int(f.Len) {
			return "no padding"
		}
		if a.Remove {
			clear(f.Data[n:f.Len])
			f.Len = uint8(n)
			return fmt.Sprintf("cut to the %d bytes in use", n)
		}
		for i := n; i < int(f.Len); i++ {
			f.Data[i] = b[0]
		}
		return fmt.Sprintf("padded with %02X", b[0])
	}}, nil
}

func (a *paddingAct) check(t *Target, p Params) error {
	_, err := a.rule(t, p)
	return err
}

func (a *paddingAct) free(*Target, Params) error { return nil } // rules add up

func (a *paddingAct) on(t *Target, p Params) (func(), error) {
	r, err := a.rule(t, p)
	if err != nil {
		return nil, err
	}
	return t.Network.Alter(r)
}
