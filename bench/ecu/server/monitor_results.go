package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// monitorResults is service 06: one monitor, or up to six ranges of what there is.
func monitorResults() Service {
	has := func(u *spec.Unit) bool { return u.OBD != nil && len(u.OBD.Results) > 0 }
	return Service{ID: uds.MonitorResults, Name: "monitor results", Has: has, run: func(s *Server, q *request) reply {
		mids := q.data[1:]
		if len(mids) == 0 || len(mids) > 6 || mixed(mids, 1) || !uds.IsRange(mids[0]) && len(mids) > 1 {
			return silence()
		}
		b := q.positive()
		for _, mid := range mids {
			if !uds.IsRange(mid) {
				b = s.mem.AppendResults(b, mid, mid)
			} else if mask := supported(mid, s.mem.HasMonitor); mask != 0 || mid == 0 {
				b = append32(append(b, mid), mask)
			}
		}
		return unlessEmpty(b)
	}}
}
