package server

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// flow is a second, naive reading of the flow charts of ISO 14229-1:2013 (figures 5
// and 6: service 11, session 7F, security 33, length 13, sub-function 12 and 7E) and
// of the tables of each service: it says from the unit's data and state alone what
// the answer to a request must be.
type flow struct {
	spec *spec.Unit
	// session and open are the state before the request; boot is that only the
	// boot program runs.
	session string
	open    byte
	boot    bool
}

// outcome is what the chart allows: one code exactly, or, where it leaves the matter
// to the service's own rules, a positive answer or a code of the service's table.
type outcome struct {
	exact   byte
	decided bool
	silent  bool
	table   []byte
}

// subFunctions are those of ISO 14229-1:2013/2020 for what these units have.
var subFunctions = map[byte][]byte{
	0x11: {1, 2, 3}, 0x28: {0, 1, 2, 3}, 0x2C: {1, 2, 3}, 0x31: {1, 2, 3}, 0x3E: {0}, 0x85: {1, 2},
	0x19: {0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x14, 0x15, 0x16, 0x1A, 0x42, 0x55, 0x56},
}

// ownCodes are the negative responses of each service besides 13 (ISO 14229-1,
// tables "supported negative response codes"). 22 stands for 81 to 94 too.
var ownCodes = map[byte][]byte{
	0x10: {0x12, 0x22}, 0x11: {0x12, 0x22, 0x33}, 0x14: {0x22, 0x31, 0x72}, 0x19: {0x12, 0x31}, 0x22: {0x14, 0x22, 0x31, 0x33},
	0x23: {0x14, 0x22, 0x31, 0x33}, 0x24: {0x22, 0x31, 0x33}, 0x27: {0x12, 0x22, 0x24, 0x31, 0x35, 0x36, 0x37}, 0x28: {0x12, 0x22, 0x31},
	0x2A: {0x22, 0x31, 0x33}, 0x2C: {0x12, 0x22, 0x31, 0x33}, 0x2E: {0x22, 0x31, 0x33, 0x72}, 0x2F: {0x22, 0x31, 0x33},
	0x31: {0x12, 0x22, 0x24, 0x31, 0x33, 0x72}, 0x34: {0x22, 0x31, 0x33, 0x70}, 0x36: {0x22, 0x24, 0x31, 0x71, 0x72, 0x73},
	0x37: {0x24, 0x31, 0x72}, 0x3E: {0x12}, 0x85: {0x12, 0x22, 0x31},
}

// lengths of whole requests by service and sub-function (-1 none), where the
// standard fixes them.
func fixedLength(sid byte, sub int) int {
	if sid == 0x19 {
		for n, subs := range [][]int{{0x03, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x14, 0x15}, {0x01, 0x02, 0x05, 0x16, 0x1A, 0x55}, {0x07, 0x08, 0x56}, {0x09, 0x42}, {0x04, 0x06}} {
			if slices.Contains(subs, sub) {
				return 2 + n
			}
		}
	}
	if sid == 0x27 {
		return 2 + (1-sub&1)*4 // the key has four bytes here
	}
	return map[byte]int{0x10: 2, 0x11: 2, 0x14: 4, 0x24: 3, 0x28: 3, 0x3E: 2, 0x85: 2}[sid]
}

func code(nrc byte) outcome { return outcome{exact: nrc, decided: true} }

