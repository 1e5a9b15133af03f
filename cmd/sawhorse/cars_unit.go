package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
)

// The views of a unit are what the author of a tool must know of it, also as JSON.
type (
	sessionView struct {
		Session string   `json:"session"`
		ID      string   `json:"id"`
		From    []string `json:"from,omitempty"`
		P2      string   `json:"p2"`
		P2Star  string   `json:"p2_star"`
		Needs   []string `json:"needs,omitempty"`
	}
	lockView struct {
		Level    uint8  `json:"level"`
		Seed     string `json:"seed_sub_function"`
		Key      string `json:"key_sub_function"`
		Secret   string `json:"secret"`
		Attempts int    `json:"attempts"`
		Delay    string `json:"delay"`
	}
	itemView struct {
		ID       string   `json:"id"`
		Name     string   `json:"name"`
		Bytes    int      `json:"bytes,omitempty"`
		Sessions []string `json:"sessions,omitempty"`
		Security uint8    `json:"security_level,omitempty"`
		// Write is who may write an identifier, nil if nobody may.
		Write *writeView `json:"write,omitempty"`
		// Range is what an output can be commanded to.
		Range string   `json:"range,omitempty"`
		Needs []string `json:"needs,omitempty"`
	}
	writeView struct {
		Sessions []string `json:"sessions,omitempty"`
		Security uint8    `json:"security_level,omitempty"`
		Needs    []string `json:"needs,omitempty"`
	}
	routineView struct {
		itemView
		Steps []string `json:"steps"`
		// Results are the reasons with which it ends without having done its work.
		Results []string `json:"results,omitempty"`
		Learns  []string `json:"learns,omitempty"`
	}
	codeView struct {
		Code string `json:"code"`
		FTB  string `json:"failure_type"`
		Text string `json:"text"`
		Lamp bool   `json:"lamp"`
	}
)

// manual is all of a unit beside its services.
type manual struct {
	Sessions []sessionView `json:"session_list"`
	Locks    []lockView    `json:"locks,omitempty"`
	// PIDs are those of services 01 and 02, Infotypes those of service 09.
	PIDs      []itemView    `json:"pids,omitempty"`
	Infotypes []itemView    `json:"infotypes,omitempty"`
	DIDs      []itemView    `json:"identifiers,omitempty"`
	Outputs   []itemView    `json:"outputs,omitempty"`
	Routines  []routineView `json:"routines,omitempty"`
	Codes     []codeView    `json:"codes,omitempty"`
}

func manualOf(u *spec.Unit) manual {
	m := manual{}
	for i := range u.Sessions {
		s := &u.Sessions[i]
		m.Sessions = append(m.Sessions, sessionView{s.Session, fmt.Sprintf("%02X", s.ID), s.From,
			s.P2.Duration().String(), s.P2Star.Duration().String(), needs(s.Needs)})
	}
	for _, l := range u.Security {
		m.Locks = append(m.Locks, lockView{l.Level, fmt.Sprintf("%02X", 2*l.Level-1), fmt.Sprintf("%02X", 2*l.Level),
			fmt.Sprintf("%08X", l.Secret), l.Attempts, l.Delay.Duration().String()})
	}
	if o := u.OBD; o != nil {
		for i := range o.PIDs {
			m.PIDs = append(m.PIDs, itemView{ID: fmt.Sprintf("%02X", o.PIDs[i].PID), Name: o.PIDs[i].Name, Bytes: server.Vocabulary().Size(o.PIDs[i].Fields)})
		}
		for i := range o.Infotypes {
			m.Infotypes = append(m.Infotypes, itemView{ID: fmt.Sprintf("%02X", o.Infotypes[i].Type), Name: o.Infotypes[i].Name, Bytes: server.Vocabulary().Size(o.Infotypes[i].Fields)})
		}
	}
	for i := range u.DIDs {
		d := &u.DIDs[i]
		x := itemView{ID: fmt.Sprintf("%04X", d.DID), Name: d.Name, Bytes: server.Vocabulary().Size(d.Fields), Sessions: d.In, Security: d.Security}
		if w := d.Write; w != nil {
			x.Write = &writeView{w.In, w.Security, needs(w.Needs)}
		}
		m.DIDs = append(m.DIDs, x)
	}
	for i := range u.Outputs {
		o := &u.Outputs[i]
		m.Outputs = append(m.Outputs, itemView{ID: fmt.Sprintf("%04X", o.DID), Name: o.Title, Bytes: o.Bytes, Sessions: o.In, Security: o.Security,
			Range: fmt.Sprintf("%g to %g", o.AtLeast, o.AtMost), Needs: needs(o.Needs)})
	}
	for i := range u.Routines {
		m.Routines = append(m.Routines, routineOf(&u.Routines[i]))
	}
	for i := range u.Codes {
		c := &u.Codes[i]
		m.Codes = append(m.Codes, codeView{c.Code, fmt.Sprintf("%02X", c.FTB), c.Text, c.MIL})
	}
	return m
}

