package app

import (
	"time"

	"sawhorse/bench/signal"
)

// lostS is how long after key on an ECU waits for the others to wake before it
// misses them, lostFromV the supply below which it does not judge (common practice).
const (
	lostS     = 1.5
	lostFromV = 9
)

// partner is another ECU that a program listens to: NAME_lost and NAME_wrong of what
// it hears, with its codes of SAE J2012 and the reading that tells of its silence.
type partner struct {
	name, lostCode, wrongCode string

	reading            signal.Ref
	lost, wrong        signal.Ref
	isLost, sendsWrong monitor
}

// The codes of partners: no messages, and wrong data.
var (
	engineLost = partner{name: "engine", lostCode: "U0100", wrongCode: "U0401"}
	brakeLost  = partner{name: "brake", lostCode: "U0121", wrongCode: "U0415"}
	bodyLost   = partner{name: "body", lostCode: "U0140", wrongCode: "U0422"}
	boxLost    = partner{name: "gearbox", lostCode: "U0101", wrongCode: "U0402"}
)

// busOffCode is that of a controller which is off the bus (SAE J2012).
const busOffCode = "U0073"

// ears is what an ECU hears of the others, and what it makes of it.
type ears struct {
	table    *signal.Table
	off      signal.Ref
	offShown signal.Ref
	partners []partner
	values   []string // names of what is heard
	busOff   monitor
}

// newEars makes the table of what is heard, with bus_off and nobody to listen to yet.
func newEars(codes Codes, busOff signal.Ref) ears {
	e := ears{table: &signal.Table{}, offShown: busOff, busOff: newMonitor(codes, busOffCode)}
	e.off = e.table.Define("bus_off", "bool", "the ECU's controller is off the bus")
	return e
}

// listensTo adds partners: the flags NAME_lost and NAME_wrong of what is heard, the codes
// that they lead to, and the reading lost_NAME.
func (b *base) listensTo(partners ...partner) {
	e := &b.ears
	for _, p := range partners {
		p.lost = e.table.Define(p.name+"_lost", "bool", "no messages of the "+p.name+" ECU")
		p.wrong = e.table.Define(p.name+"_wrong", "bool", "wrong data from the "+p.name+" ECU")
		p.reading = b.readings.Define("lost_"+p.name, "bool", "no messages of the "+p.name+" ECU")
		p.isLost, p.sendsWrong = newMonitor(b.codes, p.lostCode), newMonitor(b.codes, p.wrongCode)
		e.partners = append(e.partners, p)
	}
}

// hears adds a value that comes from others. It is not trusted yet.
func (b *base) hears(name, unit, text string) signal.Ref {
	r := b.ears.table.Define(name, unit, text)
	b.ears.table.Trust(r, false)
	b.ears.values = append(b.ears.values, name)
	return r
}

// names lists the partners.
func (e *ears) names() []string {
	var list []string
	for i := range e.partners {
		list = append(list, e.partners[i].name)
	}
	return list
}

// ref is the place of a value.
func (e *ears) ref(name string) signal.Ref {
	r, ok := e.table.Lookup(name)
	if !ok {
		panic("app: nothing is heard by the name " + name)
	}
	return r
}

// value is what was heard last; the substitute while it is not trusted.
func (e *ears) value(r signal.Ref, substitute float64) (v float64, trusted bool) {
	if !e.table.Trusted(r) {
		return substitute, false
	}
	return e.table.Get(r), true
}

// judge tests the codes of the network, and shows who is lost. Without a bus of its own
// an ECU knows nothing of the others.
func (e *ears) judge(now time.Duration, r *signal.Table, upS, volts float64) {
	off := e.table.Is(e.off)
	r.SetBool(e.offShown, off)
	for i := range e.partners {
		p := &e.partners[i]
		r.SetBool(p.reading, upS > lostS && e.table.Is(p.lost))
	}
	if upS < lostS || volts < lostFromV {
		return
	}
	e.busOff.test(now, off)
	if off {
		return
	}
	for i := range e.partners {
		p := &e.partners[i]
		lost := e.table.Is(p.lost)
		p.isLost.test(now, lost)
		if !lost {
			p.sendsWrong.test(now, e.table.Is(p.wrong))
		}
	}
}

// rest is an ECU that does not judge: it shows nothing.
func (e *ears) rest(r *signal.Table) {
	r.SetBool(e.offShown, false)
	for i := range e.partners {
		r.SetBool(e.partners[i].reading, false)
	}
}

// Line joins the programs of a car as if every message arrived at once, for a car
// without a network; g is nil for a manual gearbox. Call what it returns after every
// step of the programs.
func Line(e *Engine, b *Brake, y *Body, g *Gearbox) func() {
	carry := func(to *ears, name string, from *signal.Table, ref signal.Ref, alive bool) {
		r := to.ref(name)
		to.table.Trust(r, alive)
		if alive {
			to.table.Set(r, from.Get(ref))
		}
	}
	lost := func(alive bool, name string, ears ...*ears) {
		for _, x := range ears {
			x.table.SetBool(x.ref(name+"_lost"), !alive)
		}
	}
	return func() {
		engine, brake, body := e.readings.Is(e.common.Powered) && !e.boot, b.readings.Is(b.common.Powered), y.readings.Is(y.common.Powered)
		lost(engine, "engine", &b.ears, &y.ears)
		lost(brake, "brake", &e.ears, &y.ears)
		lost(body, "body", &e.ears, &b.ears)
		carry(&e.ears, "vehicle_kmh", b.readings, b.at.Vehicle, brake)
		carry(&e.ears, "key_code", y.readings, y.at.AcceptedCode, body)
		carry(&b.ears, "engine_rpm", e.readings, e.at.RPM, engine)
		carry(&b.ears, "pedal_pct", e.readings, e.at.Pedal, engine)
		carry(&y.ears, "pedal_pct", e.readings, e.at.Pedal, engine)
		carry(&y.ears, "engine_locked", e.readings, e.at.SecurityLamp, engine)
		if g == nil {
			return
		}
		box := g.readings.Is(g.common.Powered)
		lost(engine, "engine", &g.ears)
		lost(brake, "brake", &g.ears)
		lost(box, "gearbox", &e.ears)
		carry(&g.ears, "engine_rpm", e.readings, e.at.RPM, engine)
		carry(&g.ears, "pedal_pct", e.readings, e.at.Pedal, engine)
		carry(&g.ears, "engine_running", e.readings, e.at.Running, engine)
		carry(&g.ears, "vehicle_kmh", b.readings, b.at.Vehicle, brake)
		carry(&e.ears, "selector", g.readings, g.at.Selector, box)
		carry(&e.ears, "gearbox_gear", g.readings, g.at.Gear, box)
		carry(&e.ears, "gearbox_lamp", g.readings, g.at.Lamp, box)
	}
}