func (f *flow) want(req []byte) outcome {
	sid := req[0]
	emission := sid >= 1 && sid <= 0x0A && f.spec.OBD != nil && !f.boot && sid != 0x05 && (sid != 0x06 || len(f.spec.OBD.Results) > 0) && (sid != 0x08 || len(f.spec.OBD.Tests) > 0)
	switch {
	case emission:
		return outcome{table: []byte{0x22}, silent: true}
	case sid&0x40 != 0:
		return outcome{silent: true, decided: true}
	}
	i := slices.IndexFunc(f.spec.Services, func(x spec.Service) bool { return x.Service == sid })
	if i < 0 || f.boot && !slices.Contains(f.spec.Programming.Services, sid) {
		return code(0x11)
	}
	x := &f.spec.Services[i]
	within := func(in []string) bool { return len(in) == 0 || slices.Contains(in, f.session) }
	switch {
	case !within(x.In):
		return code(0x7F)
	case x.Security != 0 && x.Security != f.open:
		return code(0x33)
	}
	sub := -1
	if known := f.subs(sid); known != nil {
		if len(req) < 2 {
			return code(0x13)
		}
		sub = int(req[1] & 0x7F)
		if !slices.Contains(known, byte(sub)) {
			return code(0x12)
		}
		if sid == 0x10 {
			k := slices.IndexFunc(f.spec.Sessions, func(s spec.Session) bool { return int(s.ID) == sub })
			if from := f.spec.Sessions[k].From; !within(from) && !f.boot {
				return code(0x7E)
			}
		}
	}
	if n := fixedLength(sid, sub); n != 0 && len(req) != n {
		return code(0x13)
	}
	return f.item(sid, req)
}

// subs lists the sub-functions known in any session; nil for a service without.
func (f *flow) subs(sid byte) []byte {
	switch sid {
	case 0x10:
		var ids []byte
		for i := range f.spec.Sessions {
			ids = append(ids, f.spec.Sessions[i].ID)
		}
		return ids
	case 0x27:
		ids := []byte{}
		for _, l := range f.spec.Security {
			ids = append(ids, 2*l.Level-1, 2*l.Level)
		}
		return ids
	case 0x19:
		if f.spec.OBD == nil {
			return subFunctions[0x19][:len(subFunctions[0x19])-3]
		}
	}
	return subFunctions[sid]
}

// item goes on to what the request names: 13 before 31 before 33 in 22, 2E and 31.
func (f *flow) item(sid byte, req []byte) outcome {
	rest := outcome{table: ownCodes[sid]}
	within := func(in []string) bool { return len(in) == 0 || slices.Contains(in, f.session) }
	allowed := func(level byte) bool { return level == 0 || level == f.open }
	switch sid {
	case 0x14:
		known := slices.ContainsFunc(f.spec.Codes, func(c spec.Code) bool { return c.Number() == three(req[1:]) })
		if g := three(req[1:]); !known && g != 0xFFFFFF && (g != 0xFFFF33 || f.spec.OBD == nil) {
			return code(0x31)
		}
	case 0x22:
		if len(req) < 3 || len(req)%2 == 0 {
			return code(0x13)
		}
		if id := uint16(req[1])<<8 | uint16(req[2]); len(req) == 3 && id>>8 < 0xF2 {
			k := slices.IndexFunc(f.spec.DIDs, func(d spec.DID) bool { return d.DID == id })
			shown := slices.ContainsFunc(f.spec.Outputs, func(o spec.Output) bool { return o.DID == id && o.Signal != "" })
			switch {
			case k < 0 && shown && !f.boot:
			case k < 0 || !within(f.spec.DIDs[k].In) || f.boot && !slices.Contains(f.spec.Programming.DIDs, id):
				return code(0x31)
			case !allowed(f.spec.DIDs[k].Security):
				return code(0x33)
			}
		}
	case 0x2E:
		if len(req) < 4 {
			return code(0x13)
		}
		k := slices.IndexFunc(f.spec.DIDs, func(d spec.DID) bool { return d.DID == uint16(req[1])<<8|uint16(req[2]) })
		if k < 0 || f.spec.DIDs[k].Write == nil || !within(f.spec.DIDs[k].Write.In) {
			return code(0x31)
		}
		n := 3
		for _, x := range f.spec.DIDs[k].Fields {
			n += x.Bytes
		}
		switch {
		case len(req) != n:
			return code(0x13)
		case !allowed(f.spec.DIDs[k].Write.Security):
			return code(0x33)
		}
	case 0x2F:
		if len(req) < 4 {
			return code(0x13)
		}
		k := slices.IndexFunc(f.spec.Outputs, func(o spec.Output) bool { return o.DID == uint16(req[1])<<8|uint16(req[2]) && within(o.In) })
		if k < 0 || req[3] > 3 {
			return code(0x31)
		}
	case 0x31:
		if len(req) < 4 {
			return code(0x13)
		}
		id := uint16(req[2])<<8 | uint16(req[3])
		k := slices.IndexFunc(f.spec.Routines, func(x spec.Routine) bool { return x.RID == id && within(x.In) && (!f.boot || x.Does != "") })
		test := id>>8 == 0xE0 && f.spec.OBD != nil && !f.boot
		switch {
		case k < 0 && !test:
			return code(0x31)
		case k >= 0 && f.spec.Routines[k].Does != spec.DoesErase && len(req) != 4:
			return code(0x13)
		case k >= 0 && req[1]&0x7F != 3 && len(req) == 4 && !allowed(f.spec.Routines[k].Security):
			return code(0x33)
		}
	}
	return rest
}

