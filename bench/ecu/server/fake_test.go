package server

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
)

// plant is a car made of settable numbers, and a record of what was asked of it.
type plant struct {
	ecutest.Car
	resets []ResetKind
}

func (p *plant) Reset(kind ResetKind) { p.resets = append(p.resets, kind) }

func loadUnit(t testing.TB, name string) *spec.Unit {
	t.Helper()
	return ecutest.Load(t, name, Vocabulary())
}

func specsOf(c *car.Spec) ([]*spec.Unit, error) { return spec.Of(c, Vocabulary()) }

// rig is one server with its fake car, awake with the key on.
type rig struct {
	t      testing.TB
	now    time.Duration
	spec   *spec.Unit
	plant  *plant
	mem    *dtc.Memory
	nv     *nv.Memory
	server *Server
}

func newRig(t testing.TB, u *spec.Unit) *rig {
	t.Helper()
	r := &rig{t: t, spec: u, plant: &plant{Car: *ecutest.NewCar(u)}, mem: dtc.New(u), nv: nv.New(u, ecutest.Identity())}
	r.plant.KeyOn()
	s, err := New(u, Parts{Readings: r.plant.Table, Memory: r.mem, NV: r.nv, Application: r.plant, Rand: chance.Seed(1).For("ecu")})
	require.NoError(t, err)
	r.server = s
	s.Power(0, true)
	r.mem.BeginCycle()
	r.wait(time.Second)
	return r
}

// wait lets time pass in the bench's steps of 5 ms.
func (r *rig) wait(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.now = min(r.now+5*time.Millisecond, end)
		r.server.Tick(r.now)
		r.mem.Enable(r.now)
	}
}

// answers collects all answers of a request within a time, as hex.
func (r *rig) answers(functional bool, req string, within time.Duration) []string {
	r.t.Helper()
	r.server.Request(r.now, functional, ecutest.Bytes(r.t, req))
	var got []string
	end := r.now + within
	for {
		for {
			a, ok := r.server.NextResponse()
			if !ok {
				break
			}
			got = append(got, ecutest.Spaced(a))
			r.server.Sent(r.now)
		}
		at, ok := r.server.Deadline()
		if !ok || at > end {
			return got
		}
		r.now = max(r.now, at)
		r.server.Tick(r.now)
	}
}

// ask is a physical request with at most one answer within P2; "" for none.
func (r *rig) ask(req string) string {
	r.t.Helper()
	return strings.Join(r.answers(false, req, 49*time.Millisecond), " | ")
}

// call is ask on the functional identifier.
func (r *rig) call(req string) string {
	r.t.Helper()
	return strings.Join(r.answers(true, req, 49*time.Millisecond), " | ")
}
