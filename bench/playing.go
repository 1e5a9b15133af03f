package bench

import (
	"sawhorse/canbus"
	"sawhorse/canbus/replay"
)

// Play plays a recording on the first bus from the loop's present moment, as a node
// of its own whose frames faults can alter. What the stand-in car sends itself, or is
// asked on, is left out.
func (b *Bench) Play(src replay.Source, opt replay.Options) (*replay.Replay, error) {
	if opt.Late == nil {
		opt.Late = b.Metrics.Lateness
	}
	opt.Skip = append(opt.Skip, b.ownIdentifiers()...)
	r, err := replay.New(b.Loop, []canbus.Bus{b.Bus}, src, opt)
	if err != nil {
		return nil, err
	}
	r.Start(b.Loop.Now())
	return r, nil
}

// ownIdentifiers are those that the stand-in car sends itself, and those it is asked on.
func (b *Bench) ownIdentifiers() []replay.Match {
	var ms []replay.Match
	for _, a := range b.addresses {
		ms = append(ms, replay.ID(a.request), replay.ID(a.response))
	}
	for _, u := range b.units {
		for _, key := range u.module.Sends() {
			ms = append(ms, replay.ID(key))
		}
		if a := u.module.Spec().Addresses; a.Functional != nil {
			ms = append(ms, replay.ID(canbus.KeyOf(*a.Functional, a.Extended)))
		}
	}
	return ms
}