// check holds the answers of a request against the chart.
func (o *outcome) check(t testing.TB, req []byte, functional bool, answers [][]byte) {
	t.Helper()
	hasSub := subFunctions[req[0]] != nil || req[0] == 0x10 || req[0] == 0x27
	var final []byte
	pended := false
	for i, a := range answers {
		checkAnswer(t, req, a)
		if a[0] == uds.NegativeResponse && a[2] == byte(uds.ResponsePending) {
			require.Less(t, i, len(answers)-1, "% X: pending, and then nothing", req)
			pended = true
			continue
		}
		require.Nil(t, final, "% X: two final answers, % X and % X", req, final, a)
		final = a
	}
	unspoken := functional && !pended
	switch {
	case o.decided && o.silent:
		require.Nil(t, final, "% X", req)
	case o.decided && unspoken && slices.Contains([]byte{0x11, 0x12, 0x31, 0x7E, 0x7F}, o.exact):
		require.Nil(t, final, "% X: want silence on the functional identifier", req)
	case o.decided:
		require.Equal(t, []byte{0x7F, req[0], o.exact}, final, "% X", req)
	case final == nil:
		suppressed := hasSub && len(req) > 1 && req[1]&0x80 != 0 && !pended
		require.True(t, o.silent || suppressed || unspoken, "% X: silence", req)
	case final[0] == uds.NegativeResponse:
		nrc := final[2]
		if nrc >= 0x81 && nrc <= 0x94 {
			nrc = 0x22
		}
		require.True(t, nrc == 0x13 || slices.Contains(o.table, nrc), "% X: %02X is no code of this service", req, final[2])
	case hasSub:
		require.Zero(t, req[1]&0x80&^boolByte(pended), "% X: a positive answer that was to be suppressed", req)
		require.Equal(t, req[1]&0x7F, final[1], "% X: sub-function of the answer", req)
	}
}

func boolByte(b bool) byte {
	if b {
		return 0x80
	}
	return 0
}

// saidToOne reports whether a service is asked of one unit alone: keys, downloads and their
// ends (common practice); a request of it to all is not heard.
func saidToOne(sid byte) bool { return slices.Contains([]byte{0x27, 0x34, 0x36, 0x37}, sid) }

// put sends a request and gathers its answers until none is due any more.
func (r *rig) put(functional bool, req []byte) [][]byte {
	var got [][]byte
	r.server.Request(r.now, functional, req)
	for end := r.now + 3*time.Second; ; {
		for a, ok := r.server.NextResponse(); ok; a, ok = r.server.NextResponse() {
			if a[0] == req[0]|0x40 || a[0] == uds.NegativeResponse {
				got = append(got, slices.Clone(a))
			}
			r.server.Sent(r.now)
		}
		if !r.server.work.active && len(r.server.queue) == 0 || r.now >= end {
			return got
		}
		r.now += time.Millisecond
		r.server.Tick(r.now)
	}
}

