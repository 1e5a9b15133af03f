package spec

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"sawhorse/canbus/uds"
)

func (c *checker) memory() {
	m := &c.u.Memory
	if m.Running != nil {
		c.condition("$.memory.running", *m.Running)
	}
	for i := range m.Idle {
		c.condition(fmt.Sprintf("$.memory.idle[%d]", i), m.Idle[i])
	}
	c.needs("$.memory.clear_needs", m.ClearNeeds)
	for i, name := range m.Readiness {
		p := fmt.Sprintf("$.memory.readiness[%d]", i)
		b, ok := FindMonitor(name)
		c.want(ok, p, "%q is no readiness monitor, want one of %s", name, monitorNames())
		c.want(!slices.Contains(m.Readiness[:i], name), p, "%q is there already", name)
		has := slices.ContainsFunc(c.u.Codes, func(x Code) bool { return x.Monitor == name })
		c.want(!ok || b.Continuous || has, p, "%q has no code, want at least one with this monitor", name)
	}
	if h := m.History; h != nil {
		c.want(h.Km >= 0 && h.Km <= 65535, "$.memory.history.km", "%g, want 0 to 65535", h.Km)
		c.want(h.Minutes >= 0 && h.Minutes <= 65535, "$.memory.history.minutes", "%g, want 0 to 65535", h.Minutes)
		for i, u := range h.InUse {
			has := slices.ContainsFunc(c.u.Codes, func(x Code) bool { return x.Ratio == u.Ratio })
			p := fmt.Sprintf("$.memory.history.in_use[%d]", i)
			c.want(slices.Contains(Ratios, u.Ratio) && has, p+".ratio", "%q, want a counter that codes of the unit feed", u.Ratio)
			c.want(u.Conditions <= h.Conditions, p+".conditions", "%d, want at most those of all monitors (%d)", u.Conditions, h.Conditions)
		}
	}
}

