package unit

import (
	"bytes"
	"errors"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
)

// Transport is how a unit sends diagnostic messages: by the rules of emission
// diagnostics (ISO 15765-4), or on a bus with CAN FD in frames of up to 64 bytes at the
// higher bit rate (ISO 15765-2:2016 clause 9.5).
func Transport(a isotp.Address, fd bool) isotp.Config {
	if !fd {
		return isotp.Emission(a)
	}
	cfg := isotp.Enhanced(a)
	cfg.FD, cfg.BRS, cfg.TxDL = true, true, canbus.MaxData
	return cfg
}

// open makes the endpoints: the physical pair, and the shared identifier that
// is only listened to.
func (m *Unit) open(fd bool) error {
	a := m.spec.Addresses
	request, response := canbus.KeyOf(a.Request, a.Extended), canbus.KeyOf(a.Response, a.Extended)
	cfg := Transport(isotp.Normal(response, request), fd)
	cfg.BlockSize, cfg.STmin = m.spec.Timing.BlockSize, m.spec.Timing.STmin
	var err error
	m.physical, err = m.mux.Open(cfg, link.Handlers{
		OnMessage: func(req []byte) { m.request(false, req) },
		OnStarted: func(int) { m.server.Touch(m.loop.Now()) },
		OnSent:    m.sent,
		OnFailed: func(_ isotp.Result, receiving bool) {
			m.failures++
			if !receiving {
				m.sent()
			}
		},
	})
	if err != nil || a.Functional == nil {
		return err
	}
	shared := isotp.Functional(canbus.KeyOf(*a.Functional, a.Extended)).Reverse()
	m.shared, err = m.mux.Open(Transport(shared, fd), link.Handlers{
		OnMessage: func(req []byte) { m.request(true, req) },
	})
	return err
}

// Open adds an endpoint to the unit's port, for a gateway.
func (m *Unit) Open(cfg isotp.Config, h link.Handlers) (*link.Link, error) {
	return m.mux.Open(cfg, h)
}

// Response is the identifier of the unit's answers.
func (m *Unit) Response() canbus.Key {
	return canbus.KeyOf(m.spec.Addresses.Response, m.spec.Addresses.Extended)
}

// Demand has fn say what the unit asks of the sender of a long request, until remove is
// called. The last one counts.
func (m *Unit) Demand(fn func(usual isotp.Demand) isotp.Demand) (remove func()) {
	m.demands++
	number := m.demands
	m.physical.Demand(fn)
	return func() {
		if m.demands == number {
			m.physical.Demand(nil)
		}
	}
}

// request hands a request to the server once all that the same moment brings has come
// first: a fault that begins with this request is one of this request.
func (m *Unit) request(functional bool, req []byte) {
	req = bytes.Clone(req)
	m.loop.At(m.loop.Now(), clock.PriorityECU, func() {
		m.server.Request(m.loop.Now(), functional, req)
		m.pump(m.loop.Now())
	})
}

// sent is the end of one answer: the next may go.
func (m *Unit) sent() {
	if len(m.outbox) == 0 {
		m.server.Sent(m.loop.Now())
	}
	m.pump(m.loop.Now())
}

// pump lets the server's time pass, hands its answers to transport one after
// the other, and sets the timer.
func (m *Unit) pump(now time.Duration) {
	m.server.Tick(now)
	if !m.server.Alive(now) {
		m.silence()
		m.schedule()
		return
	}
	for {
		a, ok := m.server.NextResponse()
		if !ok {
			break
		}
		m.post(a)
	}
	for len(m.outbox) > 0 {
		err := m.physical.Send(m.outbox[0])
		if errors.Is(err, isotp.ErrBusy) {
			break
		}
		if err != nil {
			m.failures++
		}
		m.outbox = append(m.outbox[:0], m.outbox[1:]...)
	}
	m.schedule()
}

// silence drops what was being sent and received: power or reset has ended it.
func (m *Unit) silence() {
	m.outbox = m.outbox[:0]
	if !m.physical.Endpoint().Idle() {
		m.physical.Reset()
	}
}

func (m *Unit) schedule() {
	if at, ok := m.server.Deadline(); ok {
		m.timer.Set(at)
	} else {
		m.timer.Stop()
	}
}