// obey sends a request and holds what comes against the chart.
func (r *rig) obey(functional bool, req []byte) {
	r.t.Helper()
	if len(req) == 0 || !r.server.Alive(r.now) {
		return
	}
	f := flow{spec: r.spec, session: r.server.session.name, open: r.server.locks.open, boot: r.server.boot}
	o := f.want(req)
	if functional && saidToOne(req[0]) {
		o = outcome{decided: true, silent: true}
	}
	r.ask("2A 04") // periodic answers carry no service and would be in the way
	f.session = r.server.session.name
	o.check(r.t, req, functional, r.put(functional, req))
	if !r.server.Alive(r.now + 60*time.Millisecond) { // a reset
		r.wait(2 * time.Second)
	}
}

// guess is a request that is mostly nearly right.
func guess(spec *spec.Unit, x *rand.Rand) []byte {
	var sids []byte
	for _, x := range Services() {
		sids = append(sids, byte(x.ID))
	}
	sid := sids[x.IntN(len(sids))]
	if x.IntN(12) == 0 {
		sid = byte(x.Uint32())
	}
	f := flow{spec: spec}
	req := []byte{sid}
	if subs := f.subs(sid); subs != nil {
		sub := subs[x.IntN(len(subs))]
		if x.IntN(8) == 0 {
			sub = byte(x.Uint32())
		}
		req = append(req, sub|byte(x.IntN(8)/7)<<7)
	}
	switch id := uint16(0); sid {
	case 0x22, 0x24, 0x2E:
		d := &spec.DIDs[x.IntN(len(spec.DIDs))]
		id = d.DID
		req = append(req, byte(id>>8), byte(id))
		if sid == 0x2E {
			for range Vocabulary().Size(d.Fields) {
				req = append(req, byte(0x20+x.IntN(96)))
			}
		}
	case 0x2F:
		if len(spec.Outputs) > 0 {
			id = spec.Outputs[x.IntN(len(spec.Outputs))].DID
		}
		req = append(req, byte(id>>8), byte(id), byte(x.IntN(5)), byte(x.Uint32()))
		req = req[:4+x.IntN(2)]
	case 0x31:
		id = 0xE001
		if k := x.IntN(len(spec.Routines) + 1); k < len(spec.Routines) {
			id = spec.Routines[k].RID
		}
		req = append(req, byte(id>>8), byte(id))
	case 0x14:
		n := spec.Codes[x.IntN(len(spec.Codes))].Number()
		req = append(req, byte(n>>16), byte(n>>8), byte(n))
	default:
		for n := fixedLength(sid, int(req[len(req)-1]&0x7F)); len(req) < n; {
			req = append(req, byte(x.Uint32()))
		}
	}
	switch x.IntN(8) {
	case 0:
		req = append(req, byte(x.Uint32()))
	case 1:
		req = req[:1+x.IntN(len(req))]
	case 2:
		for range x.IntN(9) {
			req = append(req, byte(x.Uint32()))
		}
	}
	return req
}

// Whatever a tool sends, in whatever state, the answer is the chart's. States are
// met on the way: sessions open and close, locks are opened, the car is driven.
func TestEveryRequestFollowsTheChart(t *testing.T) {
	eachUnit(t, func(t *testing.T, spec *spec.Unit) {
		x := chance.Seed(48).For("chart/" + spec.Name)
		asked := map[byte]int{}
		for range 60 {
			r := newRig(t, spec)
			if x.IntN(3) == 0 {
				r.plant.WarmIdle()
			}
			for range 60 {
				switch x.IntN(14) {
				case 0, 1, 2:
					r.ask(fmt.Sprintf("10 %02X", spec.Sessions[x.IntN(len(spec.Sessions))].ID))
				case 3, 4:
					if r.server.session.name != spec.Sessions[0].Session && len(spec.Security) > 0 {
						r.tryKey(int(spec.Security[x.IntN(len(spec.Security))].Level), x.IntN(4) > 0)
					}
				case 5:
					r.plant.Set("engine_rpm", float64(x.IntN(2)*700))
				}
				req := guess(spec, x)
				asked[req[0]]++
				r.obey(x.IntN(4) == 0, req)
			}
		}
		for _, s := range spec.Services {
			assert.Greater(t, asked[s.Service], 10, "service %#02x was hardly asked", s.Service)
		}
	})
}

