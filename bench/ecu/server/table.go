package server

import (
	"cmp"
	"slices"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// Row is what a unit has of one service, or of those sub-functions of it that
// share their sessions and lock.
type Row struct {
	Service uint8
	Name    string
	// Subs are the sub-functions, none for a service without.
	Subs []uint8
	// In are the names of the sessions, none where it does not depend on them.
	In []string
	// Security is the level that it needs, 0 for none.
	Security uint8
}

// Table is a unit's services with their sessions and locks, in the order of their
// identifiers.
func Table(u *spec.Unit) []Row {
	var rows []Row
	for _, x := range Services() {
		i := slices.IndexFunc(u.Services, func(o spec.Service) bool { return o.Service == uint8(x.ID) })
		switch {
		case x.Has != nil && x.Has(u):
			rows = append(rows, Row{Service: uint8(x.ID), Name: x.Name})
		case i >= 0:
			rows = append(rows, rowsOf(u, &x, &u.Services[i])...)
		}
	}
	return rows
}

// rowsOf splits a service where a sub-function has sessions or a lock of its own.
func rowsOf(u *spec.Unit, kind *Service, x *spec.Service) []Row {
	whole := Row{Service: x.Service, Name: kind.Name, In: sessionsOf(u, x.In), Security: x.Security}
	if kind.Subs == nil {
		return []Row{whole}
	}
	var rows []Row
	for _, sub := range kind.Subs(u) {
		row := whole
		k := slices.IndexFunc(x.Subs, func(o spec.SubFunction) bool { return o.Sub == sub })
		if len(x.Subs) > 0 && k < 0 {
			continue
		}
		if k >= 0 {
			if len(x.Subs[k].In) > 0 {
				row.In = sessionsOf(u, x.Subs[k].In)
			}
			row.Security = cmp.Or(x.Subs[k].Security, x.Security)
		}
		if kind.ID == uds.DiagnosticSessionControl {
			from := slices.IndexFunc(u.Sessions, func(o spec.Session) bool { return o.ID == sub })
			row.In = sessionsOf(u, u.Sessions[from].From)
		}
		if n := len(rows); n > 0 && slices.Equal(rows[n-1].In, row.In) && rows[n-1].Security == row.Security {
			rows[n-1].Subs = append(rows[n-1].Subs, sub)
			continue
		}
		row.Subs = []uint8{sub}
		rows = append(rows, row)
	}
	if rows == nil {
		return []Row{whole}
	}
	return rows
}

// sessionsOf leaves out a list that names all sessions.
func sessionsOf(u *spec.Unit, in []string) []string {
	if len(in) == len(u.Sessions) {
		return nil
	}
	return in
}