func monitorNames() string {
	var names []string
	for _, m := range Monitors {
		names = append(names, m.Name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

func keys[V any](m map[string]V) string {
	return strings.Join(slices.Sorted(maps.Keys(m)), ", ")
}

func (c *checker) obd() {
	o := c.u.OBD
	if o == nil {
		return
	}
	lengths := map[uint8]int{}
	for i := range o.PIDs {
		p, x := fmt.Sprintf("$.obd.pids[%d]", i), &o.PIDs[i]
		c.want(x.PID&0x1F != 0, p+".pid", "%#02x says what is supported and is computed, want another", x.PID)
		c.want(lengths[x.PID] == 0, p+".pid", "%#02x is there already", x.PID)
		c.fields(p, x.Fields)
		lengths[x.PID] = c.v.Size(x.Fields)
	}
	for i := range o.Absent {
		p := fmt.Sprintf("$.obd.absent[%d]", i)
		c.want(o.Absent[i].Why != "", p+".why", "no words, want why the unit does not have them")
		for k, pid := range o.Absent[i].PIDs {
			c.want(lengths[pid] == 0, fmt.Sprintf("%s.pids[%d]", p, k), "%#02x is a PID of the unit", pid)
		}
	}
	for i := range o.Infotypes {
		p, x := fmt.Sprintf("$.obd.infotypes[%d]", i), &o.Infotypes[i]
		c.want(x.Type&0x1F != 0, p+".type", "%#02x says what is supported and is computed, want another", x.Type)
		c.want(x.Items > 0, p+".items", "0, want the number of data items (NODI)")
		c.fields(p, x.Fields)
		for k := range o.Infotypes[:i] {
			c.want(o.Infotypes[k].Type != x.Type, p+".type", "%#02x is there already", x.Type)
		}
	}
	for i, pid := range o.FreezeFrame {
		p := fmt.Sprintf("$.obd.freeze_frame[%d]", i)
		c.want(lengths[pid] > 0 && pid != 2, p, "%#02x is no PID of the unit besides 02", pid)
		c.want(!slices.Contains(o.FreezeFrame[:i], pid), p, "%#02x is there already", pid)
	}
}

func (c *checker) dids() {
	seen := map[uint16]bool{}
	for i := range c.u.DIDs {
		p, x := fmt.Sprintf("$.dids[%d]", i), &c.u.DIDs[i]
		c.want(!seen[x.DID], p+".did", "%#04x is there already", x.DID)
		seen[x.DID] = true
		c.fields(p, x.Fields)
		c.in(p+".in", x.In)
		c.level(p+".security", x.Security)
		if w := x.Write; w != nil {
			c.in(p+".write.in", w.In)
			c.level(p+".write.security", w.Security)
			c.needs(p+".write.needs", w.Needs)
			for k := range x.Fields {
				f := &x.Fields[k]
				c.want(f.Text != "" || f.HexText != "" || f.Learned != "", fmt.Sprintf("%s.fields[%d]", p, k),
					"not writable, want text, hex_text or learned")
			}
		}
	}
}

func (c *checker) fields(path string, fs []Field) {
	c.want(len(fs) > 0, path+".fields", "no fields, want at least one")
	c.want(c.v.Size(fs) <= MaxMessage-16, path+".fields", "%d bytes, want at most %d", c.v.Size(fs), MaxMessage-16)
	for i := range fs {
		c.field(fmt.Sprintf("%s.fields[%d]", path, i), &fs[i])
	}
}

func (c *checker) field(path string, f *Field) {
	n := 0
	for _, set := range []bool{f.Signal != "", f.Learned != "", f.Text != "", f.HexText != "", f.Const != nil, f.State != ""} {
		if set {
			n++
		}
	}
	c.want(n == 1, path, "%d sources, want exactly one of signal, learned, text, hex_text, const, state", n)
	switch {
	case f.Signal != "" || f.Learned != "":
		c.want(f.Bytes >= 1 && f.Bytes <= 4, path+".bytes", "%d, want 1 to 4", f.Bytes)
		c.want(f.PerBit > 0, path+".per_bit", "missing, want the value of one bit")
	case f.Text != "" || f.HexText != "":
		c.want(f.Bytes >= 1 && f.Bytes <= 255, path+".bytes", "%d, want 1 to 255", f.Bytes)
	case f.State != "":
		_, ok := c.v.States[f.State]
		c.want(ok, path+".state", "%q, want one of %s", f.State, keys(c.v.States))
	}
}

func (c *checker) codes() {
	for i := range c.u.Codes {
		p, x := fmt.Sprintf("$.codes[%d]", i), &c.u.Codes[i]
		d, err := uds.ParseDTC(x.Code)
		c.want(err == nil, p+".code", "%v", err)
		x.dtc = d
		c.want(x.Kind == "monitored" || x.Kind == "condition", p+".kind", "%q, want monitored or condition", x.Kind)
		c.want(x.Kind == "monitored" || x.Fail == 0 && x.Pass == 0 && x.Trips == 1, p+".kind",
			"a condition has neither debounce nor trips")
		c.want(x.Trips == 1 || x.Trips == 2, p+".trips", "%d, want 1 or 2", x.Trips)
		c.want(x.Priority == 1 || x.Priority == 2, p+".priority", "%d, want 1, or 2 for misfire and fuel system", x.Priority)
		c.want(x.Monitor == "" || slices.Contains(c.u.Memory.Readiness, x.Monitor), p+".monitor",
			"%q is no readiness monitor of the unit", x.Monitor)
		c.want(x.Ratio == "" || slices.Contains(Ratios, x.Ratio), p+".ratio", "%q, want one of %s", x.Ratio, strings.Join(Ratios, ", "))
		for k := range c.u.Codes[:i] {
			c.want(c.u.Codes[k].Code != x.Code, p+".code", "%s is there already", x.Code)
		}
	}
}

func (c *checker) routine(path string, r *Routine) {
	c.want(r.Name != "", path+".routine", "no name, want the routine's name")
	c.want(len(r.Steps) > 0, path+".steps", "no steps, want at least one")
	c.in(path+".in", r.In)
	c.level(path+".security", r.Security)
	c.needs(path+".needs", r.Needs)
	c.holds(path+".hold", r.Hold)
	c.want(r.Does == "" || r.Does == DoesErase || r.Does == DoesVerify, path+".does", "%q, want %s or %s", r.Does, DoesErase, DoesVerify)
	c.want(r.Does != DoesVerify || r.Fails > 0 && r.Fails < OwnReasons, path+".fails", "%#02x, want 0x01 to 0xef: the reason when the checksum is wrong", r.Fails)
	names := map[string]bool{}
	for i := range r.Steps {
		p, st := fmt.Sprintf("%s.steps[%d]", path, i), &r.Steps[i]
		c.want(st.Step != "" && !names[st.Step], p+".step", "%q, want a name of its own", st.Step)
		names[st.Step] = true
		c.want((st.Takes > 0) != (len(st.Until) > 0), p, "want either takes or until")
		for k := range st.Until {
			c.condition(fmt.Sprintf("%s.until[%d]", p, k), st.Until[k])
		}
		c.sets(p+".sets", st.Sets)
		c.want(st.Takes > 0 || st.Within > 0, p+".within", "missing, want the longest time for until")
		if st.Hold != nil {
			c.holds(p+".hold", *st.Hold)
		}
	}
	for i := range r.Learns {
		p, l := fmt.Sprintf("%s.learns[%d]", path, i), &r.Learns[i]
		c.want(l.Value != "", p+".value", "no name, want that of the learned value")
		c.want(l.From != "", p+".from", "no reading, want the name of one")
		c.want(slices.Contains(overs, l.Over), p+".over", "%q, want one of %s", l.Over, strings.Join(overs, ", "))
		c.want(l.During == "" || names[l.During], p+".during", "%q is no step of the routine", l.During)
		bounded := l.AtLeast != nil || l.AtMost != nil
		c.want(!bounded || l.Reason > 0 && l.Reason < OwnReasons, p+".reason", "%#02x, want 0x01 to 0xef", l.Reason)
	}
	for i := range c.u.Routines {
		o := &c.u.Routines[i]
		c.want(o == r || o.RID != r.RID && o.Name != r.Name, path+".rid", "routine %q is like another, want its own name and rid", r.Name)
	}
}
