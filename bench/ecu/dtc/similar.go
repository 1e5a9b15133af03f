package dtc

import "sawhorse/canbus/uds"

// Similar conditions of 13 CCR 1968.2 for misfire and fuel system codes: speed
// within 375 rev/min, load within 20 %, the same warm-up state. A fault that was
// not met again in similar conditions is forgotten after 80 driving cycles.
const (
	similarRPM     = 375
	similarLoadPct = 20
	dissimilarMost = 80
)

// moment is what the conditions of two failures are compared by.
type moment struct {
	rpm, loadPct float64
	warm         bool
}

func momentOf(v *Vehicle) moment {
	return moment{rpm: v.RPM, loadPct: v.LoadPct, warm: v.CoolantC >= warmUpC}
}

func (a moment) similar(b moment) bool {
	near := func(x, y, most float64) bool { return x-y <= most && y-x <= most }
	return near(a.rpm, b.rpm, similarRPM) && near(a.loadPct, b.loadPct, similarLoadPct) && a.warm == b.warm
}

// likeness is how one code stands with the conditions of its failure.
type likeness struct {
	at  moment
	set bool
	// met is whether this cycle had conditions like them, without how many driving
	// cycles in a row had not.
	met     bool
	without uint8
}

// recallsConditions reports whether the code is judged in similar conditions only:
// priority 2 is misfire and fuel system.
func (m *Memory) recallsConditions(i int) bool { return m.similar && m.codes[i].Priority == 2 }

// compare notes for every code that waits for it whether the car is in conditions
// like those of its failure.
func (m *Memory) compare(v *Vehicle) {
	m.at = momentOf(v)
	if !v.Running || m.unlike == m.changes+1 {
		return
	}
	waits := false
	for _, i := range m.likes {
		if l := &m.recs[i].like; l.set && !l.met {
			l.met = l.at.similar(m.at)
			waits = waits || !l.met
		}
	}
	if !waits {
		m.unlike = m.changes + 1
	}
}

// dissimilar reports at the end of a driving cycle without failure whether the
// cycle proves nothing, as the conditions of the failure were not met. After 80
// such cycles a pending code has no case any more.
func (m *Memory) dissimilar(i int) bool {
	r := &m.recs[i]
	l := &r.like
	if !m.recallsConditions(i) || !l.set {
		return false
	}
	if l.met {
		l.without = 0
		return false
	}
	if l.without < dissimilarMost {
		l.without++
	}
	if l.without == dissimilarMost && r.status&uds.PendingDTC != 0 {
		r.status &^= uds.PendingDTC
		r.trips = 0
		if r.status&uds.ConfirmedDTC == 0 {
			l.set = false
			m.dropFrame(i)
		}
		m.changes++
	}
	return true
}
