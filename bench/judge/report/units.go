package report

import (
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/judge"
)

func (c *comparison) ecus() {
	if !c.said {
		for _, u := range c.h.units {
			c.negative(unitText(&u), u.by)
		}
		return
	}
	told := slices.DeleteFunc(slices.Clone(c.r.Addresses), func(a string) bool { return a == "" })
	if len(told) != len(c.r.ECUs) { // names are the tool's own, so only their number counts
		n := len(c.h.units) - len(c.r.ECUs)
		c.t.right += min(len(c.h.units), len(c.r.ECUs))
		for i := range max(n, -n) {
			if n > 0 {
				c.negative(fmt.Sprintf("control unit %d of %d", i+1+len(c.r.ECUs), len(c.h.units)))
			} else {
				c.positive(fmt.Sprintf("control unit %d of %d", i+1+len(c.h.units), len(c.r.ECUs)))
			}
		}
		return
	}
	for _, u := range c.h.units {
		i := slices.Index(told, c.set.opt.Requests[u.unit])
		if i < 0 {
			c.negative(unitText(&u), u.by)
			continue
		}
		c.t.right++
		told = slices.Delete(told, i, i+1)
	}
	for _, a := range told {
		c.positive("control unit " + a)
	}
}

func unitText(u *item) string { return strings.TrimSpace(fmt.Sprintf("%s %03X", u.text, u.unit)) }

func (c *comparison) vin() {
	for i := range c.r.Units {
		c.vinOf(&c.r.Units[i])
	}
	good := func(i item) bool { return i.text == c.r.VIN }
	switch {
	case c.said && slices.ContainsFunc(c.set.known, good):
		c.t.right++
	case c.said && len(c.set.known) > 0:
		last := c.set.known[len(c.set.known)-1]
		c.positive(fmt.Sprintf("number %q", c.r.VIN), last.by)
		c.negative(fmt.Sprintf("number %q", last.text), last.by)
	case c.said:
		c.positive(fmt.Sprintf("number %q", c.r.VIN))
	default:
		for _, i := range c.h.vins {
			if printable(i.text) {
				c.negative(fmt.Sprintf("number %q", i.text), i.by)
				return
			}
		}
	}
}

// vinOf compares the number that is said of one control unit with what this one has
// answered, if it has.
func (c *comparison) vinOf(u *judge.Unit) {
	if u.Address == "" || u.VIN == "" {
		return
	}
	var last *item
	for i := range c.set.known {
		if x := &c.set.known[i]; c.set.opt.Requests[x.unit] == u.Address {
			if x.text == u.VIN {
				return
			}
			last = x
		}
	}
	if last != nil {
		c.positive(fmt.Sprintf("number %q of %s (answered was %q)", u.VIN, u.Address, last.text), last.by)
	}
}

// printable reports a vehicle's number as it must be: letters and digits.
func printable(vin string) bool {
	return strings.Trim(vin, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") == ""
}

// placed looks at what is said of one control unit: what another one has answered, and
// this one has not, is true and in the wrong place. What nobody has answered is told of
// the whole car.
func (c *comparison) placed(u *judge.Unit, said []string, answered []item, what string) {
	if u.Address == "" {
		return
	}
	for _, text := range said {
		here := func(i item) bool { return i.text == text && c.set.opt.Requests[i.unit] == u.Address }
		is := func(i item) bool { return i.text == text }
		if i := slices.IndexFunc(answered, is); i >= 0 && !slices.ContainsFunc(answered, here) {
			c.positive(fmt.Sprintf("%s %s of %s (it is of %s)", what, text, u.Address, c.set.opt.Requests[answered[i].unit]), answered[i].by)
		}
	}
}
