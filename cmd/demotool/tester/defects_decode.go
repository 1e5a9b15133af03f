package tester

import (
	"fmt"
	"slices"
	"strings"
)

var decodingDefects = []Defect{
	{ID: "letter-always-p", Group: "decoding", Says: "Writes every code with the letter P, whatever its two highest bits are.", install: func(t *Tester) {
		t.wrapCodes(func(codes []Code) []Code {
			for i := range codes {
				codes[i].Code = "P" + codes[i].Code[1:]
			}
			return codes
		})
	}},
	{ID: "code-bytes-swapped", Group: "decoding", Says: "Takes the two bytes of a code in the wrong order.", install: func(t *Tester) {
		obd, uds := t.seams.obdCodes, t.seams.udsCodes
		t.seams.obdCodes = func(d []byte) ([]Code, error) { return obd(pairsSwapped(d, 1, 2)) }
		t.seams.udsCodes = func(d []byte) ([]Code, []Code, error) { return uds(pairsSwapped(d, 0, 4)) }
	}},
	{ID: "temperature-offset-lost", Group: "decoding", Says: "Forgets the offset of 40 degrees of temperatures.", install: func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if v.Unit == "degC" && len(g.data) == 1 {
				v.Value += 40
			}
		})
	}},
	{ID: "temperature-signed", Group: "decoding", Says: "Takes the byte of a temperature for a signed one, so that what is warm becomes very cold.", install: func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if v.Unit == "degC" && len(g.data) == 1 {
				v.Value = float64(int8(g.data[0])) - 40
			}
		})
	}},
	{ID: "code-count-trusted", Group: "decoding", Says: "Believes the number of codes in an answer, and makes up those that are not there.", install: func(t *Tester) {
		t.seams.obdCodes = func(d []byte) ([]Code, error) {
			codes := []Code{}
			if len(d) == 0 {
				return codes, nil
			}
			room := make([]byte, 2*int(d[0]))
			copy(room, d[1:])
			for pair := range slices.Chunk(room, 2) {
				codes = append(codes, Code{Code: codeText(pair[0], pair[1])})
			}
			return codes, nil
		}
	}},
	{ID: "frame-number-omitted", Group: "decoding", Says: "Asks for freeze frames without the number of the frame.", install: func(t *Tester) {
		t.wrapAsking(func(a asked) {
			if a.begins(0x02) {
				data := []byte{0x02}
				for i := 1; i < len(a.data); i += 2 {
					data = append(data, a.data[i])
				}
				a.data = data
			}
			a.pass()
		})
	}},
	{ID: "vin-shifted", Group: "decoding", Says: "Reads the identification number one byte late and loses its first character.", install: func(t *Tester) {
		next := t.seams.info
		t.seams.info = func(e *ECU, it byte, d []byte) error {
			if it != infoVIN || len(d) < 2 {
				return next(e, it, d)
			}
			e.VIN = text(d[2:])
			return nil
		}
	}},
	{ID: "two-bytes-taken-for-one", Group: "decoding", Says: "Reads only the first byte of values of two bytes.", install: func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if n := number(g.data); len(g.data) == 2 && v.Text == "" && n > 0 {
				v.Value *= float64(g.data[0]) / float64(n)
			}
		})
	}},
	{ID: "speed-scale-wrong", Group: "decoding", Says: "Forgets that the engine speed comes in quarters of a revolution.", install: func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if g.pid == pidEngineSpeed {
				v.Value *= 4
			}
		})
	}},
	{ID: "readiness-inverted", Group: "decoding", Says: "Takes the bit \"not complete\" of a monitor for \"complete\".", install: func(t *Tester) {
		t.seams.readiness = func(d []byte) Readiness {
			r := readiness(d)
			for i := range r.Monitors {
				r.Monitors[i].Ready = !r.Monitors[i].Ready
			}
			return r
		}
	}},
	{ID: "lamp-never-lit", Group: "decoding", Says: "Looks for the lamp's bit in the wrong place and never shows it lit.", install: func(t *Tester) {
		t.seams.readiness = func(d []byte) Readiness {
			r := readiness(d)
			r.MIL = d[0]&0x40 != 0
			return r
		}
	}},
}

// pairsSwapped exchanges the two bytes of each code in records of some size.
func pairsSwapped(d []byte, from, size int) []byte {
	d = slices.Clone(d)
	for i := from; i+1 < len(d); i += size {
		d[i], d[i+1] = d[i+1], d[i]
	}
	return d
}

