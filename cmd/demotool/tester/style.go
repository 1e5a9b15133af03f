package tester

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/canbus/isotp"
)

// Styles are the ways in which the tool does its tasks. All of them are correct: two
// good tools differ in order, timing, depth and exit status, and whoever judges tools has
// to bear it.
//
// Swift asks for six items at a time and goes on as soon as everybody has answered.
// Steady asks for codes before anything else, one item at a time with a pause after each,
// has long answers of units beyond emission diagnostics sent slowly, reads codes by UDS
// from every unit, too, reads less of the identity, and ends with "refused" where
// anything was refused.
var Styles = []string{StyleSwift, StyleSteady}

// The styles.
const (
	StyleSwift  = "swift"
	StyleSteady = "steady"
)

// Of the steady style: the pause after an exchange, and the time between frames that it
// asks for (common practice: slow handheld devices ask for 5 to 20 ms).
const (
	steadyPause      = 30 * time.Millisecond
	steadySeparation = 5 * time.Millisecond
)

// checkStyle wants one of Styles, "" for the first.
func checkStyle(style string) (string, error) {
	if style == "" {
		return StyleSwift, nil
	}
	if !slices.Contains(Styles, style) {
		return "", fmt.Errorf("%w: style %q, expected one of %s", ErrUsage, style, strings.Join(Styles, ", "))
	}
	return style, nil
}

func (t *Tester) steady() bool { return t.cfg.Style == StyleSteady }

// takeStyle sets the seams that a style has its own way with.
func (t *Tester) takeStyle() {
	if !t.steady() {
		return
	}
	transport := t.seams.transport
	t.seams.transport = func(cfg *isotp.Config) {
		transport(cfg)
		if !cfg.RequireDLC8 { // emission diagnostics allows no separation
			cfg.STmin = byte(steadySeparation / time.Millisecond)
		}
	}
	t.seams.asking = func(q query, then func([]*reply)) {
		t.pause(steadyPause, func() { t.exchange(q, then) })
	}
}

// check are the steps of a health check.
func (t *Tester) check() []step {
	if t.steady() {
		return []step{t.readiness, t.codes, t.freezeFrames, t.pids, t.live, t.identify}
	}
	return []step{t.identify, t.readiness, t.codes, t.freezeFrames, t.pids, t.live}
}

// itemsARequest is how many items of service 01 go into one request.
func (t *Tester) itemsARequest() int {
	if t.steady() {
		return 1
	}
	return 6
}

// infotypes are those of service 09 that are read.
func (t *Tester) infotypes() []byte {
	if t.steady() {
		return []byte{infoVIN, infoName}
	}
	return []byte{infoName, infoVIN, infoCalibration, infoVerification}
}

// codesAgain reads the codes of emission units by UDS as well: those that are none of
// emission diagnostics' are in no answer of service 03.
func (t *Tester) codesAgain(next func()) {
	if !t.steady() {
		next()
		return
	}
	forEach(t.obd(), func(p *peer, next func()) {
		q := query{to: p, data: []byte{0x19, 0x02, 0xFF}, echo: []byte{0x02}, expect: []*peer{p}, soft: true}
		t.ask(q, func(rs []*reply) {
			if r := rs[0]; r.ok() && len(r.data) >= 3 {
				stored, pending, err := t.seams.udsCodes(r.data[3:])
				if err == nil {
					p.ecu.Stored, p.ecu.Pending = joined(p.ecu.Stored, stored), joined(p.ecu.Pending, pending)
				}
			}
			next()
		})
	}, next)
}

// clearAgain clears by UDS what codesAgain has read.
func (t *Tester) clearAgain(next func()) {
	if !t.steady() {
		next()
		return
	}
	forEach(t.obd(), func(p *peer, next func()) {
		if p.ecu.Refused != "" {
			next() // it has said no
			return
		}
		t.ask(query{to: p, data: []byte{0x14, 0xFF, 0xFF, 0xFF}, expect: []*peer{p}, soft: true}, func([]*reply) { next() })
	}, next)
}

// joined adds the codes that are not there yet; a list that is not known stays so.
func joined(list, more []Code) []Code {
	if list == nil {
		return nil
	}
	for _, c := range more {
		if !slices.ContainsFunc(list, func(x Code) bool { return x.Code == c.Code }) {
			list = append(list, c)
		}
	}
	return list
}
