package unit

import (
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus/capture"
)

// missingPeer skips a check against a program that is not there, but not in CI,
// where everything must be.
func missingPeer(t *testing.T, name string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("%s is not installed: the check against it is left out", name)
}

// recordAnswers runs requests against the engine unit and writes what was on the bus.
func recordAnswers(t *testing.T, prepare func(n *network), requests ...string) string {
	t.Helper()
	n := newNetwork(t, "ecu-engine.yaml")
	n.key(true)
	prepare(n)
	for i, req := range requests {
		n.at(time.Duration(1000+300*i)*time.Millisecond, func() { n.send(n.links["engine"], req) })
	}
	n.run(time.Duration(1500+300*len(requests)) * time.Millisecond)
	file := t.TempDir() + "/answers.pcapng"
	w, err := capture.Create(file, capture.Options{})
	require.NoError(t, err)
	for i := range n.frames {
		require.NoError(t, w.Write(&n.frames[i], ""))
	}
	require.NoError(t, w.Close())
	return file
}

// dissect has tshark take the answers (identifier 7E8) apart and prints the
// fields, one line a message, empty ones left out.
func dissect(t *testing.T, file, protocol string, fields ...string) string {
	t.Helper()
	args := []string{"-r", file, "-d", "can.subdissector,iso15765", "-d", "iso15765.subdissector," + protocol,
		"-Y", "can.id == 0x7e8 && " + protocol, "-T", "fields", "-E", "separator=/s"}
	for _, f := range fields {
		args = append(args, "-e", f)
	}
	cmd := exec.Command("tshark", args...)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	require.NoError(t, err, errs.String())
	var lines []string
	for line := range strings.Lines(string(out)) {
		lines = append(lines, strings.Join(strings.Fields(line), " "))
	}
	return strings.Join(lines, "\n")
}

// The OBD dissector of an analyser that shares no code with this module reads
// the values that were put in.
func TestADissectorReadsOBDValues(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		missingPeer(t, "tshark")
	}
	file := recordAnswers(t, func(n *network) {
		p := n.plants["engine"]
		p.Set("engine_rpm", 604)
		p.Set("coolant_c", 83)
		p.Set("air_mass_gps", 4)
		p.Set("spark_deg", 10)
		p.Set("battery_v", 14.3)
	}, "01 0C", "01 05", "01 10", "01 0E", "01 42", "09 02")
	got := dissect(t, file, "obd-ii", "obd-ii.mode01_engine_rpm", "obd-ii.mode01_engine_coolant_temp",
		"obd-ii.mode01_maf_air_flow_rate", "obd-ii.mode01_timing_advance", "obd-ii.mode01_control_module_voltage", "obd-ii.VIN")
	assert.Equal(t, "604\n83\n4\n10\n14.3\n0PT48VM60R1000048", got)
}

func TestADissectorReadsUDSAnswers(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		missingPeer(t, "tshark")
	}
	file := recordAnswers(t, func(*network) {}, "10 03", "22 F1 90", "31 03 02 10", "19 02 01", "2E F1 90 00", "3E 00", "85 02",
		"2F 04 00 03 01", "36 01 00", "24 F1 90", "2C 01 F3 01 F4 0C 01 02")
	got := dissect(t, file, "uds", "uds.sid", "uds.dsc.type", "uds.rdbi.data_identifier", "uds.rc.type", "uds.rc.identifier",
		"uds.rdtci.type", "uds.err.sid", "uds.err.code", "uds.cdtcs.type")
	assert.Equal(t, strings.Join([]string{
		"0x10 0x03", "0x22 0xf190", "0x31 0x03 0x0210", "0x19 0x02", "0x3f 0x2e 0x13", "0x3e", "0x85 0x02",
		"0x2f", "0x3f 0x36 0x7f", "0x24", "0x2c",
	}, "\n"), got)
}

// Every service that the engine unit has, asked once in a state where it answers: the
// dissectors find the service and its outcome in each message, none malformed.
func TestADissectorReadsEveryService(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		missingPeer(t, "tshark")
	}
	uds := []string{"10 03", "14 FF FF 33", "19 0A", "22 F1 90", "23 14 00 00 00 00 04", "24 F4 05", "27 01", "28 00 01", "2A 04",
		"2C 01 F3 01 F4 0C 01 02", "2E F1 90 00", "2F 04 00 03 01", "31 03 02 10", "34 00 11 00 01", "36 01 00", "37", "3E 00", "85 01", "11 03"}
	file := recordAnswers(t, func(*network) {}, uds...)
	got := strings.Split(dissect(t, file, "uds", "uds.sid", "uds.err.sid", "_ws.malformed"), "\n")
	assert.NotContains(t, strings.Join(got, " "), "alformed")
	for _, req := range uds {
		sid := strings.ToLower(req[:2])
		found := slices.ContainsFunc(got, func(line string) bool { return strings.HasPrefix(line, "0x"+sid) || line == "0x3f 0x"+sid })
		assert.True(t, found, "service %s is in none of %q", sid, got)
	}
	obd := []string{"01 00", "02 02 00", "03", "04", "06 00", "07", "08 00", "09 00", "0A"}
	file = recordAnswers(t, func(*network) {}, obd...)
	got = strings.Split(dissect(t, file, "obd-ii", "obd-ii.mode", "_ws.malformed"), "\n")
	var want []string
	for _, req := range obd {
		want = append(want, "0x"+strings.ToLower(req[:2]))
	}
	got = slices.DeleteFunc(got, func(line string) bool { return line == "0x3f" }) // response pending
	assert.Equal(t, want, got)
}