func routineOf(r *spec.Routine) routineView {
	v := routineView{itemView: itemView{ID: fmt.Sprintf("%04X", r.RID), Name: r.Name, Sessions: r.In, Security: r.Security, Needs: needs(r.Needs)}}
	ends := func(cs []spec.Condition) {
		for i := range cs {
			line := fmt.Sprintf("%02X %s", cs[i].Reason, cs[i].Says)
			if cs[i].Again {
				line = "again when " + cs[i].Says
			}
			if !slices.Contains(v.Results, line) {
				v.Results = append(v.Results, line)
			}
		}
	}
	ends(r.Hold)
	for i := range r.Steps {
		s := &r.Steps[i]
		line := s.Step
		if len(s.Until) > 0 {
			line += " until " + strings.Join(limits(s.Until), " and ") + ", at most " + s.Within.Duration().String()
		} else {
			line += " for " + s.Takes.Duration().String()
		}
		if s.Hold != nil {
			ends(*s.Hold)
		}
		v.Steps = append(v.Steps, line)
	}
	for i := range r.Learns {
		l := &r.Learns[i]
		line := fmt.Sprintf("%s: the %s of %s", l.Value, l.Over, l.From)
		if l.Reason != 0 {
			line += ", else " + fmt.Sprintf("%02X", l.Reason)
		}
		v.Learns = append(v.Learns, line)
	}
	if r.Fails != 0 {
		v.Results = append(v.Results, fmt.Sprintf("%02X the checksum is wrong", r.Fails))
	}
	slices.Sort(v.Results)
	return v
}

// needs are conditions of a request with their refusals.
func needs(cs []spec.Condition) []string {
	var list []string
	for i := range cs {
		if line := fmt.Sprintf("%02X %s", cs[i].NRC, cs[i].Says); !slices.Contains(list, line) {
			list = append(list, line)
		}
	}
	return list
}

// limits are conditions as comparisons.
func limits(cs []spec.Condition) []string {
	var list []string
	for i := range cs {
		c := &cs[i]
		if c.Stored != "" {
			list = append(list, c.Stored+" is stored")
		}
		for _, l := range []struct {
			word string
			v    *float64
		}{{"is", c.Is}, {"below", c.Below}, {"above", c.Above}, {"at least", c.AtLeast}, {"at most", c.AtMost}} {
			if l.v != nil {
				list = append(list, fmt.Sprintf("%s %s %g", c.Signal, l.word, *l.v))
			}
		}
	}
	return list
}

// access is where something can be had: sessions and lock.
func access(sessions []string, level uint8) string {
	s := "any session"
	if len(sessions) > 0 {
		s = strings.Join(sessions, ", ")
	}
	if level != 0 {
		s += fmt.Sprintf(", lock %d", level)
	}
	return s
}