var reportDefects = []Defect{
	{ID: "pending-dropped", Group: "reporting", Says: "Reads the pending codes and does not tell them.", install: func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Pending = []Code{} })
	}},
	{ID: "codes-doubled", Group: "reporting", Says: "Tells every code twice.", install: func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Stored = append(e.Stored, e.Stored...) })
	}},
	{ID: "stored-told-as-pending", Group: "reporting", Says: "Tells stored codes as pending, and pending ones as stored.", install: func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Stored, e.Pending = e.Pending, e.Stored })
	}},
	{ID: "unread-told-as-empty", Group: "reporting", Says: "Tells \"no codes\" where it could not read them.", install: func(t *Tester) {
		t.wrapTelling(func(e *ECU) {
			for _, list := range []*[]Code{&e.Stored, &e.Pending, &e.Permanent} {
				if *list == nil {
					*list = []Code{}
				}
			}
		})
	}},
	{ID: "guessed-codes-told", Group: "reporting", Says: "Tells a code for general misfire whenever an engine has been asked for its codes.", install: func(t *Tester) {
		t.wrapTelling(func(e *ECU) {
			if e.Pending != nil && e.Protocol == protocolName(true) {
				e.Pending = append(e.Pending, Code{Code: "P0300"})
			}
		})
	}},
	{ID: "missing-speed-made-pretty", Group: "reporting", Says: "Tells a believable engine speed where the control unit says zero.", install: func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if g.pid == pidEngineSpeed && v.Value == 0 {
				v.Value = 210
			}
		})
	}},
	{ID: "status-always-failed", Group: "reporting", Says: "Does its task and ends with the exit status of a refusal.", install: func(t *Tester) {
		t.seams.exiting = func(int) int { return StatusRefused }
	}},
	{ID: "status-always-done", Group: "reporting", Says: "Ends with the exit status \"done\", also when the car refused.", install: func(t *Tester) {
		t.seams.exiting = func(int) int { return StatusDone }
	}},
	{ID: "document-cut", Group: "reporting", Says: "Loses the end of what it prints, so that it is no JSON.", install: func(t *Tester) {
		t.seams.printing = func(out []byte) []byte { return out[:len(out)*3/4] }
	}},
}

var endDefects = []Defect{
	{ID: "crashes-on-half-code", Group: "crashing", Says: "Crashes when an answer with codes ends in the middle of one.", install: func(t *Tester) {
		t.seams.obdCodes = func(d []byte) ([]Code, error) {
			codes := []Code{}
			for i := 1; i < len(d); i += 2 {
				codes = append(codes, Code{Code: codeText(d[i], d[i+1])})
			}
			return codes, nil
		}
	}},
	{ID: "crashes-without-codes", Group: "crashing", Says: "Crashes when there is no code, as it shows the first one at the top.", install: func(t *Tester) {
		t.wrapCodes(func(codes []Code) []Code {
			t.say("first code: " + codes[0].Code)
			return codes
		})
	}},
	{ID: "crashes-on-unknown-code", Group: "crashing", Says: "Crashes on a code that is not in its list of texts.", install: func(t *Tester) {
		texts := map[string]*string{}
		for _, code := range []string{"P0102", "P0113", "P0171", "P0300", "P0315", "P0335", "P080A"} {
			s := "text of " + code
			texts[code] = &s
		}
		t.wrapCodes(func(codes []Code) []Code {
			for _, c := range codes {
				t.say(fmt.Sprintf("%s: %s", c.Code, *texts[c.Code]))
			}
			return codes
		})
	}},
	{ID: "hangs-without-answer", Group: "hanging", Says: "Waits for ever for an answer that does not come.", install: func(t *Tester) {
		t.cfg.Limit = ages
		t.wrapAsking(func(a asked) {
			a.next(a.query, func(rs []*reply) {
				if !a.soft && slices.ContainsFunc(rs, func(r *reply) bool { return strings.HasPrefix(r.fail, "no answer") }) {
					t.pause(ages, func() { a.then(rs) })
					return
				}
				a.then(rs)
			})
		})
	}},
	{ID: "hangs-on-pending", Group: "hanging", Says: "Waits for ever once a control unit has said \"answer pending\".", install: func(t *Tester) {
		t.cfg.Limit = ages
		t.wrapHearing(func(_ *exchange, p *peer, m []byte, pass func([]byte)) {
			pass(m)
			if pendingAnswer(m) {
				p.until = ages
			}
		})
	}},
}
