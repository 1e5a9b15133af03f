package report

import (
	"maps"
	"slices"

	"sawhorse/bench/judge"
)

func (c *comparison) lamp() {
	on := false
	// any order: whether any is on
	for _, x := range c.h.lamp {
		on = on || x
	}
	switch {
	case len(c.h.lamp) == 0:
		if c.said && c.r.Lamp && !c.set.status {
			c.positive("the lamp on (nobody was asked)")
		}
	case !c.said && on, c.said && on && !c.r.Lamp:
		c.negative("the lamp on", c.h.lampBy)
	case !c.said:
	case !on && c.r.Lamp:
		c.positive("the lamp on", c.h.lampBy)
	default:
		c.t.right++
	}
}

func (c *comparison) readiness() {
	facts := c.h.joined()
	if len(c.h.lamp) == 0 && c.set.status {
		return // it may be known from a task before
	}
	for _, m := range facts {
		i := slices.IndexFunc(c.r.Readiness, func(r judge.Readiness) bool { return r.Monitor == m.name })
		state := ""
		if i >= 0 {
			state = c.r.Readiness[i].State
		}
		switch {
		case state == "complete" && !m.complete:
			c.positive("monitor "+m.name+" complete", m.by)
		case state == "complete" || state == "incomplete" && !m.complete:
			c.t.right++
		case m.complete:
			c.negative("monitor "+m.name+" complete", m.by)
		default:
			c.negative("monitor "+m.name+" incomplete", m.by)
		}
	}
	for _, r := range c.r.Readiness {
		// any order: whether it is among them
		known := slices.Contains(slices.Collect(maps.Values(monitorNames)), r.Monitor)
		if known && r.State != "unsupported" && !slices.ContainsFunc(facts, func(m monitor) bool { return m.name == r.Monitor }) {
			c.positive("monitor " + r.Monitor)
		}
	}
}
