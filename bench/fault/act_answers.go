package fault

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/uds"
)

// Unit is an ECU's diagnostic server as faults alter it.
type Unit interface {
	// Alter has fn look at every answer before transport takes it; the answers it
	// returns go out instead, each after its wait. ok is false where it leaves the
	// answer alone.
	Alter(fn func(now time.Duration, answer []byte) (out []Late, ok bool)) (remove func())
	// Name is the unit's, Response the identifier of its answers.
	Name() string
	Response() canbus.Key
	// Demand has fn say what the unit asks of the sender of a long request.
	Demand(fn func(usual isotp.Demand) isotp.Demand) (remove func())
	// Refuse has fn look at the answer of every request before it is carried out: what
	// it refuses is not done. ok is false where it leaves the request alone.
	Refuse(fn func(answer []byte) (why uds.NRC, ok bool)) (remove func())
	// DropSession ends the diagnostic session, Dip takes the supply for a time.
	DropSession()
	Dip(d time.Duration)
}

// Late is an answer that goes out after a wait.
type Late struct {
	Data []byte
	Wait time.Duration
}

func init() { register[answersAct]("answers") }

// answersAct alters the answers of ECUs.
type answersAct struct {
	remark // goes with what it does
	// Do is what is done to an answer.
	Do string `yaml:"do"`
}

// A unit that refuses does not do what it refuses: what it says is what is.
func (a *answersAct) scope(Params) Scope {
	if a.Do == refuses {
		return Scope{OnNetwork, CarOnly}
	}
	return Scope{OnNetwork, Answers}
}

func (a *answersAct) terms() terms { return terms{} }

// chosen are the answers that a fault is for.
type chosen struct {
	units   []Unit
	service int // of the request; -1 all
	item    []byte
	skip    int
	count   int
	share   float64
	rng     *rand.Rand
	matched int
	touched int
}

func answersOf(t *Target, p Params, name string) (*chosen, error) {
	c := &chosen{service: -1, skip: int(p.Number("skip")), count: int(p.Number("count")), share: p.Number("share") / 100}
	if t.Units == nil {
		return nil, errors.New("there are no ECUs whose answers could be altered")
	}
	var err error
	if c.units, err = t.Units(p.Text("ecu")); err != nil {
		return nil, err
	}
	if s := p.Text("service"); s != "" {
		n, err := strconv.ParseUint(s, 16, 8)
		if err != nil || n >= 0x40 && n < 0x80 || n >= 0xC0 {
			return nil, fmt.Errorf("parameter service is %q, want the hexadecimal byte of a request, such as 22", s)
		}
		c.service = int(n)
	}
	if c.item, err = hexBytes(p, "item"); err != nil {
		return nil, err
	}
	if t.Chance != nil {
		c.rng = t.Chance("answers " + name)
	}
	return c, nil
}

// wants reports whether an answer is to be altered, and counts it.
func (c *chosen) wants(a []byte) bool {
	if len(a) == 0 || a[0] == uds.NegativeResponse && (len(a) < 3 || uds.NRC(a[2]) == uds.ResponsePending) {
		return false
	}
	service, body := int(a[0])-uds.PositiveOffset, a[1:]
	if a[0] == uds.NegativeResponse {
		service, body = int(a[1]), nil
	}
	if c.service >= 0 && service != c.service {
		return false
	}
	if len(c.item) > 0 && !strings.HasPrefix(string(body), string(c.item)) {
		return false
	}
	c.matched++
	if c.matched <= c.skip || c.count > 0 && c.touched >= c.count {
		return false
	}
	if c.share > 0 && c.share < 1 && c.rng != nil && c.rng.Float64() >= c.share {
		return false
	}
	c.touched++
	return true
}

