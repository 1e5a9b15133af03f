package tester

import (
	"slices"

	"sawhorse/canbus"
)

var orderDefects = []Defect{
	{ID: "clears-before-reading", Group: "ordering", Says: "Clears codes and freeze frames before it has read them.", install: func(t *Tester) {
		t.seams.clearing = func() []step {
			return []step{t.clearOBD, t.clearUDS, t.readiness, t.codes, t.freezeFrames}
		}
	}},
	{ID: "check-clears", Group: "ordering", Says: "Clears the codes at the end of a health check, so that the next customer has a clean car.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if t.cfg.Task != "health-check" || !a.begins(0x0A) {
				a.pass()
				return
			}
			a.next(a.query, func(rs []*reply) { t.clearOBD(func() { a.then(rs) }) })
		})
	}},
	{ID: "unsupported-asked", Group: "ordering", Says: "Asks for identifiers that the control unit has said it does not have.", install: func(t *Tester) {
		t.seams.supported = func(base byte, mask []byte) []byte {
			return supported(base, []byte{0xFF, 0xFF, 0xFF, 0xFE | mask[3]&1})
		}
	}},
	{ID: "support-not-asked", Group: "ordering", Says: "Does not ask which identifiers there are (PID 00), but takes those of a usual car for given.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if !a.begins(0x01, 0x00) {
				a.pass()
				return
			}
			a.data, a.echo = []byte{0x01, pidMonitors}, []byte{pidMonitors}
			a.afterwards(func(rs []*reply) []*reply {
				for _, r := range rs {
					if r.ok() {
						r.data = []byte{0x41, 0x00, 0xBE, 0x1F, 0xA8, 0x13}
					}
				}
				return rs
			})
		})
	}},
}

var severalDefects = []Defect{
	{ID: "first-answer-only", Group: "several control units", Says: "Keeps only the first answer to a functional request.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			a.afterwards(func(rs []*reply) []*reply {
				if a.to == nil {
					rs = rs[:min(1, len(rs))]
				}
				return rs
			})
		})
	}},
	{ID: "one-buffer-for-all", Group: "several control units", Says: "Puts the segments of all control units into one message, the one that began last.", install: func(t *Tester) {
		var owner canbus.Frame
		next := map[canbus.Key]byte{}
		t.seams.arriving = func(f *canbus.Frame) {
			switch {
			case f.Len == 0 || !fromUnit(f):
				return
			case part(f) == partFirst:
				owner = *f
			case part(f) == partConsecutive:
				f.ID = owner.ID
			}
			renumber(next, f)
		}
	}},
	{ID: "unit-counted-twice", Group: "several control units", Says: "Lists a control unit again that answers to everybody and to its own identifier.", install: func(t *Tester) {
		t.seams.telling = func(d *Document) {
			for _, e := range d.ECUs {
				if e.Protocol == protocolName(true) {
					d.ECUs = append(d.ECUs, e)
				}
			}
		}
	}},
	{ID: "refusals-not-heard", Group: "several control units", Says: "Takes a negative response for silence.", install: func(t *Tester) {
		t.wrapHearing(func(_ *exchange, _ *peer, m []byte, pass func([]byte)) {
			if !negative(m) {
				pass(m)
			}
		})
	}},
	{ID: "engine-only", Group: "several control units", Says: "Sends requests for everybody to the engine control unit alone.", install: func(t *Tester) {
		t.seams.leaving = func(f *canbus.Frame) bool {
			if f.ID == functional11 {
				f.ID = request11
			}
			return true
		}
	}},
	{ID: "one-refusal-for-all", Group: "several control units", Says: "Gives up the answers of all control units when one of them refuses.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			a.afterwards(func(rs []*reply) []*reply {
				i := slices.IndexFunc(rs, func(r *reply) bool { return r.nrc != 0 })
				if a.to != nil || i < 0 {
					return rs
				}
				for _, r := range rs {
					r.data, r.nrc = nil, rs[i].nrc
				}
				return rs
			})
		})
	}},
}

var refusalDefects = []Defect{
	{ID: "refusal-taken-for-answer", Group: "negative responses", Says: "Takes a negative response for an answer that holds nothing.", install: func(t *Tester) {
		t.wrapHearing(func(e *exchange, _ *peer, m []byte, pass func([]byte)) {
			if negative(m) && m[1] == e.q.data[0] {
				m = append([]byte{e.q.data[0] + 0x40}, e.q.data[1:]...)
				if len(m) == 1 {
					m = append(m, 0)
				}
			}
			pass(m)
		})
	}},
	{ID: "busy-gives-up", Group: "negative responses", Says: "Gives up at once when a control unit is busy (21).", install: func(t *Tester) { t.l.pace.busy = 0 }},
	{ID: "refused-hammered", Group: "negative responses", Says: "Repeats a request that was refused (22) again and again without a pause.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) { hammer(a, 40) })
	}},
}

// hammer repeats a request that is refused because of a condition.
func hammer(a asked, times int) {
	a.next(a.query, func(rs []*reply) {
		if times > 0 && slices.ContainsFunc(rs, func(r *reply) bool { return r.nrc == nrcConditions }) {
			hammer(a, times-1)
			return
		}
		a.then(rs)
	})
}

