package server

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Worked examples of ISO 14229-1 service 19: 59 02 with P080A status 2F and
// P0335 status 2C have the layout AM {uds.DTC ST}.., 59 01 FF 01 count.
func TestReadCodes(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.fail("P080A")
	r.fail("P0562")
	r.pass("P0562")
	assert.Equal(t, "59 01 FF 01 00 02", r.ask("19 01 09"))
	assert.Equal(t, "59 02 FF 08 0A 54 2F 05 62 16 2E", r.ask("19 02 09"))
	assert.Equal(t, "59 02 FF 08 0A 54 2F", r.ask("19 02 01"), "only the one that fails now")
	assert.Equal(t, "59 02 FF", r.ask("19 02 10"), "no match is a positive answer")
	assert.Equal(t, "59 01 FF 01 00 00", r.ask("19 01 00"))
	assert.Equal(t, "59 06 08 0A 54 2F 01 01 02 00 03 7F", r.ask("19 06 08 0A 54 FF"))
	assert.Equal(t, "59 06 08 0A 54 2F 01 01", r.ask("19 06 08 0A 54 01"))
	assert.Equal(t, "59 06 03 35 31 40", r.ask("19 06 03 35 31 FF"), "known, never failed: no record")
	assert.Equal(t, "59 15 FF", r.ask("19 15"))
	r.fail("P0335")
	assert.Equal(t, "59 15 FF 03 35 31 AF", r.ask("19 15"))
	assert.Len(t, r.ask("19 0A"), 3*(3+4*len(r.spec.Codes))-1, "all supported codes, four bytes each")
}

func TestSnapshots(t *testing.T) {
	s := *loadUnit(t, "ecu-engine.yaml")
	obd := *s.OBD
	obd.FreezeFrame = []uint8{0x0C, 0x05}
	s.OBD = &obd
	r := newRig(t, &s)
	r.plant.Set("engine_rpm", 604)
	r.plant.Set("coolant_c", 83)
	r.fail("P080A")
	// The layout of the worked example: record 01, two identifiers, 604 rpm, 83 degC.
	assert.Equal(t, "59 04 08 0A 54 2F 01 02 F4 0C 09 70 F4 05 7B", r.ask("19 04 08 0A 54 01"))
	r.pass("P080A")
	r.plant.Set("engine_rpm", 700)
	r.fail("P080A")
	assert.Equal(t, "59 04 08 0A 54 2F 01 02 F4 0C 09 70 F4 05 7B 02 02 F4 0C 0A F0 F4 05 7B", r.ask("19 04 08 0A 54 FF"),
		"first and latest failure")
	assert.Equal(t, "59 03 08 0A 54 01 08 0A 54 02", r.ask("19 03"))
	assert.Equal(t, "59 04 03 35 31 40", r.ask("19 04 03 35 31 FF"), "known, but no record: number and status only")
	assert.Equal(t, "7F 19 31", r.ask("19 04 08 0A 54 07"))
}

func TestFaultDetectionCounters(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	ref, _ := r.mem.Ref("P0335")
	for range 51 {
		r.mem.Test(ref, r.now, true)
		r.wait(10 * time.Millisecond)
	}
	assert.Equal(t, "59 14 03 35 31 3F", r.ask("19 14"), "half way to failed")
	r.fail("P0335")
	assert.Equal(t, "59 14", r.ask("19 14"), "failed: no longer pre-failed")
}

func TestClearByUDS(t *testing.T) {
	for group, left := range map[string]string{
		"FF FF FF": "59 02 FF",
		"FF FF 33": "59 02 FF",
		"03 35 31": "59 02 FF 08 0A 54 2F",
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		r.fail("P080A")
		r.fail("P0335")
		assert.Equal(t, []string{"7F 14 78", "54"}, r.answers(false, "14 "+group, time.Second), group)
		assert.Equal(t, left, r.ask("19 02 08"), group)
	}
	r := newRig(t, loadUnit(t, "ecu-body.yaml"))
	assert.Equal(t, "7F 14 31", r.ask("14 FF FF 33"), "a unit without emission OBD has no emission group")
	assert.Equal(t, "7F 03 11", r.ask("03"), "nor its services")
	assert.Equal(t, "59 02 7F", r.ask("19 02 08"), "nor a lamp: bit 7 is not available")
}

func TestCodeSettingStopsTheMemory(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.ask("10 03")
	assert.Equal(t, "C5 02", r.ask("85 02"))
	r.fail("P0563") // longer than S3 in all: keep the session up
	assert.Equal(t, "62 F1 86 01", r.ask("22 F1 86"))
	r.ask("10 03")
	r.ask("85 02")
	r.fail("P0335")
	assert.Equal(t, "43 00", r.call("03"))
	r.ask("10 01")
	r.fail("P0335")
	assert.Equal(t, "43 01 03 35", r.call("03"), "back in the default session codes are kept again")
}
