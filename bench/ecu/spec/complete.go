package spec

import "time"

// complete fills in what the file may leave out.
func (u *Unit) complete() {
	t := &u.Timing
	for _, d := range []struct {
		at *Span
		v  time.Duration
	}{
		{&t.Least, 2 * time.Millisecond}, {&t.Most, 8 * time.Millisecond},
		{&t.Boot, 300 * time.Millisecond}, {&t.S3, 5 * time.Second},
	} {
		if *d.at == 0 {
			*d.at = Span(d.v)
		}
	}
	for i := range u.Sessions {
		x := &u.Sessions[i]
		if x.P2 == 0 {
			x.P2 = Span(50 * time.Millisecond)
		}
		if x.P2Star == 0 {
			x.P2Star = Span(5 * time.Second)
		}
	}
	for i := range u.Codes {
		c := &u.Codes[i]
		c.Kind = or(c.Kind, "monitored")
		c.Trips = or(c.Trips, 1)
		c.Priority = or(c.Priority, 1)
		c.Severity = or(c.Severity, usualSeverity(c))
	}
	for i := range u.Security {
		u.Security[i].Attempts = or(u.Security[i].Attempts, 3)
		if u.Security[i].Delay == 0 {
			u.Security[i].Delay = Span(10 * time.Second)
		}
	}
	u.completeServices()
	for i := range u.Routines {
		for k := range u.Routines[i].Learns {
			l := &u.Routines[i].Learns[k]
			l.Over = or(l.Over, "last")
		}
	}
}

func or[T comparable](v, otherwise T) T {
	var zero T
	if v == zero {
		return otherwise
	}
	return v
}

// Usual severities (bits 7 to 5 of ISO 14229-1 annex D.3, class in bits 4 to 0 as
// in UN global technical regulation 5): chosen.
const (
	severityLamp    = 0x44 // check at the next halt, class B1
	severityNoLamp  = 0x30 // maintenance only, class C
	severityOutside = 0x21 // maintenance only, no class
)

func usualSeverity(c *Code) uint8 {
	switch {
	case !c.Emission:
		return severityOutside
	case c.MIL:
		return severityLamp
	}
	return severityNoLamp
}

// completeServices fills in what the data of services may leave out.
func (u *Unit) completeServices() {
	p := &u.Timing.Periodic
	for _, d := range []struct {
		at *Span
		v  time.Duration
	}{{&p.Slow, time.Second}, {&p.Medium, 250 * time.Millisecond}, {&p.Fast, 50 * time.Millisecond}} {
		if *d.at == 0 {
			*d.at = Span(d.v)
		}
	}
	p.Most = or(p.Most, 6)
	u.Programming.MaxBlock = or(u.Programming.MaxBlock, 0x102)
	for i := range u.Outputs {
		o := &u.Outputs[i]
		o.Bytes, o.PerBit = or(o.Bytes, 1), or(o.PerBit, 1)
		if o.AtMost == 0 && o.AtLeast == 0 {
			o.AtMost = 1
		}
	}
	if u.OBD == nil {
		return
	}
	for i := range u.OBD.Results {
		r := &u.OBD.Results[i]
		r.Over = or(r.Over, "last")
	}
}
