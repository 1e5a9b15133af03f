package tool

// Reads are the things that an entry's output mapping can tell at all, whatever
// a given output has: what it cannot tell is no omission of the tool.
type Reads struct {
	VIN, ECUs, Stored, Pending, Permanent, Lamp, Learn, Readiness, Live bool
}

// Reads tells what the entry's output mapping can tell.
func (e *Entry) Reads() Reads {
	var r Reads
	if m := e.output.json; m != nil {
		r.VIN, r.ECUs, r.Learn = m.vin != nil, m.ecus != nil, m.learn != nil
		r.group(&m.group)
		if m.ecus != nil {
			r.VIN = r.VIN || m.ecus.vin != nil
			r.group(&m.ecus.group)
		}
	}
	for i := range e.output.lines {
		r.line(&e.output.lines[i])
	}
	return r
}

func (r *Reads) group(g *group) {
	r.Stored = r.Stored || g.stored != nil
	r.Pending = r.Pending || g.pending != nil
	r.Permanent = r.Permanent || g.permanent != nil
	r.Lamp = r.Lamp || g.mil != nil
	r.Readiness = r.Readiness || g.readiness != nil
	r.Live = r.Live || len(g.live) > 0
}

// line adds what the named groups of a rule and its empty lists tell.
func (r *Reads) line(l *lineRule) {
	for group, field := range map[string]*bool{
		"vin": &r.VIN, "ecu": &r.ECUs, "stored": &r.Stored, "pending": &r.Pending, "permanent": &r.Permanent,
		"mil": &r.Lamp, "outcome": &r.Learn, "monitor": &r.Readiness, "value": &r.Live,
	} {
		if l.match.SubexpIndex(group) >= 0 {
			*field = true
		}
	}
	for _, name := range l.empty {
		switch name {
		case "ecus":
			r.ECUs = true
		case "stored":
			r.Stored = true
		case "pending":
			r.Pending = true
		case "permanent":
			r.Permanent = true
		case "readiness":
			r.Readiness = true
		case "live":
			r.Live = true
		}
	}
}
