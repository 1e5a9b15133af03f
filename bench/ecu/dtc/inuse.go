package dtc

import (
	"slices"
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// General conditions of 13 CCR 1968.2 (d)(4.3.2)(B): at least 600 s since the
// start of the engine, 300 s at 40 km/h or more, 30 s of idle in a row. All of it
// counts only above 20 degF and below 8000 feet (from memory), which is a pressure
// of 75.3 kPa in the standard atmosphere (ISO 2533).
const (
	generalRun    = 600 * time.Second
	generalFast   = 300 * time.Second
	generalIdle   = 30 * time.Second
	generalKmh    = 40
	generalLeastC = (20 - 32) / 1.8
	generalKPa    = 75.3
)

// The tank's monitor is asked for after a cold start in mild weather only, (D) of the
// same clause (from memory): coolant and ambient between 40 and 95 degF, the coolant
// at most 12 degF warmer, and 600 s in such weather.
const (
	mildLeastC = (40 - 32) / 1.8
	mildMostC  = (95 - 32) / 1.8
	coldMostK  = 12 / 1.8
)

// ignitionRun is how long the engine must run to count as started (13 CCR 1968.2
// (d)(5.5.2), from memory).
const ignitionRun = 2 * time.Second

// usage is what the running driving cycle has shown for the in-use counters.
type usage struct {
	// ran is all running, run that in general conditions, mild in mild weather.
	ran, run, fast, idle, mild time.Duration
	idleEnough, cold           bool
	// ignited and general are counted already; seen are the memory's changes at the
	// last look.
	ignited, general bool
	seen             uint64
}

// start notes at the start of the engine whether it is a cold one.
func (u *usage) start(v *Vehicle) {
	u.cold = isMild(v.CoolantC) && isMild(v.AmbientC) && v.CoolantC-v.AmbientC <= coldMostK
}

func isMild(c float64) bool { return c >= mildLeastC && c <= mildMostC }

// count adds a stretch of time.
func (u *usage) count(dt time.Duration, v *Vehicle) {
	if !v.Running {
		u.idle = 0
		return
	}
	u.ran += dt
	if isMild(v.AmbientC) {
		u.mild += dt
	}
	if v.AmbientC < generalLeastC || v.BaroKPa < generalKPa {
		u.idle = 0
		return
	}
	u.run += dt
	if v.Kmh >= generalKmh {
		u.fast += dt
	}
	if u.idle += dt; !v.Idle {
		u.idle = 0
	}
	u.idleEnough = u.idleEnough || u.idle >= generalIdle
}

// met reports whether the cycle has met the general conditions.
func (u *usage) met() bool { return u.run >= generalRun && u.fast >= generalFast && u.idleEnough }

// ratioCounter is one pair: how often the monitor completed, and how often the car
// was driven so that it should have.
type ratioCounter struct {
	codes                 []int
	evap                  bool
	completed, conditions uint16
	// done and due are those of this driving cycle, which counts each once.
	done, due bool
}

// bindRatios collects the codes of the in-use counters.
func (m *Memory) bindRatios() {
	m.ratios = make([]ratioCounter, len(spec.Ratios))
	for k := range m.ratios {
		m.ratios[k].evap = spec.Ratios[k] == "evap"
	}
	for i := range m.codes {
		if k := slices.Index(spec.Ratios, m.codes[i].Ratio); k >= 0 {
			m.ratios[k].codes = append(m.ratios[k].codes, i)
		}
	}
}

// countInUse counts what the running driving cycle has reached, as soon as it has:
// the law wants it within ten seconds.
func (m *Memory) countInUse() {
	c := &m.cycle
	u := &c.usage
	if !c.driven {
		return
	}
	if u.ran >= ignitionRun && !u.ignited {
		u.ignited = true
		m.life.ignitions++ // from its end to 0, as that of the general conditions
	}
	general := u.met()
	if general && !u.general {
		u.general = true
		m.life.conditions++
	}
	changed := u.seen != m.changes+1
	u.seen = m.changes + 1
	if !general && !changed {
		return
	}
	for i := range m.ratios {
		r := &m.ratios[i]
		if len(r.codes) == 0 {
			continue
		}
		if general && !r.due && (!r.evap || u.cold && u.mild >= generalRun) {
			r.due = true
			r.step(&r.conditions)
		}
		if changed && !r.done && m.completed(r.codes, uds.TestNotCompletedThisOperationCycle) {
			r.done = true
			r.step(&r.completed)
		}
	}
}

// step counts one of the pair. At the end of its range both are halved, so that the
// ratio stays what it was (13 CCR 1968.2 (d)(5.2), from memory).
func (r *ratioCounter) step(n *uint16) {
	if *n == 65535 {
		r.completed /= 2
		r.conditions /= 2
	}
	*n++
}

// appendInUse appends infotype 08: sixteen counters.
func (m *Memory) appendInUse(b []byte) []byte {
	b = append16(append16(b, m.life.conditions), m.life.ignitions)
	for i := range m.ratios {
		b = append16(append16(b, m.ratios[i].completed), m.ratios[i].conditions)
	}
	return b
}
