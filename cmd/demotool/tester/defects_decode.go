package tester

import (
	"fmt"
	"slices"
	"strings"
)

var decodingDefects = []Defect{
	{"letter-always-p", "decoding", "Writes every code with the letter P, whatever its two highest bits are.", func(t *Tester) {
		t.wrapCodes(func(codes []Code) []Code {
			for i := range codes {
				codes[i].Code = "P" + codes[i].Code[1:]
			}
			return codes
		})
	}},
	{"code-bytes-swapped", "decoding", "Takes the two bytes of a code in the wrong order.", func(t *Tester) {
		obd, uds := t.seams.obdCodes, t.seams.udsCodes
		t.seams.obdCodes = func(d []byte) ([]Code, error) { return obd(pairsSwapped(d, 1, 2)) }
		t.seams.udsCodes = func(d []byte) ([]Code, []Code, error) { return uds(pairsSwapped(d, 0, 4)) }
	}},
	{"temperature-offset-lost", "decoding", "Forgets the offset of 40 degrees of temperatures.", func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if v.Unit == "degC" && len(g.data) == 1 {
				v.Value += 40
			}
		})
	}},
	{"temperature-signed", "decoding", "Takes the byte of a temperature for a signed one, so that what is warm becomes very cold.", func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if v.Unit == "degC" && len(g.data) == 1 {
				v.Value = float64(int8(g.data[0])) - 40
			}
		})
	}},
	{"code-count-trusted", "decoding", "Believes the number of codes in an answer, and makes up those that are not there.", func(t *Tester) {
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
	{"frame-number-omitted", "decoding", "Asks for freeze frames without the number of the frame.", func(t *Tester) {
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
	{"vin-shifted", "decoding", "Reads the identification number one byte late and loses its first character.", func(t *Tester) {
		next := t.seams.info
		t.seams.info = func(e *ECU, it byte, d []byte) error {
			if it != infoVIN || len(d) < 2 {
				return next(e, it, d)
			}
			e.VIN = text(d[2:])
			return nil
		}
	}},
	{"two-bytes-taken-for-one", "decoding", "Reads only the first byte of values of two bytes.", func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if n := number(g.data); len(g.data) == 2 && v.Text == "" && n > 0 {
				v.Value *= float64(g.data[0]) / float64(n)
			}
		})
	}},
	{"speed-scale-wrong", "decoding", "Forgets that the engine speed comes in quarters of a revolution.", func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if g.pid == pidEngineSpeed {
				v.Value *= 4
			}
		})
	}},
	{"readiness-inverted", "decoding", "Takes the bit \"not complete\" of a monitor for \"complete\".", func(t *Tester) {
		t.seams.readiness = func(d []byte) Readiness {
			r := readiness(d)
			for i := range r.Monitors {
				r.Monitors[i].Ready = !r.Monitors[i].Ready
			}
			return r
		}
	}},
	{"lamp-never-lit", "decoding", "Looks for the lamp's bit in the wrong place and never shows it lit.", func(t *Tester) {
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
	{"pending-dropped", "reporting", "Reads the pending codes and does not tell them.", func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Pending = []Code{} })
	}},
	{"codes-doubled", "reporting", "Tells every code twice.", func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Stored = append(e.Stored, e.Stored...) })
	}},
	{"stored-told-as-pending", "reporting", "Tells stored codes as pending, and pending ones as stored.", func(t *Tester) {
		t.wrapTelling(func(e *ECU) { e.Stored, e.Pending = e.Pending, e.Stored })
	}},
	{"unread-told-as-empty", "reporting", "Tells \"no codes\" where it could not read them.", func(t *Tester) {
		t.wrapTelling(func(e *ECU) {
			for _, list := range []*[]Code{&e.Stored, &e.Pending, &e.Permanent} {
				if *list == nil {
					*list = []Code{}
				}
			}
		})
	}},
	{"guessed-codes-told", "reporting", "Tells a code for general misfire whenever an engine has been asked for its codes.", func(t *Tester) {
		t.wrapTelling(func(e *ECU) {
			if e.Pending != nil && e.Protocol == protocolName(true) {
				e.Pending = append(e.Pending, Code{Code: "P0300"})
			}
		})
	}},
	{"missing-speed-made-pretty", "reporting", "Tells a believable engine speed where the control unit says zero.", func(t *Tester) {
		t.wrapValue(func(g group, v *Value) {
			if g.pid == pidEngineSpeed && v.Value == 0 {
				v.Value = 210
			}
		})
	}},
	{"status-always-failed", "reporting", "Does its task and ends with the exit status of a refusal.", func(t *Tester) {
		t.seams.exiting = func(int) int { return StatusRefused }
	}},
	{"status-always-done", "reporting", "Ends with the exit status \"done\", also when the car refused.", func(t *Tester) {
		t.seams.exiting = func(int) int { return StatusDone }
	}},
	{"document-cut", "reporting", "Loses the end of what it prints, so that it is no JSON.", func(t *Tester) {
		t.seams.printing = func(out []byte) []byte { return out[:len(out)*3/4] }
	}},
}

var endDefects = []Defect{
	{"crashes-on-half-code", "crashing", "Crashes when an answer with codes ends in the middle of one.", func(t *Tester) {
		t.seams.obdCodes = func(d []byte) ([]Code, error) {
			codes := []Code{}
			for i := 1; i < len(d); i += 2 {
				codes = append(codes, Code{Code: codeText(d[i], d[i+1])})
			}
			return codes, nil
		}
	}},
	{"crashes-without-codes", "crashing", "Crashes when there is no code, as it shows the first one at the top.", func(t *Tester) {
		t.wrapCodes(func(codes []Code) []Code {
			t.say("first code: " + codes[0].Code)
			return codes
		})
	}},
	{"crashes-on-unknown-code", "crashing", "Crashes on a code that is not in its list of texts.", func(t *Tester) {
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
	{"hangs-without-answer", "hanging", "Waits for ever for an answer that does not come.", func(t *Tester) {
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
	{"hangs-on-pending", "hanging", "Waits for ever once a control unit has said \"answer pending\".", func(t *Tester) {
		t.cfg.Limit = ages
		t.wrapHearing(func(_ *exchange, p *peer, m []byte, pass func([]byte)) {
			pass(m)
			if pendingAnswer(m) {
				p.until = ages
			}
		})
	}},
}
