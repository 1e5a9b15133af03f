package ecu

import (
	"fmt"

	"sawhorse/bench/car/strict"
	"sawhorse/bench/signal"
)

// rule is a Condition bound to its reading.
type rule struct {
	ref              signal.Ref
	is, below, above *float64
	atLeast, atMost  *float64
	nrc, reason      byte
	again            bool
	// stored is a name that must be in nv; there is no reading then.
	stored string
	nv     *NV
	says   string
}

func (c *Condition) bind(t *signal.Table, nv *NV) (rule, error) {
	if c.Stored != "" {
		return rule{stored: c.Stored, nv: nv, nrc: c.NRC, reason: c.Reason, again: c.Again, says: c.Says}, nil
	}
	ref, ok := t.Lookup(c.Signal)
	if !ok {
		return rule{}, fmt.Errorf("%q is no reading of the unit", c.Signal)
	}
	return rule{ref: ref, is: c.Is, below: c.Below, above: c.Above, atLeast: c.AtLeast, atMost: c.AtMost,
		nrc: c.NRC, reason: c.Reason, again: c.Again, says: c.Says}, nil
}

func (r *rule) holds(t *signal.Table) bool {
	if r.stored != "" {
		return r.nv.has(r.stored)
	}
	v := t.Get(r.ref)
	switch {
	case r.is != nil && v != *r.is:
		return false
	case r.below != nil && v >= *r.below:
		return false
	case r.above != nil && v <= *r.above:
		return false
	case r.atLeast != nil && v < *r.atLeast:
		return false
	case r.atMost != nil && v > *r.atMost:
		return false
	}
	return true
}

// broken returns the first rule that does not hold, nil if all do.
func broken(rules []rule, t *signal.Table) *rule {
	for i := range rules {
		if !rules[i].holds(t) {
			return &rules[i]
		}
	}
	return nil
}

// binder binds a spec to its readings and collects the first error.
type binder struct {
	doc *strict.Doc
	t   *signal.Table
	nv  *NV
	err error
}

func (b *binder) fail(path string, err error) {
	switch {
	case b.err != nil:
	case b.doc == nil: // a spec that was not read from a file
		b.err = fmt.Errorf("%s: %w", path, err)
	default:
		b.err = b.doc.Errorf(path, "%v", err)
	}
}

func (b *binder) ref(path, name string) signal.Ref {
	r, ok := b.t.Lookup(name)
	if !ok {
		b.fail(path, fmt.Errorf("%q is no reading of the unit", name))
	}
	return r
}

func (b *binder) rule(path string, c *Condition) rule {
	r, err := c.bind(b.t, b.nv)
	if err != nil {
		b.fail(path+".signal", err)
	}
	return r
}

func (b *binder) rules(path string, cs []Condition) []rule {
	var rs []rule
	for i := range cs {
		rs = append(rs, b.rule(fmt.Sprintf("%s[%d]", path, i), &cs[i]))
	}
	return rs
}
