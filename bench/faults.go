package bench

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/api"
	ecu "sawhorse/bench/ecu/unit"
	"sawhorse/bench/fault"
	"sawhorse/bench/judge"
	"sawhorse/bench/nearest"
	"sawhorse/canbus"
)

// faultBoard switches faults on and off, whoever asks, and keeps count.
type faultBoard struct {
	bench   *Bench
	target  fault.Target
	handles []*faultHandle
}

// faultHandle is one fault: a scenario may have the same fault of the catalogue twice,
// with different parameters.
type faultHandle struct {
	board *faultBoard
	fault *fault.Fault
	// scripted stays when a hand switches faults of its name off: a script may switch
	// it on again.
	scripted bool
}

func newFaultBoard(b *Bench) *faultBoard {
	f := &faultBoard{bench: b}
	f.target = fault.Target{Network: b.network, DBC: b.networks.load, Chance: b.seed.For}
	if b.Car == nil {
		return f
	}
	f.target.Car, f.target.Units = b.Car, b.answering
	f.target.NV = func(name string) (fault.Memory, bool) {
		u, ok := b.unit(name)
		if !ok {
			return nil, false
		}
		return u.module.NV(), true
	}
	if b.cable != nil {
		f.target.Cable, f.target.Copper = b.cable, copper{b.cable.wire}
		f.target.ECUCable = b.cutOff
	}
	return f
}

// entry finds a fault of the catalogue that this bench can have: where no car of ours
// is, those that frames can have. The error wraps api.ErrUnknown.
func (b *faultBoard) entry(id string) (*fault.Entry, error) {
	var known []string
	for _, e := range fault.Catalogue() {
		if b.bench.Car == nil && !e.OnFrames() {
			continue
		}
		if e.ID == id {
			return e, nil
		}
		known = append(known, e.ID)
	}
	if b.bench.Car != nil {
		return nil, fmt.Errorf("fault %q: %w%s", id, api.ErrUnknown, nearest.Question(id, known))
	}
	return nil, fmt.Errorf("fault %q: %w where no car of ours is; want %s", id, api.ErrUnknown, strings.Join(known, ", "))
}

// add prepares a fault. The error is a usage error: an unknown fault, a wrong
// parameter, or something that this bench cannot do.
func (b *faultBoard) add(id string, params map[string]any) (*faultHandle, error) {
	if b.bench.Car == nil {
		if _, err := b.entry(id); err != nil {
			return nil, err
		}
	}
	f, err := fault.New(id, params)
	if err != nil {
		return nil, err
	}
	if err := f.Check(&b.target); err != nil {
		return nil, err
	}
	h := &faultHandle{board: b, fault: f}
	b.handles = append(b.handles, h)
	return h, nil
}

// retire switches the faults of a name off, all but one, and forgets those that no
// script has.
func (b *faultBoard) retire(id string, but *faultHandle) error {
	other := func(h *faultHandle) bool { return h != but && h.fault.Entry().ID == id }
	for _, h := range b.handles {
		if other(h) {
			if err := h.set(false); err != nil {
				return err
			}
		}
	}
	b.handles = slices.DeleteFunc(b.handles, func(h *faultHandle) bool { return other(h) && !h.scripted })
	return nil
}

// is reports whether a fault that this bench has had is of a kind.
func (b *faultBoard) is(kind func(*fault.Fault) bool) func(id string) bool {
	return func(id string) bool {
		return slices.ContainsFunc(b.handles, func(h *faultHandle) bool { return h.fault.Entry().ID == id && kind(h.fault) })
	}
}

// states are the faults that this bench can have, and which are on.
func (b *faultBoard) states() []api.FaultState {
	var list []api.FaultState
	for _, e := range fault.Catalogue() {
		if b.bench.Car == nil && !e.OnFrames() {
			continue
		}
		s := api.FaultState{ID: e.ID, Title: e.Title}
		for _, h := range b.handles {
			if h.fault.Entry() == e && h.fault.Active() {
				s.On, s.Params = true, h.fault.Params()
			}
		}
		list = append(list, s)
	}
	return list
}

// set switches the fault and lets everybody know.
func (h *faultHandle) set(on bool) error {
	if h.fault.Active() == on {
		return nil
	}
	b := h.board.bench
	kind := judge.FaultOn
	if on {
		if err := h.fault.On(&h.board.target); err != nil {
			return err
		}
	} else {
		kind = judge.FaultOff
		h.fault.Off()
	}
	active := 0
	for _, x := range h.board.handles {
		if x.fault.Active() {
			active++
		}
	}
	b.Metrics.Faults(active)
	o := b.Saw(kind)
	o.Fault = h.fault.Entry().ID
	if h.fault.Misleads(b.asking()) {
		o.Status = judge.Misleads
	}
	b.Observe(&o)
	return nil
}

// answering finds ECUs for faults of their answers (fault.Target).
func (b *Bench) answering(name string) ([]fault.Unit, error) {
	var list []fault.Unit
	for _, u := range b.units {
		if name == "" || u.module.Name() == name {
			list = append(list, alteredUnit{u.module})
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("ECU %q: want %s", name, strings.Join(b.unitNames(), ", "))
	}
	return list, nil
}

// alteredUnit is an ECU whose answers faults alter (fault.Unit).
type alteredUnit struct{ *ecu.Unit }

// Alter implements fault.Unit.
func (u alteredUnit) Alter(fn func(now time.Duration, answer []byte) ([]fault.Late, bool)) func() {
	return u.AlterAnswers(func(now time.Duration, answer []byte) ([]ecu.Answer, bool) {
		late, ok := fn(now, answer)
		var out []ecu.Answer
		for _, l := range late {
			out = append(out, ecu.Answer{Data: l.Data, Wait: l.Wait})
		}
		return out, ok
	})
}

// asking are the identifiers on which a tool speaks to the car.
func (b *Bench) asking() []canbus.Key {
	keys := []canbus.Key{canbus.KeyOf(0x7DF, false), canbus.KeyOf(0x18DB33F1, true)} // ISO 15765-4:2011 clause 8
	for _, a := range b.addresses {
		keys = append(keys, a.request)
	}
	return keys
}
