package spec

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus"
)

func (u *Unit) check(v *Vocabulary) error {
	c := &checker{u: u, v: v}
	c.want(u.Name != "", "$.ecu", "no name, want the key ecu with the unit's short name")
	c.addresses()
	c.network()
	c.timing()
	c.sessions()
	c.services()
	c.condition("$.power.powered", u.Power.Powered)
	c.condition("$.power.cycle", u.Power.Cycle)
	c.memory()
	c.obd()
	c.dids()
	c.codes()
	c.codeServices()
	c.outputs()
	c.regions()
	for i := range u.Routines {
		c.routine(fmt.Sprintf("$.routines[%d]", i), &u.Routines[i])
	}
	return c.err
}

func (c *checker) addresses() {
	a := c.u.Addresses
	limit := canbus.MaxStandardID
	if a.Extended {
		limit = canbus.MaxExtendedID
	}
	c.want(a.Request > 0 && a.Request <= limit, "$.addresses.request", "%#x, want an identifier up to %X", uint32(a.Request), uint32(limit))
	c.want(a.Response > 0 && a.Response <= limit, "$.addresses.response", "%#x, want an identifier up to %X", uint32(a.Response), uint32(limit))
	c.want(a.Request != a.Response, "$.addresses.response", "same as the request, want another identifier")
	if f := a.Functional; f != nil {
		c.want(*f > 0 && *f <= limit && *f != a.Request && *f != a.Response, "$.addresses.functional",
			"%#x, want an identifier up to %X of its own", uint32(*f), uint32(limit))
	}
}

func (c *checker) network() {
	n := &c.u.Network
	for i := range n.Awake {
		c.condition(fmt.Sprintf("$.network.awake[%d]", i), n.Awake[i])
	}
	c.want(n.Linger == 0 || len(n.Awake) > 0, "$.network.linger", "%v without a condition in awake", n.Linger.Duration())
	for i := range n.Hears {
		p, h := fmt.Sprintf("$.network.hears[%d]", i), &n.Hears[i]
		c.want(h.Message != "", p+".message", "missing, want the name of a message in the .dbc file")
		c.want(h.From != "", p+".from", "missing, want the unit that sends it")
		c.want(h.Timeout == 0 || h.Timeout.Duration() >= 10*time.Millisecond, p+".timeout", "%v, want at least 10ms", h.Timeout.Duration())
		for k := range n.Hears[:i] {
			c.want(n.Hears[k].Message != h.Message, p+".message", "%s is there already", h.Message)
		}
	}
	c.want(n.Node != "" || len(n.Awake) == 0 && len(n.Hears) == 0, "$.network.node", "missing, want the unit's name in the .dbc file")
}

func (c *checker) timing() {
	t := &c.u.Timing
	c.want(t.Least <= t.Most, "$.timing.least", "%v is more than most (%v)", t.Least.Duration(), t.Most.Duration())
	c.want(t.S3.Duration() >= 100*time.Millisecond, "$.timing.s3", "%v, want at least 100ms", t.S3.Duration())
}

func (c *checker) sessions() {
	ss := c.u.Sessions
	c.want(len(ss) > 0 && len(ss) <= 32, "$.sessions", "%d sessions, want 1 to 32 with the default session first", len(ss))
	if len(ss) == 0 {
		return
	}
	c.want(ss[0].ID == 1, "$.sessions[0].id", "%#x, want 0x01: the first session is the default session", ss[0].ID)
	for i := range ss {
		p, x := fmt.Sprintf("$.sessions[%d]", i), &ss[i]
		c.want(x.Session != "", p+".session", "no name, want the session's name")
		c.want(x.ID > 0 && x.ID < 0x7F, p+".id", "%#x, want 0x01 to 0x7e", x.ID)
		c.want(x.P2.Duration() >= time.Millisecond && x.P2.Duration() <= 65*time.Second, p+".p2", "%v, want 1ms to 65s", x.P2.Duration())
		c.want(c.u.Timing.Most < x.P2, p+".p2", "%v, want more than timing.most (%v)", x.P2.Duration(), c.u.Timing.Most.Duration())
		c.want(x.P2Star.Duration() >= 10*time.Millisecond && x.P2Star.Duration() <= 655*time.Second, p+".p2_star", "%v, want 10ms to 655s", x.P2Star.Duration())
		for k := range ss[:i] {
			c.want(ss[k].ID != x.ID && ss[k].Session != x.Session, p+".id", "session %q is like an earlier one, want its own name and id", x.Session)
		}
		c.in(p+".from", x.From)
		c.needs(p+".needs", x.Needs)
	}
}

func (c *checker) services() {
	for i := range c.u.Security {
		p, x := fmt.Sprintf("$.security[%d]", i), &c.u.Security[i]
		c.want(x.Level >= 1 && x.Level <= 0x21, p+".level", "%d, want 1 to 33 (sub-functions 01 to 42)", x.Level)
		c.want(x.Secret != 0, p+".secret", "0, want a number of 32 bits")
		c.want(x.Attempts > 0 && x.Attempts < 256, p+".attempts", "%d, want 1 to 255", x.Attempts)
		for k := range c.u.Security[:i] {
			c.want(c.u.Security[k].Level != x.Level, p+".level", "level %d is there already", x.Level)
		}
	}
	seen := map[uint8]bool{}
	for i := range c.u.Services {
		p, x := fmt.Sprintf("$.services[%d]", i), &c.u.Services[i]
		kind := c.v.service(x.Service)
		c.want(kind != nil, p+".service", "%#02x is no service this server has, want one of %s", x.Service, fmt.Sprintf("% X", c.v.ids()))
		c.want(!seen[x.Service], p+".service", "%#02x is there already", x.Service)
		seen[x.Service] = true
		c.in(p+".in", x.In)
		c.want(kind == nil || !kind.Session || !c.inDefault(x.In), p+".in", "%#02x in the default session, want in with others only (ISO 14229-1 table 23)", x.Service)
		c.level(p+".security", x.Security)
		c.needs(p+".needs", x.Needs)
		all := c.v.subs(c.u, x.Service)
		for k := range x.Subs {
			sp, sub := fmt.Sprintf("%s.subs[%d]", p, k), &x.Subs[k]
			c.want(slices.Contains(all, sub.Sub), sp+".sub", "%#02x is no sub-function of service %#02x here, want one of % X", sub.Sub, x.Service, all)
			c.in(sp+".in", sub.In)
			c.level(sp+".security", sub.Security)
		}
	}
	for i := range c.u.Slow {
		p, x := fmt.Sprintf("$.slow[%d]", i), &c.u.Slow[i]
		c.want(slices.Contains(c.v.Slow, x.Service), p+".service", "%#02x, want one of % X", x.Service, c.v.Slow)
		c.want(x.Takes > 0, p+".takes", "no time, want how long the work takes")
	}
}
