package report

import (
	"fmt"
	"slices"
	"strings"
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

// printable reports a vehicle's number as it must be: letters and digits.
func printable(vin string) bool {
	return strings.Trim(vin, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") == ""
}
