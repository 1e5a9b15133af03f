package tester

import (
	"fmt"
	"slices"
	"strings"
)

// Infotypes of service 09.
const (
	infoVIN          = 0x02
	infoCalibration  = 0x04
	infoVerification = 0x06
	infoName         = 0x0A
)

const vinLength = 17

// identify reads VIN, calibrations, verification numbers and names: service 09
// of OBD control units, service 22 of the others.
func (t *Tester) identify(next func()) {
	t.say("reading identity")
	t.identifyOBD(func() { forEach(t.uds(), t.identifyUDS, next) })
}

func (t *Tester) identifyOBD(next func()) {
	if len(t.obd()) == 0 {
		next()
		return
	}
	q := query{data: []byte{0x09, 0x00}, echo: []byte{0x00}, expect: t.obd(), soft: true}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			if r.ok() && len(r.data) == 6 {
				r.from.infos = t.seams.supported(0, r.data[2:])
			}
		}
		forEach(t.infotypes(), t.infotype, next)
	})
}

func (t *Tester) infotype(it byte, next func()) {
	holders := t.only(func(p *peer) bool { return p.obd && slices.Contains(p.infos, it) })
	if len(holders) == 0 {
		next()
		return
	}
	q := query{data: []byte{0x09, it}, echo: []byte{it}, expect: holders}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			switch {
			case !r.ok():
				t.refusal(r, fmt.Sprintf("vehicle information %02X", it))
			default:
				if err := t.seams.info(r.from.ecu, it, r.data[2:]); err != nil {
					t.problem(fmt.Sprintf("%s: vehicle information %02X: %v", r.from.ecu.Name, it, err))
				}
			}
		}
		next()
	})
}

// refusal notes a reply that is not positive; silence was noted before.
func (t *Tester) refusal(r *reply, what string) {
	if r.fail == "" {
		t.refused = append(t.refused, r.from.ecu.Name+" "+what)
		t.problem(fmt.Sprintf("%s: %s: %s", r.from.ecu.Name, what, nrcText(r.nrc)))
	}
}

// takeInfo reads the items of a 49 answer; d begins with their number.
func takeInfo(e *ECU, it byte, d []byte) error {
	size := map[byte]int{infoVIN: vinLength, infoCalibration: 16, infoVerification: 4, infoName: 20}[it]
	items, err := infoItems(d, size)
	if err != nil {
		return err
	}
	switch it {
	case infoVIN:
		vin := text(items[0])
		if err := checkVIN(vin); err != nil {
			return err
		}
		e.VIN = vin
	case infoCalibration:
		e.Calibrations = []string{}
		for _, b := range items {
			e.Calibrations = append(e.Calibrations, text(b))
		}
	case infoVerification:
		e.Verifications = []string{}
		for _, b := range items {
			e.Verifications = append(e.Verifications, fmt.Sprintf("%X", b))
		}
	case infoName:
		if name := text(items[0][:4]); name != "" {
			e.Name = name
		}
		e.Title = text(items[0][5:])
	}
	return nil
}

// infoItems splits the data of service 09 behind its number of items (NODI).
func infoItems(d []byte, size int) ([][]byte, error) {
	if len(d) == 0 || d[0] == 0 || len(d) != 1+int(d[0])*size {
		n := 0
		if len(d) > 0 {
			n = int(d[0])
		}
		return nil, fmt.Errorf("%d bytes for %d items, expected at least one item and %d bytes each", max(0, len(d)-1), n, size)
	}
	return slices.Collect(slices.Chunk(d[1:], size)), nil
}

// text is the printable part of padded ASCII.
func text(b []byte) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7E {
			return -1
		}
		return r
	}, string(b)))
}

// checkVIN wants 17 characters of the set of ISO 3779: no I, O or Q.
func checkVIN(vin string) error {
	if len(vin) != vinLength {
		return fmt.Errorf("vehicle number %q of %d characters, expected %d", vin, len(vin), vinLength)
	}
	for _, c := range vin {
		if !strings.ContainsRune("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", c) {
			return fmt.Errorf("vehicle number %q holds %q, expected digits and letters without I, O, Q", vin, c)
		}
	}
	return nil
}

// Data identifiers of ISO 14229-1 annex C that are read as text.
var udsIdentifiers = []uint16{0xF190, 0xF197, 0xF187, 0xF18C, 0xF195}

const (
	didVIN  = 0xF190
	didName = 0xF197
)

func (t *Tester) identifyUDS(p *peer, next func()) {
	p.ecu.Identifiers = []Identifier{}
	forEach(udsIdentifiers, func(did uint16, next func()) {
		id := []byte{byte(did >> 8), byte(did)}
		t.ask(query{to: p, data: append([]byte{0x22}, id...), echo: id, expect: []*peer{p}}, func(rs []*reply) {
			if rs[0].ok() {
				t.takeIdentifier(p.ecu, did, text(rs[0].data[3:]))
			}
			next()
		})
	}, next)
}

func (t *Tester) takeIdentifier(e *ECU, did uint16, s string) {
	e.Identifiers = append(e.Identifiers, Identifier{DID: fmt.Sprintf("%04X", did), Text: s})
	switch did {
	case didVIN:
		if err := checkVIN(s); err != nil {
			t.problem(fmt.Sprintf("%s: %v", e.Name, err))
			return
		}
		e.VIN = s
	case didName:
		e.Title = s
	}
}