// answerActs are what can be done to an answer. sid is the request's service.
var answerActs = map[string]func(a []byte, sid byte, p Params) ([]Late, error){
	"late":  func(a []byte, _ byte, p Params) ([]Late, error) { return []Late{{a, millis(p, "delay")}}, nil },
	"never": func([]byte, byte, Params) ([]Late, error) { return nil, nil },
	"pending": func(a []byte, sid byte, p Params) ([]Late, error) {
		n, gap := int(p.Number("times")), millis(p, "delay")
		var out []Late
		for i := range n {
			out = append(out, Late{uds.Refuse(uds.Service(sid), uds.ResponsePending), time.Duration(i) * gap})
		}
		if p.Bool("for-ever") {
			return out, nil
		}
		return append(out, Late{a, time.Duration(n) * gap}), nil
	},
	"wrong-service": func(a []byte, _ byte, _ Params) ([]Late, error) {
		return []Late{{changed(a, 0, a[0]+1), 0}}, nil
	},
	"wrong-item": func(a []byte, _ byte, _ Params) ([]Late, error) {
		if len(a) < 2 {
			return []Late{{a, 0}}, nil
		}
		return []Late{{changed(a, 1, a[1]^0x01), 0}}, nil
	},
	"cut": func(a []byte, _ byte, p Params) ([]Late, error) {
		return []Late{{a[:max(1, len(a)-int(p.Number("bytes")))], 0}}, nil
	},
	"lengthen": func(a []byte, _ byte, p Params) ([]Late, error) {
		return []Late{{append(append([]byte{}, a...), make([]byte, int(p.Number("bytes")))...), 0}}, nil
	},
	"count-lies": func(a []byte, sid byte, p Params) ([]Late, error) {
		if len(a) < 2 || sid != byte(uds.ConfirmedCodes) && sid != byte(uds.PendingCodes) && sid != byte(uds.PermanentCodes) {
			return []Late{{a, 0}}, nil
		}
		return []Late{{changed(a, 1, byte(int(a[1])+int(p.Number("more")))), 0}}, nil
	},
	"twice": func(a []byte, _ byte, p Params) ([]Late, error) {
		return []Late{{a, 0}, {a, millis(p, "delay")}}, nil
	},
}

// changed is a copy with one byte another.
func changed(a []byte, at int, b byte) []byte {
	c := append([]byte{}, a...)
	c[at] = b
	return c
}

// refuses is what is done to the request instead of its answer.
const refuses = "refuse"

// refusalOf is the negative response code of a fault that refuses.
func refusalOf(p Params) (uds.NRC, error) {
	b, err := hexBytes(p, "code")
	if err != nil || len(b) != 1 {
		return 0, fmt.Errorf("parameter code is %q, want one hexadecimal byte such as 22", p.Text("code"))
	}
	return uds.NRC(b[0]), nil
}

func (a *answersAct) check(t *Target, p Params) error {
	if a.Do == refuses {
		if _, err := refusalOf(p); err != nil {
			return err
		}
		_, err := answersOf(t, p, a.name)
		return err
	}
	act, ok := answerActs[a.Do]
	if !ok {
		return fmt.Errorf("do is %q, want %s or one of %v", a.Do, refuses, sortedKeys(answerActs))
	}
	if _, err := act([]byte{uds.ConfirmedCodes.Positive(), 0}, byte(uds.ConfirmedCodes), p); err != nil {
		return err
	}
	_, err := answersOf(t, p, a.name)
	return err
}

func (a *answersAct) free(*Target, Params) error { return nil } // the first with an opinion counts

func (a *answersAct) on(t *Target, p Params) (func(), error) {
	c, err := answersOf(t, p, a.name)
	if err != nil {
		return nil, err
	}
	act := answerActs[a.Do]
	var removes []func()
	for _, u := range c.units {
		if a.Do == refuses {
			why, err := refusalOf(p)
			if err != nil {
				return nil, err
			}
			removes = append(removes, u.Refuse(func(answer []byte) (uds.NRC, bool) { return why, c.wants(answer) }))
			continue
		}
		removes = append(removes, u.Alter(func(_ time.Duration, answer []byte) ([]Late, bool) {
			if !c.wants(answer) {
				return nil, false
			}
			sid := answer[0] - uds.PositiveOffset
			if answer[0] == uds.NegativeResponse {
				sid = answer[1]
			}
			out, err := act(answer, sid, p)
			return out, err == nil
		}))
	}
	return func() {
		for _, remove := range removes {
			remove()
		}
	}, nil
}
