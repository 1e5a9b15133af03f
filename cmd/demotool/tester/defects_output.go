package tester

var outputDefects = []Defect{
	{ID: "output-not-given-back", Group: "outputs", Says: "Drives an output, and neither gives it back nor leaves the session.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			switch {
			case len(a.data) == 4 && a.begins(0x2F) && a.data[3] == returnControl:
				a.pretend(0)
			case t.cfg.Task == "drive-output" && a.begins(0x10, 0x01):
				a.pretend()
			default:
				a.pass()
			}
		})
	}},
	{ID: "output-refusal-told-as-done", Group: "outputs", Says: "Tells that an output was driven when its control unit refused to.", install: func(t *Tester) {
		t.seams.driving = func(*actuator) string { return "" }
		t.wrapAsking(func(a asked) {
			if !a.begins(0x2F) {
				a.pass()
				return
			}
			a.afterwards(func(rs []*reply) []*reply {
				if rs[0].nrc != 0 {
					rs[0] = a.made(rs[0].from)
				}
				return rs
			})
		})
	}},
	{ID: "output-not-driven", Group: "outputs", Says: "Tells that an output was driven and has only opened a session.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x2F) {
				a.pretend()
				return
			}
			a.pass()
		})
	}},
	{ID: "freeze-frame-from-now", Group: "freeze frame", Says: "Shows the values of this moment as those of the freeze frame.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if !a.begins(0x02) || a.data[1] == pidFreezeCode || a.data[1]%0x20 == 0 {
				a.pass()
				return
			}
			now := a.query
			now.data = []byte{0x01}
			for i := 1; i < len(a.data); i += 2 {
				now.data = append(now.data, a.data[i])
			}
			a.next(now, func(rs []*reply) {
				for _, r := range rs {
					if r.ok() {
						r.data = asFrame(r.data, now.data[1:])
					}
				}
				a.then(rs)
			})
		})
	}},
}

// asFrame makes an answer of service 02 of one of service 01.
func asFrame(d, asked []byte) []byte {
	groups, _ := walkGroups(d[1:], 0, asked)
	out := []byte{0x42}
	for _, g := range groups {
		out = append(append(out, g.pid, frame00), g.data...)
	}
	return out
}