// print tells the manual of a unit.
func (m *manual) print(w io.Writer, name string) {
	t := newTable(w, "  ")
	section := func(title, what string, n int) bool {
		if n > 0 {
			fmt.Fprintf(w, "\n%s of %s (%s)\n", title, name, what)
		}
		return n > 0
	}
	if section("Sessions", "entered from, P2, P2*, refused when", len(m.Sessions)) {
		for _, s := range m.Sessions {
			from := "any"
			if len(s.From) > 0 {
				from = strings.Join(s.From, ", ")
			}
			t.row(s.ID, s.Session, from, s.P2, s.P2Star, strings.Join(s.Needs, "; "))
		}
		t.flush()
	}
	if section("Locks", "service 27: seed, key, secret, attempts, delay after them", len(m.Locks)) {
		for _, l := range m.Locks {
			t.row(fmt.Sprintf("level %d", l.Level), l.Seed, l.Key, l.Secret, fmt.Sprint(l.Attempts), l.Delay)
		}
		t.flush()
	}
	for _, x := range []struct {
		title, what string
		list        []itemView
	}{{"PIDs", "services 01 and 02, bytes", m.PIDs}, {"Infotypes", "service 09, bytes", m.Infotypes}} {
		if section(x.title, x.what, len(x.list)) {
			for _, p := range x.list {
				t.row(p.ID, p.Name, fmt.Sprint(p.Bytes))
			}
			t.flush()
		}
	}
	if section("Identifiers", "service 22: bytes, read in; service 2E: written in", len(m.DIDs)) {
		for _, d := range m.DIDs {
			write := ""
			if d.Write != nil {
				write = "written in " + access(d.Write.Sessions, d.Write.Security)
				if len(d.Write.Needs) > 0 {
					write += "; refused: " + strings.Join(d.Write.Needs, "; ")
				}
			}
			t.row(d.ID, d.Name, fmt.Sprint(d.Bytes), access(d.Sessions, d.Security), write)
		}
		t.flush()
	}
	if section("Outputs", "service 2F: range, commanded in, refused when", len(m.Outputs)) {
		for _, o := range m.Outputs {
			t.row(o.ID, o.Name, o.Range, access(o.Sessions, o.Security), strings.Join(o.Needs, "; "))
		}
		t.flush()
	}
	if section("Routines", "service 31; each also ends with F0 timed out, F1 stopped, F2 session ended, F3 reset, F4 power lost", len(m.Routines)) {
		for i := range m.Routines {
			m.Routines[i].print(w)
		}
	}
	if section("Codes", "failure type; * asks for the lamp", len(m.Codes)) {
		for _, c := range m.Codes {
			lamp := ""
			if c.Lamp {
				lamp = "*"
			}
			t.row(c.Code, c.FTB, lamp, c.Text)
		}
		t.flush()
	}
}

func (r *routineView) print(w io.Writer) {
	fmt.Fprintf(w, "  %s  %s, in %s\n", r.ID, r.Name, access(r.Sessions, r.Security))
	for _, x := range []struct {
		word string
		list []string
	}{{"refused", r.Needs}, {"steps", r.Steps}, {"ends with", r.Results}, {"learns", r.Learns}} {
		if len(x.list) > 0 {
			fmt.Fprintln(w, wrap(x.word+": "+strings.Join(x.list, "; "), 96, "        "))
		}
	}
}

// keyRule is how a key comes from a seed, the same in all units.
const keyRule = `Keys of service 27: seed and key are four bytes, the highest first. With x = seed XOR secret,
four times: x = rotate-left(x * 9E3779B1 + secret, 11) XOR (x shifted right by 7), all of 32 bits;
the key is x.`

// lockedItems tells which identifiers, outputs or routines of a service need a lock of
// their own.
func lockedItems(u *spec.Unit, service uint8) string {
	by := map[uint8][]string{}
	note := func(level uint8, id uint16) {
		if level != 0 {
			by[level] = append(by[level], fmt.Sprintf("%04X", id))
		}
	}
	switch service {
	case 0x22:
		for i := range u.DIDs {
			note(u.DIDs[i].Security, u.DIDs[i].DID)
		}
	case 0x2E:
		for i := range u.DIDs {
			if w := u.DIDs[i].Write; w != nil {
				note(w.Security, u.DIDs[i].DID)
			}
		}
	case 0x2F:
		for i := range u.Outputs {
			note(u.Outputs[i].Security, u.Outputs[i].DID)
		}
	case 0x31:
		for i := range u.Routines {
			note(u.Routines[i].Security, u.Routines[i].RID)
		}
	}
	var list []string
	for level := range uint8(0x22) {
		if ids := by[level]; len(ids) > 0 {
			list = append(list, fmt.Sprintf("level %d for %s", level, strings.Join(ids, " ")))
		}
	}
	return strings.Join(list, "; ")
}
