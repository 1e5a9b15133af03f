package report

import (
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/task"
)

func (c *comparison) codes() {
	var said []string
	for _, x := range c.r.List(c.name) {
		code, _, _ := strings.Cut(x, "-")
		if !slices.Contains(said, code) {
			said = append(said, code)
		}
	}
	for _, code := range said {
		is := func(i item) bool { return i.text == code }
		if slices.ContainsFunc(c.h.may[c.name], is) {
			c.t.right++
		} else {
			c.positive("code " + code)
		}
	}
	for i := range c.r.Units {
		u := &c.r.Units[i]
		var codes []string
		for _, x := range map[string][]string{"stored": u.Stored, "pending": u.Pending, "permanent": u.Permanent}[c.name] {
			code, _, _ := strings.Cut(x, "-") // the failure type is behind it
			codes = append(codes, code)
		}
		c.placed(u, codes, c.h.may[c.name], "code")
	}
	var missed []string
	for _, i := range c.h.must[c.name] {
		if !slices.Contains(said, i.text) && !slices.Contains(missed, i.text) {
			missed = append(missed, i.text)
			c.negative("code "+i.text, i.by)
		}
	}
	if !c.said {
		return
	}
	c.silent(said)
	// That there is none is an entry, too.
	switch {
	case len(said) > 0 || len(missed) > 0 || c.r.Lost().Has(c.field):
	case c.h.answered[c.name]:
		c.t.right++
	case !c.set.asked[c.name] && len(c.h.may[c.name]) == 0:
		c.positive("that there are no " + c.name + " codes (nobody was asked)")
	}
}

// silent looks for control units that were asked and never answered: what is in them is
// not known, and who tells of the others as if that were all says more than anybody knows.
// Where the tool tells of each control unit, only those that it calls empty count.
func (c *comparison) silent(said []string) {
	for _, u := range c.h.units {
		if !c.h.hearing.quiet(c.name, u.unit) {
			continue
		}
		state := task.Empty
		if c.r.NotKnown().Has(c.field) {
			state = task.Unknown
		}
		for i := range c.r.Units {
			if x := &c.r.Units[i]; x.Address != "" && x.Address == c.set.opt.Requests[u.unit] {
				state = x.States.Of(c.field)
			}
		}
		if state == task.Empty {
			c.positive(fmt.Sprintf("that there are no %scodes in %s (it never answered)", map[bool]string{true: "other "}[len(said) > 0]+c.name+" ", unitText(&u)), u.by)
		}
	}
}