var clearingDefects = []Defect{
	{ID: "not-read-again", Group: "clearing", Says: "Tells that there are no codes after a clear without reading again.", install: func(t *Tester) {
		t.seams.clearing = func() []step {
			forget := func(next func()) {
				for _, p := range t.present() {
					p.ecu.Codes = Codes{Stored: []Code{}, Pending: []Code{}, Permanent: []Code{}}
				}
				next()
			}
			return []step{t.codes, t.freezeFrames, t.keepBefore, t.clearOBD, t.clearUDS, forget}
		}
	}},
	{ID: "clears-with-engine-running", Group: "clearing", Says: "Does not look whether the engine runs before it clears.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if t.cfg.Task == "clear-codes" && a.begins(0x01, pidEngineSpeed) {
				a.then(nil)
				return
			}
			a.pass()
		})
	}},
	{ID: "refused-clear-told-as-done", Group: "clearing", Says: "Tells that codes were cleared when the control unit refused to.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if !a.begins(0x04) && !a.begins(0x14) {
				a.pass()
				return
			}
			a.afterwards(func(rs []*reply) []*reply {
				for i, r := range rs {
					if r.nrc != 0 {
						rs[i] = a.made(r.from)
					}
				}
				return rs
			})
		})
	}},
	{ID: "clears-some-only", Group: "clearing", Says: "Clears the control units of emission OBD and forgets the others.", install: func(t *Tester) {
		t.seams.clearing = func() []step {
			return []step{t.codes, t.freezeFrames, t.keepBefore, t.clearOBD, t.readiness, t.codes, t.freezeFrames}
		}
	}},
	{ID: "clear-pretended", Group: "clearing", Says: "Tells that codes were cleared and has asked nobody.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x04) || a.begins(0x14) {
				a.pretend()
				return
			}
			a.pass()
		})
	}},
}

var sessionDefects = []Defect{
	{ID: "session-not-opened", Group: "sessions", Says: "Starts a routine without opening the extended session.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x10, 0x03) {
				a.pretend(0, 50, 1, 0xF4)
				return
			}
			a.pass()
		})
	}},
	{ID: "session-left-open", Group: "sessions", Says: "Ends its task and leaves the extended session open.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x10, 0x01) {
				a.pretend()
				return
			}
			a.pass()
		})
	}},
	{ID: "answer-suppressed", Group: "sessions", Says: "Sets the bit that suppresses the positive answer where it needs that answer.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x31) {
				a.data = slices.Clone(a.data)
				a.data[1] |= 0x80
			}
			a.pass()
		})
	}},
}

var learnDefects = []Defect{
	{ID: "conditions-unchecked", Group: "learn procedure", Says: "Starts a learn routine without a look at engine, speed and supply.", install: func(t *Tester) {
		t.seams.checking = func(*learning) string { return "" }
		t.wrapAsking(func(a asked) {
			if t.cfg.Task == "learn" && a.begins(0x01, pidCoolant) || a.begins(0x01, pidEngineSpeed) {
				a.then(nil)
				return
			}
			a.pass()
		})
	}},
	{ID: "results-not-asked", Group: "learn procedure", Says: "Takes a routine that has started for one that has finished.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x31, 0x03) {
				a.pretend(learnFinished)
				return
			}
			a.pass()
		})
	}},
	{ID: "refused-learn-told-as-done", Group: "learn procedure", Says: "Tells that a position was learned when the start of the routine was refused.", install: func(t *Tester) {
		refused := false
		t.wrapAsking(func(a asked) {
			switch {
			case a.begins(0x31, 0x01):
				a.afterwards(func(rs []*reply) []*reply {
					if refused = rs[0].nrc != 0; refused {
						rs[0] = a.made(rs[0].from)
					}
					return rs
				})
			case refused && a.begins(0x31, 0x03):
				a.pretend(learnFinished)
			default:
				a.pass()
			}
		})
	}},
	{ID: "abort-not-noticed", Group: "learn procedure", Says: "Takes a routine that broke off for one that has finished.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			a.afterwards(func(rs []*reply) []*reply {
				if a.begins(0x31, 0x03) && rs[0].ok() && len(rs[0].data) > 4 && rs[0].data[4] == learnAborted {
					rs[0].data[4] = learnFinished
				}
				return rs
			})
		})
	}},
	{ID: "learn-impatient", Group: "learn procedure", Says: "Gives up when the person has not fulfilled the conditions yet.", install: func(t *Tester) { t.cfg.Patience = 0 }},
}

var givingUpDefects = []Defect{
	{ID: "never-gives-up", Group: "giving up", Says: "Asks for ever after the car has fallen silent.", install: func(t *Tester) {
		t.cfg.Limit, t.l.lostWait = ages, ages
	}},
	{ID: "gives-up-at-first-loss", Group: "giving up", Says: "Gives up when a single answer is lost.", install: func(t *Tester) {
		t.l.pace.tries, t.l.lostWait = 1, 0
		t.wrapAsking(func(a asked) {
			a.next(a.query, func(rs []*reply) {
				if !a.soft && slices.ContainsFunc(rs, func(r *reply) bool { return r.fail != "" }) {
					t.lost()
					return
				}
				a.then(rs)
			})
		})
	}},
}
