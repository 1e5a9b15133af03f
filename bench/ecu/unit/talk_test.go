package unit

import (
	"cmp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
	"sawhorse/dbc"
)

// talking is a small network for the unit of a test's ecutest.Small file.
const talking = `VERSION ""
NS_ :
BS_:
BU_: Small Other
BO_ 256 Mine: 2 Small
 SG_ Rpm : 0|16@1+ (1,0) [0|65535] "" Other
BO_ 512 Theirs: 2 Other
 SG_ Speed : 0|16@1+ (1,0) [0|65535] "" Small
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "SawhorseReading" STRING ;
BA_DEF_DEF_ "GenMsgCycleTime" 100;
BA_DEF_DEF_ "SawhorseReading" "";
BA_ "SawhorseReading" SG_ 256 Rpm "rpm";
`

// What a unit and its network say of each other must fit; the error names the place in
// the file that is wrong.
func TestUnitAndNetworkMustFit(t *testing.T) {
	const good = "ecu: small\nnetwork: {node: Small, hears: [{message: Theirs, from: other, takes: [{signal: Speed, as: kmh}]}]}"
	for _, c := range []struct{ unitOld, unitNew, netOld, netNew, want string }{
		{"", "", "", "", ""},
		{"node: Small", "node: Smal", "", "", `small.yaml:2:17: network.node: "Smal" is no node of small.dbc`},
		{"message: Theirs", "message: Mine", "", "", `small.yaml:2:42: network.hears[0].message: Mine is sent by the unit itself`},
		{"message: Theirs", "message: Ours", "", "", `"Ours" is no message of small.dbc`},
		{"from: other", "from: brake", "", "", `the program cannot tell that "brake" is lost, want one of other`},
		{"signal: Speed", "signal: Sped", "", "", `network.hears[0].takes: "Sped" is no signal of Theirs`},
		{"as: kmh", "as: mph", "", "", `"mph" is nothing that the program hears, want one of bus_off, kmh`},
		{"", "", `Rpm "rpm"`, `Rpm "rev"`, `small.dbc:13:35: signal Rpm carries "rev", which is no reading of the unit Small`},
		{"", "", `BO_ 512`, `BO_ 2016`, `small.yaml:3:22: addresses.request: identifier 7E0 is that of message Theirs in small.dbc, want another`},
	} {
		require.Contains(t, talking, c.netOld)
		net, err := dbc.Parse("small.dbc", []byte(strings.ReplaceAll(talking, cmp.Or(c.netOld, "\x00"), c.netNew)))
		require.NoError(t, err)
		unit := strings.Replace(ecutest.Small, "ecu: small", strings.Replace(good, cmp.Or(c.unitOld, "\x00"), c.unitNew, 1), 1)
		spec, err := spec.Load("small.yaml", []byte(unit), server.Vocabulary())
		require.NoError(t, err)
		loop := clock.NewVirtual()
		bus, err := wire.New(loop, "mem", wire.Config{})
		require.NoError(t, err)
		readings, heard := &signal.Table{}, &signal.Table{}
		for _, name := range []string{"powered", "key", "rpm"} {
			readings.Define(name, "", "")
		}
		for _, name := range []string{"bus_off", "other_lost", "other_wrong", "kmh"} {
			heard.Define(name, "", "")
		}
		_, err = New(loop, bus, spec, Parts{Readings: readings, Memory: dtc.New(spec), NV: nv.New(spec, nil),
			Network: net, Heard: heard, Rand: chance.Seed(1).For("small")})
		if c.want == "" {
			require.NoError(t, err)
			continue
		}
		assert.ErrorContains(t, err, c.want)
	}
}
