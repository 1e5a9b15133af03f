package tester

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"time"

	"sawhorse/canbus"
)

// secrets are what the maker of the stand-in cars gives a workshop for security
// level 1 of its control units, by the identifier that a unit listens to.
var secrets = map[canbus.Key]uint32{
	canbus.KeyOf(0x7E0, false): 0x48E0C0DE,
	canbus.KeyOf(0x7E1, false): 0x48B2A4E5,
	canbus.KeyOf(0x7A0, false): 0x48B0D7A1,

	canbus.KeyOf(request29|0x10<<8, true):      0x18E04B71,
	canbus.KeyOf(request29|gearbox29<<8, true): 0x18C7E05A,
	canbus.KeyOf(request29|brake29<<8, true):   0x18B22F93,
	canbus.KeyOf(request29|body29<<8, true):    0x18B0913C,
}

// Limits of security access: a wrong key is not tried again, as every unit locks
// after a few; a delay that runs is waited for.
const (
	accessGap  = time.Second
	accessWait = 30 * time.Second
)

// securityKey answers a seed: the stand-in car's own mixing of four bytes.
func securityKey(secret uint32, seed []byte) []byte {
	x := binary.BigEndian.Uint32(seed) ^ secret
	for range 4 {
		x = bits.RotateLeft32(x*0x9E3779B1+secret, 11) ^ x>>7
	}
	return binary.BigEndian.AppendUint32(nil, x)
}

// unlock opens a level of security (ISO 14229-1, service 27: the odd
// sub-function asks for the seed, the even one above sends the key; a seed of
// zeros says that the level is open already). done gets nil, or the reply that
// refused.
func (t *Tester) unlock(p *peer, level byte, done func(refused *reply)) {
	a := &unlocking{t: t, p: p, level: level, until: t.l.now + accessWait, done: done}
	a.askSeed()
}

// unlocking is a security access under way.
type unlocking struct {
	t     *Tester
	p     *peer
	level byte
	until time.Duration // for a delay that runs
	tries int
	done  func(refused *reply)
}

func (a *unlocking) askSeed() {
	sub := 2*a.level - 1
	a.t.ask(query{to: a.p, data: []byte{0x27, sub}, echo: []byte{sub}, expect: []*peer{a.p}}, func(rs []*reply) {
		switch r := rs[0]; {
		case !r.ok() && r.nrc == nrcDelay && a.t.l.now < a.until:
			a.t.say("the control unit takes no key yet; waiting")
			a.t.pause(accessGap, a.askSeed)
		case !r.ok():
			a.done(r)
		case len(r.data) != 6:
			a.done(&reply{from: a.p, fail: fmt.Sprintf("seed of %d bytes, expected 4", len(r.data)-2)})
		case binary.BigEndian.Uint32(r.data[2:]) == 0:
			a.done(nil)
		default:
			a.sendKey(r.data[2:])
		}
	})
}

// sendKey answers the seed once: a seed serves once, so after silence another is
// asked for, which is one of zeros if the key has arrived.
func (a *unlocking) sendKey(seed []byte) {
	secret, ok := secrets[a.p.tx]
	if !ok {
		a.done(&reply{from: a.p, fail: "no security data for this control unit"})
		return
	}
	sub := 2 * a.level
	data := append([]byte{0x27, sub}, securityKey(secret, seed)...)
	a.tries++
	a.t.ask(query{to: a.p, data: data, echo: []byte{sub}, expect: []*peer{a.p}, soft: true}, func(rs []*reply) {
		switch r := rs[0]; {
		case r.ok():
			a.t.say("security access granted")
			a.done(nil)
		case r.fail != "" && a.tries < a.t.l.pace.tries:
			a.askSeed()
		default:
			a.done(r)
		}
	})
}