// A service that is registered has its place in the chart: which sub-functions it has, and
// with which codes it may refuse.
func TestEveryServiceIsInTheChart(t *testing.T) {
	u := loadUnit(t, "ecu-engine.yaml")
	f := flow{spec: u}
	for _, x := range Services() {
		if x.Has != nil {
			continue // emission OBD has its own rules
		}
		assert.NotEmpty(t, ownCodes[byte(x.ID)], x.Name)
		assert.Equal(t, x.Subs != nil, f.subs(byte(x.ID)) != nil, x.Name)
		if x.Subs != nil {
			assert.ElementsMatch(t, f.subs(byte(x.ID)), x.Subs(u), x.Name)
		}
		assert.Equal(t, saidToOne(byte(x.ID)), x.Physical, x.Name)
	}
}

// The same while only the boot program runs.
func TestTheBootProgramFollowsTheChart(t *testing.T) {
	spec := loadUnit(t, "ecu-engine.yaml")
	x := chance.Seed(49).For("chart/boot")
	for range 20 {
		r := newRig(t, spec)
		r.nv.Set(invalidName, 1)
		r.server.Power(r.now, false)
		r.server.Power(r.now, true)
		r.wait(time.Second)
		require.True(t, r.server.Boot())
		for range 60 {
			if x.IntN(5) == 0 {
				r.ask([]string{"10 01", "10 02"}[x.IntN(2)])
			}
			r.obey(x.IntN(4) == 0, guess(spec, x))
		}
	}
}

// The chart can fail: an answer that it does not allow is found.
func TestTheChartCanFail(t *testing.T) {
	f := flow{spec: loadUnit(t, "ecu-engine.yaml"), session: "default"}
	for _, c := range []struct {
		req, answer string
		functional  bool
	}{
		{"27 01", "67 01 00 00 00 01", false}, {"27 01", "7F 27 12", false}, {"27 01", "", false}, {"27 01", "7F 27 7F", true},
		{"22 12 34", "62 12 34 00", false}, {"22 F1 90", "7F 22 24", false}, {"10 83", "50 03 00 32 01 F4", false},
		{"19 02", "7F 19 12", false}, {"3E 00", "", false}, {"BA", "7F BA 7F", false}, {"14 FF FF FF", "7F 14 78", false},
	} {
		var answers [][]byte
		if c.answer != "" {
			answers = [][]byte{ecutest.Bytes(t, c.answer)}
		}
		probe := &failing{TB: t}
		func() {
			defer func() { _ = recover() }()
			req := ecutest.Bytes(t, c.req)
			o := f.want(req)
			o.check(probe, req, c.functional, answers)
		}()
		assert.True(t, probe.failed, "%s answered %s", c.req, c.answer)
	}
}

// FuzzChart sends arbitrary requests in sequence, each preceded by its length and
// whether it is functional, after a few that open the extended session.
func FuzzChart(f *testing.F) {
	for _, s := range []string{"0322F190", "8322F190", "0227010627020000000002270106270200000000", "0431010210053101021000", "0B340044000100000000400002360102370137",
		"023E0002BE00", "03190209061904080A54FF", "052F04000301022A04", "082C01F301F40C0102", "0411010411", "0310020231010210"} {
		f.Add(ecutest.Bytes(f, s))
	}
	spec := loadUnit(f, "ecu-engine.yaml")
	f.Fuzz(func(t *testing.T, data []byte) {
		r := newRig(t, spec)
		r.ask("10 03")
		for n := 0; len(data) > 0 && n < 40; n++ {
			length, functional := int(data[0]&0x7F), data[0]&0x80 != 0
			data = data[1:]
			length = min(length, len(data))
			r.obey(functional, data[:length])
			data = data[length:]
		}
	})
}
