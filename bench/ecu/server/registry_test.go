package server

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// Every service has a name of its own and a handler, is one that a standard names, and
// stands in the order of its identifier, once. What has sub-functions is what ISO 14229-1
// table 2 says (canbus/uds).
func TestTheRegistryIsWhole(t *testing.T) {
	names := map[string]bool{}
	last := uds.Service(0)
	for _, x := range Services() {
		assert.NotEmpty(t, x.Name, "%02X", uint8(x.ID))
		assert.False(t, names[x.Name], "%02X: %q is there already", uint8(x.ID), x.Name)
		names[x.Name] = true
		assert.Greater(t, x.ID, last, x.Name)
		last = x.ID
		assert.True(t, x.ID.Known(), "%02X", uint8(x.ID))
		assert.NotNil(t, x.run, x.Name)
		assert.Equal(t, x.ID.HasSubFunction(), x.Subs != nil, x.Name)
		assert.Equal(t, x.ID.IsOBD(), x.Has != nil, "%s: emission OBD is had by its data, the rest is listed", x.Name)
	}
}

// A service that is written but not listed would be missed by nobody: every function that
// returns a Service is called in the registry.
func TestEveryServiceIsInTheRegistry(t *testing.T) {
	fset := token.NewFileSet()
	files, err := os.ReadDir(".")
	require.NoError(t, err)
	var made, listed []string
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		tree, err := parser.ParseFile(fset, f.Name(), nil, 0)
		require.NoError(t, err)
		for _, d := range tree.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Recv != nil {
				continue
			}
			if fn.Name.Name == "Services" {
				ast.Inspect(fn, func(n ast.Node) bool {
					if c, ok := n.(*ast.CallExpr); ok {
						listed = append(listed, c.Fun.(*ast.Ident).Name)
					}
					return true
				})
			}
			results := fn.Type.Results
			if results == nil || len(results.List) != 1 || len(fn.Type.Params.List) > 0 {
				continue
			}
			if id, ok := results.List[0].Type.(*ast.Ident); ok && id.Name == "Service" {
				made = append(made, fn.Name.Name)
			}
		}
	}
	assert.ElementsMatch(t, made, listed)
	assert.Len(t, listed, len(Services()))
}

// The reports of service 19 and the states of answers are keyed by what they are: none is
// empty, none there twice.
func TestTablesOfTheServerAreWhole(t *testing.T) {
	subs := map[byte]bool{}
	for _, r := range reports() {
		assert.False(t, subs[r.sub], "19 %02X is there already", r.sub)
		subs[r.sub] = true
		assert.NotEmpty(t, uds.ReadDTCInformation.SubFunction(r.sub), "19 %02X is none of the standard's", r.sub)
		assert.NotNil(t, r.add, "19 %02X", r.sub)
	}
	names := map[string]bool{}
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	for _, x := range states() {
		assert.NotEmpty(t, x.name)
		assert.False(t, names[x.name], "%s is there already", x.name)
		names[x.name] = true
		assert.Len(t, x.get(r.server, nil), x.bytes, "%s: its length", x.name)
	}
}

// Deciding a request changes nothing: of two units that get the same requests, one decides
// each of them twice more beforehand, and many others that never come; both answer alike to
// the last byte and moment, with the same codes, stored values and commands.
func TestDecidingChangesNothing(t *testing.T) {
	eachUnit(t, func(t *testing.T, u *spec.Unit) {
		x := chance.Seed(77).For("decide/" + u.Name)
		positive, refusals := 0, 0
		for range 12 {
			plain, asked := newRig(t, u), newRig(t, u)
			for range 80 {
				req := guess(u, x)
				switch x.IntN(6) {
				case 0:
					req = []byte{0x10, u.Sessions[x.IntN(len(u.Sessions))].ID}
				case 1:
					if len(u.Security) > 0 {
						req = []byte{0x27, 2*u.Security[0].Level - 1}
					}
				case 2:
					if k := &plain.server.locks; k.seeded != 0 && x.IntN(2) == 0 {
						key := SecurityKey(k.level(k.seeded).Secret, k.seed)
						req = append([]byte{0x27, 2 * k.seeded}, key[:]...)
					} else if k.seeded != 0 {
						req = []byte{0x27, 2 * k.seeded, 0, 0, 0, 0} // a wrong key counts, but only once
					}
				}
				if len(req) == 0 {
					continue
				}
				functional := x.IntN(4) == 0
				for _, other := range append(shapely(u), guess(u, x)) {
					if len(other) > 0 {
						asked.server.decide(other, false)
					}
				}
				first := asked.server.decide(slices.Clone(req), functional)
				again := asked.server.decide(slices.Clone(req), functional)
				require.Equal(t, first.answer, again.answer, "% X", req)
				require.Equal(t, first.refusal, again.refusal, "% X", req)
				if first.positive() {
					positive++
				} else {
					refusals++
				}
				require.Equal(t, plain.put(functional, req), asked.put(functional, req), "% X", req)
				for _, r := range []*rig{plain, asked} {
					r.mem.Test(0, r.now, true) // kept, unless service 85 says otherwise
					r.wait(50e6)
				}
				same(t, plain, asked, req)
			}
		}
		assert.Greater(t, positive, 50)
		assert.Greater(t, refusals, 50)
	})
}

