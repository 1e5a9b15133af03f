package ecu

import (
	"fmt"
	"slices"
	"strings"
)

// ServiceRow is what a unit has of one service, or of those sub-functions of it that
// share their sessions and lock.
type ServiceRow struct {
	Service uint8
	Name    string
	// Subs are the sub-functions, none for a service without.
	Subs []uint8
	// In are the names of the sessions, none where it does not depend on them.
	In []string
	// Security is the level that it needs, 0 for none.
	Security uint8
}

// serviceNames are those of ISO 14229-1 and SAE J1979.
var serviceNames = map[uint8]string{
	0x01: "current data", 0x02: "freeze frame", 0x03: "confirmed codes", 0x04: "clear", 0x06: "monitor results", 0x07: "pending codes",
	0x08: "control of a test", 0x09: "vehicle information", 0x0A: "permanent codes",
	0x10: "session control", 0x11: "reset", 0x14: "clear codes", 0x19: "read codes", 0x22: "read data", 0x23: "read memory",
	0x24: "read scaling", 0x27: "security access", 0x28: "communication control", 0x2A: "periodic data", 0x2C: "define data",
	0x2E: "write data", 0x2F: "control outputs", 0x31: "routines", 0x34: "request download", 0x36: "transfer data",
	0x37: "end of transfer", 0x3E: "tester present", 0x85: "code setting",
}

// Table is the unit's services with their sessions and locks, in the order of their
// identifiers.
func (s *Spec) Table() []ServiceRow {
	var rows []ServiceRow
	if o := s.OBD; o != nil {
		for sid := uint8(1); sid <= lastOBD; sid++ {
			has := serviceNames[sid] != "" && (sid != 6 || len(o.Results) > 0) && (sid != 8 || len(o.Tests) > 0)
			if has {
				rows = append(rows, ServiceRow{Service: sid, Name: serviceNames[sid]})
			}
		}
	}
	for i := range s.Services {
		rows = append(rows, s.rowsOf(&s.Services[i])...)
	}
	slices.SortStableFunc(rows, func(a, b ServiceRow) int { return int(a.Service) - int(b.Service) })
	return rows
}

// rowsOf splits a service where a sub-function has sessions or a lock of its own.
func (s *Spec) rowsOf(x *serviceSpec) []ServiceRow {
	whole := ServiceRow{Service: x.Service, Name: serviceNames[x.Service], In: s.sessionsOf(x.In), Security: x.Security}
	var rows []ServiceRow
	for _, sub := range s.subsOf(x.Service) {
		row := whole
		k := slices.IndexFunc(x.Subs, func(o subSpec) bool { return o.Sub == sub })
		if len(x.Subs) > 0 && k < 0 {
			continue
		}
		if k >= 0 {
			if len(x.Subs[k].In) > 0 {
				row.In = s.sessionsOf(x.Subs[k].In)
			}
			row.Security = or(x.Subs[k].Security, x.Security)
		}
		if x.Service == 0x10 {
			from := slices.IndexFunc(s.Sessions, func(o sessionSpec) bool { return o.ID == sub })
			row.In = s.sessionsOf(s.Sessions[from].From)
		}
		if n := len(rows); n > 0 && slices.Equal(rows[n-1].In, row.In) && rows[n-1].Security == row.Security {
			rows[n-1].Subs = append(rows[n-1].Subs, sub)
			continue
		}
		row.Subs = []uint8{sub}
		rows = append(rows, row)
	}
	if rows == nil {
		rows = []ServiceRow{whole}
	}
	return rows
}

// sessionsOf leaves out a list that names all sessions.
func (s *Spec) sessionsOf(in []string) []string {
	if len(in) == len(s.Sessions) {
		return nil
	}
	return in
}

// AbsentPIDs tells the PIDs of SAE J1979 that the unit does not have, and why, one
// line a reason.
func (s *Spec) AbsentPIDs() []string {
	if s.OBD == nil {
		return nil
	}
	var lines []string
	for _, a := range s.OBD.Absent {
		var ids []string
		for _, pid := range a.PIDs {
			ids = append(ids, fmt.Sprintf("%02X", pid))
		}
		lines = append(lines, strings.Join(ids, " ")+": "+a.Why)
	}
	return lines
}
