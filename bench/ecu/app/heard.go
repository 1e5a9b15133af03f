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
	reading                   signal.Ref

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

func (p partner) as(reading signal.Ref) partner {
	p.reading = reading
	return p
}

// busOffCode is that of a controller which is off the bus (SAE J2012).
const busOffCode = "U0073"

// ears is what an ECU hears of the others, and what it makes of it.
type ears struct {
	table    *signal.Table
	off      signal.Ref
	offShown signal.Ref
	partners []partner
	busOff   monitor
}

// newEars makes the table of what is heard: bus_off, the flags of each partner, and the
// values of the names, in this order. Nothing is trusted yet, nobody is lost.
func newEars(codes Codes, busOff signal.Ref, partners []partner, values ...signal.Info) ears {
	e := ears{table: &signal.Table{}, offShown: busOff, partners: partners}
	e.off = e.table.Define("bus_off", "bool", "the ECU's controller is off the bus")
	for i := range e.partners {
		p := &e.partners[i]
		p.lost = e.table.Define(p.name+"_lost", "bool", "no messages of the "+p.name+" ECU")
		p.wrong = e.table.Define(p.name+"_wrong", "bool", "wrong data from the "+p.name+" ECU")
		p.isLost, p.sendsWrong = newMonitor(codes, p.lostCode), newMonitor(codes, p.wrongCode)
	}
	for _, v := range values {
		e.table.Trust(e.table.Define(v.Name, v.Unit, v.Text), false)
	}
	e.busOff = newMonitor(codes, busOffCode)
	return e
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

// Heard is what the program hears of other ECUs: whoever carries their messages fills
// it in.
func (e *Engine) Heard() *signal.Table { return e.ears.table }

// Heard is described at the engine ECU's program.
func (b *Brake) Heard() *signal.Table { return b.ears.table }

// Heard is described at the engine ECU's program.
func (b *Body) Heard() *signal.Table { return b.ears.table }

// Heard is described at the engine ECU's program.
func (g *Gearbox) Heard() *signal.Table { return g.ears.table }

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
		engine, brake, body := e.Readings.Is(e.at.Powered) && !e.boot, b.Readings.Is(b.at.Powered), y.Readings.Is(y.at.Powered)
		lost(engine, "engine", &b.ears, &y.ears)
		lost(brake, "brake", &e.ears, &y.ears)
		lost(body, "body", &e.ears, &b.ears)
		carry(&e.ears, "vehicle_kmh", b.Readings, b.at.Vehicle, brake)
		carry(&e.ears, "key_code", y.Readings, y.at.AcceptedCode, body)
		carry(&b.ears, "engine_rpm", e.Readings, e.at.RPM, engine)
		carry(&b.ears, "pedal_pct", e.Readings, e.at.Pedal, engine)
		carry(&y.ears, "pedal_pct", e.Readings, e.at.Pedal, engine)
		carry(&y.ears, "engine_locked", e.Readings, e.at.SecurityLamp, engine)
		if g == nil {
			return
		}
		box := g.Readings.Is(g.at.Powered)
		lost(engine, "engine", &g.ears)
		lost(brake, "brake", &g.ears)
		lost(box, "gearbox", &e.ears)
		carry(&g.ears, "engine_rpm", e.Readings, e.at.RPM, engine)
		carry(&g.ears, "pedal_pct", e.Readings, e.at.Pedal, engine)
		carry(&g.ears, "engine_running", e.Readings, e.at.Running, engine)
		carry(&g.ears, "vehicle_kmh", b.Readings, b.at.Vehicle, brake)
		carry(&e.ears, "selector", g.Readings, g.at.Selector, box)
		carry(&e.ears, "gearbox_gear", g.Readings, g.at.Gear, box)
		carry(&e.ears, "gearbox_lamp", g.Readings, g.at.Lamp, box)
	}
}