// shapely are requests of good shape that change something where they are granted.
func shapely(u *spec.Unit) [][]byte {
	list := [][]byte{{0x04}, {0x08, 1, 0, 0, 0, 0, 0}, {0x10, 1}, {0x10, 2}, {0x10, 3}, {0x11, 1}, {0x14, 0xFF, 0xFF, 0xFF}, {0x27, 1}, {0x27, 2, 0, 0, 0, 0},
		{0x28, 3, 1}, {0x2A, 1, 1}, {0x2A, 4}, {0x2C, 1, 0xF3, 1, 0xF1, 0x86, 1, 1}, {0x2C, 1, 0xF2, 1, 0xF1, 0x86, 1, 1}, {0x2C, 3},
		{0x36, 1, 0}, {0x37}, {0x3E, 0}, {0x85, 2}, {0x34, 0, 0x44, 0, 1, 0, 0, 0, 0, 0x40, 0}}
	for i := range u.Outputs {
		list = append(list, []byte{0x2F, byte(u.Outputs[i].DID >> 8), byte(u.Outputs[i].DID), 1})
	}
	for i := range u.Routines {
		list = append(list, []byte{0x31, 1, byte(u.Routines[i].RID >> 8), byte(u.Routines[i].RID)})
	}
	return list
}

// at is what each of a unit's outputs, tests and routines is at.
func (r *rig) at() (list []string) {
	for _, o := range r.server.outputs {
		list = append(list, fmt.Sprint(o.active, o.until))
	}
	for _, x := range r.server.tests {
		list = append(list, fmt.Sprint(x.state, x.reason, x.until))
	}
	for _, x := range r.server.routines {
		list = append(list, fmt.Sprint(x.state, x.reason, x.step, x.since))
	}
	return list
}

func same(t *testing.T, a, b *rig, req []byte) {
	t.Helper()
	require.Equal(t, a.nv, b.nv, "% X: what is stored", req)
	require.Equal(t, a.mem.Changes(), b.mem.Changes(), "% X: codes", req)
	require.Equal(t, a.plant.Outputs, b.plant.Outputs, "% X: outputs", req)
	require.Equal(t, a.plant.Steps, b.plant.Steps, "% X: routines", req)
	require.Equal(t, [2]bool{a.plant.Receive, a.plant.Transmit}, [2]bool{b.plant.Receive, b.plant.Transmit}, "% X: normal messages", req)
	require.Equal(t, a.plant.resets, b.plant.resets, "% X: resets", req)
	require.Equal(t, a.server.session.name, b.server.session.name, "% X: session", req)
	require.Equal(t, a.server.locks, b.server.locks, "% X: locks", req)
	require.Equal(t, a.server.periods, b.server.periods, "% X: periodic answers", req)
	require.Equal(t, len(a.server.dynamic), len(b.server.dynamic), "% X: defined identifiers", req)
	require.Equal(t, a.server.transfer == nil, b.server.transfer == nil, "% X: transfer", req)
	require.Equal(t, a.server.reset, b.server.reset, "% X: reset", req)
	require.Equal(t, a.at(), b.at(), "% X: outputs, tests, routines", req)
	require.Equal(t, a.mem.Status(0), b.mem.Status(0), "% X: status of a code", req)
	require.Equal(t, a.server.boot, b.server.boot, "% X: boot program", req)
	require.Equal(t, a.now, b.now, "% X: time", req)
}

// The same while a unit is programmed.
func TestDecidingATransferChangesNothing(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.toProgramming()
	granted := func(req string) {
		t.Helper()
		x := r.server.decide(ecutest.Bytes(t, req), false)
		require.True(t, x.positive(), req)
	}
	granted("34 00 " + ecutest.WholeRegion)
	assert.Nil(t, r.server.transfer)
	r.ask("34 00 " + ecutest.WholeRegion)
	before := *r.server.transfer
	granted("36 01 11 22 33")
	assert.Equal(t, before, *r.server.transfer)
	assert.Equal(t, byte(0xFF), before.region.bytes(r.nv)[0], "nothing is written")
	b := ecutest.Image(0x33)
	r.blocks(b, len(b))
	granted("37")
	assert.NotNil(t, r.server.transfer)
}
