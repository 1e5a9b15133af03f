package dbc_test

import (
	"fmt"
	"strings"

	"sawhorse/dbc"
)

// dump writes all that a network holds, one line for each thing.
func dump(n *dbc.Network) string {
	var b strings.Builder
	for _, w := range n.Warnings {
		fmt.Fprintf(&b, "warning %d:%d: %s\n", w.Line, w.Column, w.What)
	}
	fmt.Fprintf(&b, "network version %q", n.Version)
	if n.Comment != "" {
		fmt.Fprintf(&b, " comment %q", n.Comment)
	}
	b.WriteString("\nnodes")
	for _, d := range n.Nodes {
		b.WriteString(" " + d.Name)
	}
	b.WriteString("\n")
	for _, m := range n.Messages {
		fmt.Fprintf(&b, "message %s %s %d bytes", m.Key, m.Name, m.Length)
		if m.FD {
			b.WriteString(" FD")
		}
		fmt.Fprintf(&b, " from %q", m.Senders)
		if m.CycleTime > 0 {
			fmt.Fprintf(&b, " every %s", m.CycleTime)
		}
		if m.Comment != "" {
			fmt.Fprintf(&b, " comment %q", m.Comment)
		}
		b.WriteString("\n")
		for _, s := range m.Signals {
			b.WriteString("  " + dumpSignal(s) + "\n")
		}
	}
	return b.String()
}

func dumpSignal(s *dbc.Signal) string {
	order := "little"
	if s.BigEndian {
		order = "big"
	}
	t := fmt.Sprintf("%s bit %d, %d bits %s-endian %s, factor %g offset %g, %g to %g %q to %q",
		s.Name, s.Start, s.Length, order, s.Encoding, s.Factor, s.Offset, s.Min, s.Max, s.Unit, s.Receivers)
	if s.Switch {
		t += ", switch"
	}
	if s.Under != nil {
		t += fmt.Sprintf(", if %s is in %d", s.Under.Name, s.Selectors)
	}
	for _, v := range s.Values {
		t += fmt.Sprintf(", %d %q", v.Raw, v.Text)
	}
	if s.Counter != nil {
		t += fmt.Sprintf(", counter modulo %d", s.Counter.Modulus)
	}
	if c := s.Checksum; c != nil {
		t += fmt.Sprintf(", checksum %s id %t data id %X", c.Kind, c.ID, c.DataID)
	}
	if s.Comment != "" {
		t += fmt.Sprintf(", comment %q", s.Comment)
	}
	return t
}

// writeMessage writes a message in the format.
func writeMessage(m *dbc.Message) string {
	var b strings.Builder
	fmt.Fprintf(&b, "BO_ %d %s: %d A\n", uint32(m.Key), m.Name, m.Length)
	floats := ""
	for _, s := range m.Signals {
		order, sign := "1", "+"
		if s.BigEndian {
			order = "0"
		}
		if s.Encoding != dbc.Unsigned {
			sign = "-"
		}
		if s.Encoding >= dbc.Float32 {
			floats += fmt.Sprintf("SIG_VALTYPE_ %d %s : %d;\n", uint32(m.Key), s.Name, s.Encoding-1)
		}
		fmt.Fprintf(&b, " SG_ %s : %d|%d@%s%s (%v,%v) [0|0] \"%s\" B\n", s.Name, s.Start, s.Length, order, sign, s.Factor, s.Offset, s.Unit)
	}
	return b.String() + floats
}
