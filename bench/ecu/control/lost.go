package control

import (
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// lostS is how long after key on an ECU waits for the others to wake.
const lostS = 1.5

// lostECUs is which other ECUs an ECU no longer hears. Whoever carries the
// periodic messages tells it through Lose; as long as nobody does, it follows
// what the ECUs exchange within the car.
type lostECUs struct {
	mon   monitors
	names [2]string
	refs  [2]signal.Ref
	told  [2]bool // by the network
	lost  [2]bool
}

func (l *lostECUs) init(codes Codes, first signal.Ref, a, codeA, b, codeB string) {
	l.names, l.refs = [2]string{a, b}, [2]signal.Ref{first, first + 1}
	l.mon = newMonitors(codes, []string{codeA, codeB})
}

func (l *lostECUs) lose(name string, lost bool) {
	for i, n := range l.names {
		if n == name {
			l.told[i], l.lost[i] = true, lost
		}
	}
}

// listen finds who is silent, where the network does not tell.
func (l *lostECUs) listen(r *signal.Table, self string, c *car.Car, upS float64) {
	x := &c.Exchange
	for i, n := range l.names {
		if !l.told[i] {
			alive := n == "brake" && x.BrakeECU || n == "body" && x.BodyECU || n == "engine" && x.EngineECU
			l.lost[i] = upS > lostS && (!alive || c.Muted(self))
		}
		r.SetBool(l.refs[i], l.lost[i])
	}
}

func (l *lostECUs) report(now time.Duration, r *signal.Table, upS, volts float64) {
	if upS < lostS || volts < supplyLowV {
		return
	}
	for i := range l.names {
		l.mon.test(i, now, r.Is(l.refs[i]))
	}
}

// test is listen and report for the engine ECU.
func (l *lostECUs) test(now time.Duration, e *Engine) {
	l.listen(e.Readings, "engine", e.car, e.upS)
	l.report(now, e.Readings, e.upS, e.in.batteryV)
}

// Lose tells the program whether it hears another ECU's messages: brake or body.
func (e *Engine) Lose(ecu string, lost bool) { e.lost.lose(ecu, lost) }

// Lose tells the program whether it hears another ECU's messages: engine or body.
func (b *Brake) Lose(ecu string, lost bool) { b.lost.lose(ecu, lost) }

// Lose tells the program whether it hears another ECU's messages: engine or brake.
func (b *Body) Lose(ecu string, lost bool) { b.lost.lose(ecu, lost) }
