package spec

import (
	"fmt"
	"slices"

	"sawhorse/canbus/uds"
)

// codeServices checks what services 06, 08 and 19 add to codes and monitors.
func (c *checker) codeServices() {
	m := &c.u.Memory
	for i := range m.Enable {
		p, x := fmt.Sprintf("$.memory.enable[%d]", i), &m.Enable[i]
		c.want(slices.Contains(m.Readiness, x.Monitor), p+".monitor", "%q is no readiness monitor of the unit", x.Monitor)
		c.want(len(x.When) > 0, p+".when", "no conditions, want at least one")
		for k := range x.When {
			c.condition(fmt.Sprintf("%s.when[%d]", p, k), x.When[k])
		}
		for k := range m.Enable[:i] {
			c.want(m.Enable[k].Monitor != x.Monitor, p+".monitor", "%q is there already", x.Monitor)
		}
	}
	if s := m.Similar; s != nil {
		c.want(s.RPM != "", "$.memory.similar.rpm", "no reading, want that of the engine speed")
		c.want(s.Load != "", "$.memory.similar.load", "no reading, want that of the load")
	}
	if c.u.OBD == nil {
		return
	}
	for i := range c.u.OBD.Results {
		c.result(fmt.Sprintf("$.obd.results[%d]", i), i)
	}
	for i := range c.u.OBD.Tests {
		p, x := fmt.Sprintf("$.obd.tests[%d]", i), &c.u.OBD.Tests[i]
		c.want(x.TID&0x1F != 0, p+".tid", "%#02x says what is supported and is computed, want another", x.TID)
		c.want(x.Lasts > 0, p+".lasts", "no time, want the longest time of the test")
		c.needs(p+".needs", x.Needs)
		c.holds(p+".hold", x.Hold)
		c.sets(p+".sets", x.Sets)
		for k := range c.u.OBD.Tests[:i] {
			c.want(c.u.OBD.Tests[k].TID != x.TID, p+".tid", "%#02x is there already", x.TID)
		}
	}
}

func (c *checker) result(p string, i int) {
	x := &c.u.OBD.Results[i]
	c.want(x.MID&0x1F != 0, p+".mid", "%#02x says what is supported and is computed, want another", x.MID)
	c.want(x.TID != 0, p+".tid", "0, want a test identifier")
	_, ok := uds.ScalingOf(x.UAS)
	c.want(ok, p+".uas", "%#02x is no unit and scaling this unit has", x.UAS)
	c.want((x.Signal != "") != (x.Const != nil), p+".signal", "want either a reading or const")
	all := append(slices.Clone(overs), OverCounted, OverEWMA)
	c.want(slices.Contains(all, x.Over), p+".over", "%q, want one of %s", x.Over, all)
	_, ok = c.u.Code(x.Code)
	c.want(ok, p+".code", "%q is no code of the unit", x.Code)
	if x.AtLeast != nil && x.AtMost != nil {
		c.want(*x.AtLeast <= *x.AtMost, p+".at_least", "%g is more than at_most (%g)", *x.AtLeast, *x.AtMost)
	}
	for k := range c.u.OBD.Results[:i] {
		o := &c.u.OBD.Results[k]
		c.want(o.MID != x.MID || o.TID != x.TID, p+".tid", "monitor %#02x has test %#02x already", x.MID, x.TID)
	}
}

// sets checks outputs that a routine holds; each needs its name.
func (c *checker) sets(path string, xs []Set) {
	for i := range xs {
		c.want(xs[i].Output != "", fmt.Sprintf("%s[%d].output", path, i), "no name, want that of an output")
	}
}

func (c *checker) outputs() {
	seen := map[uint16]bool{}
	for i := range c.u.Outputs {
		p, o := fmt.Sprintf("$.outputs[%d]", i), &c.u.Outputs[i]
		c.want(o.Output != "", p+".output", "no name, want the output's")
		c.want(!seen[o.DID], p+".did", "%#04x is there already", o.DID)
		seen[o.DID] = true
		c.want(o.Bytes >= 1 && o.Bytes <= 4, p+".bytes", "%d, want 1 to 4", o.Bytes)
		c.want(o.AtLeast <= o.Default && o.Default <= o.AtMost, p+".default", "%g, want %g to %g", o.Default, o.AtLeast, o.AtMost)
		c.in(p+".in", o.In)
		c.level(p+".security", o.Security)
		c.needs(p+".needs", o.Needs)
		for k := range o.Hold {
			h := fmt.Sprintf("%s.hold[%d]", p, k)
			c.condition(h, o.Hold[k])
			c.want(o.Hold[k].NRC == 0 || uds.NRC(o.Hold[k].NRC).IsCondition(), h+".nrc", "%#02x, want 0x22 or 0x81 to 0x94", o.Hold[k].NRC)
		}
	}
	p := &c.u.Timing.Periodic
	c.want(p.Fast.Duration() >= MinPeriod, "$.timing.periodic.fast", "%v, want at least %v", p.Fast.Duration(), MinPeriod)
	c.want(p.Fast <= p.Medium && p.Medium <= p.Slow, "$.timing.periodic.medium", "%v, want it between fast and slow", p.Medium.Duration())
	c.want(p.Most >= 1 && p.Most <= 32, "$.timing.periodic.most", "%d, want 1 to 32", p.Most)
}

func (c *checker) regions() {
	for i := range c.u.Regions {
		p, r := fmt.Sprintf("$.regions[%d]", i), &c.u.Regions[i]
		c.want(r.Region != "", p+".region", "no name, want the region's")
		c.want(r.Size > ChecksumBytes && r.Size <= maxRegion, p+".size", "%d bytes, want %d to %d", r.Size, ChecksumBytes+1, maxRegion)
		c.want(uint64(r.Address)+uint64(r.Size) <= 1<<32, p+".address", "%#x and its size go beyond 32 bits", r.Address)
		if r.Read != nil {
			c.in(p+".read.in", r.Read.In)
			c.level(p+".read.security", r.Read.Security)
		}
		for k := range c.u.Regions[:i] {
			o := &c.u.Regions[k]
			apart := uint64(o.Address)+uint64(o.Size) <= uint64(r.Address) || uint64(r.Address)+uint64(r.Size) <= uint64(o.Address)
			c.want(apart && o.Region != r.Region, p+".address", "region %q is like %q or overlaps it", r.Region, o.Region)
		}
	}
	g := &c.u.Programming
	c.want(g.MaxBlock >= 3 && g.MaxBlock <= MaxMessage, "$.programming.max_block", "%d, want 3 to %d", g.MaxBlock, MaxMessage)
	c.needs("$.programming.needs", g.Needs)
	for i, sid := range g.Services {
		has := slices.ContainsFunc(c.u.Services, func(x Service) bool { return x.Service == sid })
		c.want(has, fmt.Sprintf("$.programming.services[%d]", i), "%#02x is no service of the unit", sid)
	}
	for i, id := range g.DIDs {
		has := slices.ContainsFunc(c.u.DIDs, func(x DID) bool { return x.DID == id })
		c.want(has, fmt.Sprintf("$.programming.dids[%d]", i), "%#04x is no identifier of the unit", id)
	}
}
