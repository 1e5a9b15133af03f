package server

import (
	"encoding/binary"

	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus/uds"
)

// request is one request as the handler of its service sees it.
type request struct {
	// data is all of it, the service identifier first.
	data []byte
	// sub is the sub-function without the bit that suppresses the answer.
	sub byte
	// service is the unit's own row of it.
	service *bound
	// why says in words which condition did not hold.
	why string
}

// positive begins the positive answer.
func (q *request) positive() []byte {
	return append(make([]byte, 0, 16), uds.Service(q.data[0]).Positive())
}

// word is the big-endian number of two bytes at a place.
func (q *request) word(at int) uint16 { return binary.BigEndian.Uint16(q.data[at:]) }

// unmet is the refusal for the first condition that does not hold, of these and of those
// of the service: the last check before a service acts. 0 when all hold.
func (q *request) unmet(readings *signal.Table, more []spec.Bound) uds.NRC {
	for _, list := range [][]spec.Bound{more, q.service.needs} {
		if c := spec.Unmet(list, readings); c != nil {
			q.why = c.Says
			return uds.NRC(c.NRC)
		}
	}
	return 0
}

// reply is what a request comes to: an answer, a refusal, or silence, and what is done
// when the request is carried out. Until then nothing has changed, so that a request may
// be decided as often as one likes. A refusal can have effects too: a wrong key counts.
type reply struct {
	// answer is the positive answer, the service identifier first.
	answer []byte
	// refusal is 0 for a positive answer.
	refusal uds.NRC
	// why is the unit's own reason for the refusal, in words; "" for none.
	why string
	// silent is that there is neither, as emission OBD wants for what a unit does not have.
	silent bool
	// effects are done in this order, before the answer leaves.
	effects []func()
}

func answered(b []byte, effects ...func()) reply { return reply{answer: b, effects: effects} }

func refused(why uds.NRC, effects ...func()) reply { return reply{refusal: why, effects: effects} }

func silence() reply { return reply{silent: true} }

// positive reports whether the request is granted.
func (r *reply) positive() bool { return r.refusal == 0 && !r.silent }

// carryOut does what the request asks for.
func (r *reply) carryOut() {
	for _, do := range r.effects {
		do()
	}
}

func append16(b []byte, v uint16) []byte { return binary.BigEndian.AppendUint16(b, v) }

func append32(b []byte, v uint32) []byte { return binary.BigEndian.AppendUint32(b, v) }
