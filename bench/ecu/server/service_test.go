package server

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Sub-functions of service 19 beyond lists by status (ISO 14229-1 clause 11.3).
func TestReadCodesBySeverityAndOrder(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "59 0B FF", r.ask("19 0B"), "none has failed")
	r.plant.WarmIdle()
	r.wait(time.Second)
	r.plant.Set("engine_rpm", 604)
	r.fail("P0335")
	r.fail("P0301")
	r.fail("P0217")
	assert.Equal(t, "59 0B FF 03 35 31 AF", r.ask("19 0B"), "first failed")
	assert.Equal(t, "59 0C FF 03 35 31 AF", r.ask("19 0C"), "first confirmed")
	assert.Equal(t, "59 0D FF 02 17 00 2F", r.ask("19 0D"), "latest failed")
	assert.Equal(t, "59 0E FF 02 17 00 2F", r.ask("19 0E"), "latest confirmed")
	assert.Equal(t, "59 07 FF 01 00 02", r.ask("19 07 80 01"), "check at once: misfire, too hot")
	assert.Equal(t, "59 08 FF 90 00 02 17 00 2F 82 00 03 01 00 27", r.ask("19 08 80 01"))
	assert.Equal(t, "59 09 FF 44 00 03 35 31 AF", r.ask("19 09 03 35 31"))
	assert.Equal(t, "7F 19 31", r.ask("19 09 12 34 56"))
	assert.Equal(t, "59 16 01 03 35 31 AF 01 02 17 00 2F 01 03 01 00 27 01", r.ask("19 16 01"), "one cycle with a failure each")
	assert.Equal(t, "7F 19 31", r.ask("19 16 44"))
	assert.True(t, strings.HasPrefix(r.ask("19 1A 02"), "59 1A FF 02 08 0A 54"))
	// Freeze frame 00 as a stored data record: misfire has taken it.
	frame := r.ask("19 05 00")
	assert.True(t, strings.HasPrefix(frame, "59 05 00 03 01 00 27 12 F4 03"), frame)
	assert.Contains(t, frame, "F4 0C 09 70", "604 rpm")
	assert.Equal(t, "7F 19 31", r.ask("19 05 07"))
	r.mem.Clear(0x033531)
	assert.Equal(t, "59 0B FF", r.ask("19 0B"), "the first is cleared")
}

// Emission OBD in UDS: 19 42, 55, 56, group 33, format J2012-DA 04 (ISO 27145-3,
// ISO 14229-1:2020).
func TestEmissionCodesInUDS(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.WarmIdle()
	r.wait(time.Second)
	r.mem.Started()
	r.fail("P0335")
	r.fail("P0562")
	assert.Equal(t, "59 42 33 FF FF 04 44 03 35 31 AF 30 05 62 16 2F", r.ask("19 42 33 08 FF"))
	assert.Equal(t, "59 42 33 FF FF 04 44 03 35 31 AF", r.ask("19 42 33 08 40"), "severity: check at the next halt")
	assert.Equal(t, "7F 19 31", r.ask("19 42 D0 08 FF"), "no other functional group")
	assert.Equal(t, "59 55 33 FF 04 03 35 31 AF", r.ask("19 55 33"))
	assert.Equal(t, "59 56 33 FF 04 06 04 42 00 40 04 41 72 40 04 46 72 40 04 55 00 40 04 96 73 40", r.ask("19 56 33 06"), "the tank system, not tested in this cycle")
	assert.Equal(t, "7F 19 31", r.ask("19 56 33 40"))
	r.plant.KeyOn()
	r.plant.Set("engine_running", 0)
	assert.Equal(t, "7F 14 78 | 54", strings.Join(r.answers(false, "14 FF FF 33", time.Second), " | "))
	assert.Equal(t, "59 42 33 FF FF 04", r.ask("19 42 33 08 FF"))
	body := newRig(t, loadUnit(t, "ecu-body.yaml"))
	assert.Equal(t, "7F 19 12", body.ask("19 42 33 08 FF"), "a unit without emission OBD")
}

// Service 24: kind and length of each field. The VIN as the standard has it (6F 62),
// and the worked constant 0.75 as E0 4B (ISO 14229-1 annex C, from memory).
func TestScalingData(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "64 F1 90 6F 62", r.ask("24 F1 90"))
	assert.Equal(t, "64 F4 0C 02 95 00 E0 19 00 00", r.ask("24 F4 0C"), "0.25 is 25 x 10^-2")
	assert.Equal(t, "64 F4 05 01 95 00 00 01 0F D8", r.ask("24 F4 05"), "factor 1, offset -40")
	assert.Equal(t, "7F 24 31", r.ask("24 12 34"))
	assert.Equal(t, "7F 24 13", r.ask("24 F1"))
	assert.Equal(t, []byte{0xE0, 0x4B}, appendConstant(nil, 0.75))
	assert.Equal(t, []byte{0x00, 0x1E}, appendConstant(nil, 30))
	assert.Equal(t, []byte{0x00, 0x00}, appendConstant(nil, 0))
}

// Service 08 and its form as routine E0xx (SAE J1979, J1979-2).
func TestLeakTestClosesTheTank(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "48 00 80 00 00 00", r.call("08 00"))
	assert.Equal(t, "48 01 00 00 00 00 00", r.call("08 01 00 00 00 00 00"))
	assert.Equal(t, []string{"vent at 1", "purge at 0"}, r.plant.Outputs)
	r.plant.Set("engine_rpm", 200)
	r.wait(10 * time.Millisecond)
	assert.Equal(t, []string{"vent at 1", "purge at 0", "vent returned", "purge returned"}, r.plant.Outputs)
	assert.Equal(t, "7F 08 22", r.call("08 01 00 00 00 00 00"), "refused with the engine turning")
	assert.Empty(t, r.call("08 01"), "out of shape")
	assert.Empty(t, r.call("08 02 00 00 00 00 00"), "not there")
	r.plant.Set("engine_rpm", 0)
	r.ask("10 03")
	assert.Equal(t, "71 03 E0 01 02 02", r.ask("31 03 E0 01"), "reason 02: engine turns")
	assert.Equal(t, "71 01 E0 01 01", r.ask("31 01 E0 01"))
	assert.Equal(t, "71 02 E0 01 02", r.ask("31 02 E0 01"))
	assert.Equal(t, "7F 31 24", r.ask("31 02 E0 01"))
}

// Service 23: address and length in the sizes that the format byte says.
func TestReadMemory(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "7F 23 7F", r.ask("23 14 00 00 00 00 04"))
	r.ask("10 03")
	assert.Equal(t, "63 62 6F 6F 74", r.ask("23 14 00 00 00 00 04"), "the region's name, as delivered")
	assert.Equal(t, "63 62 6F", r.ask("23 21 00 00 02"))
	for req, want := range map[string]string{
		"23 14 00 00 00 00":       "7F 23 13", // a byte short
		"23 04 00 00 00 00":       "7F 23 31", // no size
		"23 14 00 00 0F FF 02":    "7F 23 31", // beyond the end
		"23 14 00 08 00 00 01":    "7F 23 31", // nothing there
		"23 14 00 00 00 00 00":    "7F 23 31", // nothing of it
		"23 24 00 01 00 00 20 00": "7F 23 33", // locked
	} {
		assert.Equal(t, want, r.ask(req), req)
	}
	r.unlock()
	assert.Equal(t, "7F 23 14", r.ask("23 24 00 01 00 00 20 00"), "longer than a message")
	assert.Equal(t, "63 61 70 70", r.ask("23 14 00 01 00 00 03"))
}

// Service 2C (ISO 14229-1 clause 11.6): identifiers out of parts of others and of
// memory; positions count from 1.
func TestDefinedIdentifiers(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.Set("engine_rpm", 604)
	r.ask("10 03")
	assert.Equal(t, "7F 22 31", r.ask("22 F3 01"))
	assert.Equal(t, "6C 01 F3 01", r.ask("2C 01 F3 01 F4 0C 01 02 F1 90 0A 03"))
	assert.Equal(t, "62 F3 01 09 70 52 31 30", r.ask("22 F3 01"))
	assert.Equal(t, "6C 02 F3 01", r.ask("2C 02 F3 01 14 00 00 00 01 02"), "a second definition adds")
	assert.Equal(t, "62 F3 01 09 70 52 31 30 6F 6F", r.ask("22 F3 01"))
	for req, want := range map[string]string{
		"2C 01 F3 02 F4 0C 02 02": "7F 2C 31", // beyond the source's end
		"2C 01 F3 02 F4 0C 00 01": "7F 2C 31", // positions count from 1
		"2C 01 F3 02 F3 01 01 01": "7F 2C 31", // not out of defined ones
		"2C 01 F1 90 F4 0C 01 01": "7F 2C 31", // not in the range
		"2C 01 F3 02 F4 0C 01":    "7F 2C 13",
		"2C 04 F3 02":             "7F 2C 12",
		"2C 03 F3 02":             "7F 2C 31", // not defined
	} {
		assert.Equal(t, want, r.ask(req), req)
	}
	assert.Equal(t, "6C 03 F3 01", r.ask("2C 03 F3 01"))
	assert.Equal(t, "7F 22 31", r.ask("22 F3 01"))
	for i := range maxDynamic {
		assert.Equal(t, fmt.Sprintf("6C 01 F3 %02X", i), r.ask(fmt.Sprintf("2C 01 F3 %02X F4 0C 01 02", i)))
	}
	assert.Equal(t, "7F 2C 31", r.ask("2C 01 F3 20 F4 0C 01 02"), "a bound on all")
	r.server.Power(r.now, false)
	r.server.Power(r.now, true)
	r.wait(time.Second)
	assert.Equal(t, "7F 22 31", r.ask("22 F3 00"), "lost with power")
}

// Service 2A with answers of type 1 (ISO 14229-3): identifier and data without
// service byte, at the chosen rate, until stopped or the session ends; the answers
// themselves keep no session.
func TestPeriodicAnswers(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.Set("engine_rpm", 604)
	assert.Equal(t, "7F 2A 7F", r.ask("2A 02 01"))
	r.ask("10 03")
	got := r.answers(false, "2A 02 01", time.Second)
	require.Len(t, got, 5, "the answer, and four in a second at 250 ms: %v", got)
	assert.Equal(t, "6A", got[0])
	for _, a := range got[1:] {
		assert.Equal(t, "01 09 70 7B 00 00", a)
	}
	fast := r.answers(false, "2A 03 02", time.Second)
	n := 0
	for _, a := range fast {
		if strings.HasPrefix(a, "02 ") {
			n++
		}
	}
	assert.InDelta(t, 20, n, 1, "50 ms")
	assert.Equal(t, "6A", r.answers(false, "2A 04 02", 20*time.Millisecond)[0])
	assert.Equal(t, "7F 2A 31", first(r.answers(false, "2A 01 77", 20*time.Millisecond)), "not there")
	assert.Equal(t, "7F 2A 31", first(r.answers(false, "2A 05 01", 20*time.Millisecond)), "no such rate")
	assert.Equal(t, "7F 2A 13", first(r.answers(false, "2A 01", 20*time.Millisecond)))
	end := r.now
	r.answers(false, "3E 80", 10*time.Second)
	assert.Equal(t, "62 F1 86 01", r.ask("22 F1 86"), "the session ended five seconds after %v", end)
	assert.Empty(t, r.answers(false, "3E 80", time.Second), "and with it the answers")
}

func first(s []string) string {
	for _, a := range s {
		if strings.HasPrefix(a, "7F") || strings.HasPrefix(a, "6A") {
			return a
		}
	}
	return ""
}

// A defined identifier can be sent periodically; cleared, it is no more.
func TestPeriodicAnswersOfADefinedIdentifier(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.ask("10 03")
	assert.Equal(t, "6C 01 F2 55", r.ask("2C 01 F2 55 F4 05 01 01"))
	assert.Contains(t, r.answers(false, "2A 03 55", 200*time.Millisecond), "55 7B")
	r.answers(false, "2C 03 F2 55", 20*time.Millisecond)
	assert.NotContains(t, r.answers(false, "3E 80", 300*time.Millisecond), "55 7B")
}

// toProgramming unlocks the programming session and erases the memory.
func (r *rig) toProgramming() {
	r.t.Helper()
	r.ask("10 03")
	require.Equal(r.t, "50 02 00 32 01 F4", r.ask("10 02"))
	require.Equal(r.t, "67 04", r.tryKey(2, true))
	require.Equal(r.t, "71 01 FF 00 01", r.ask("31 01 FF 00 "+ecutest.WholeRegion))
	r.wait(1600 * time.Millisecond)
	require.Equal(r.t, "71 03 FF 00 00 00", r.ask("31 03 FF 00"))
}

// blocks sends so many bytes of an image in blocks of 256.
func (r *rig) blocks(b []byte, bytes int) {
	r.t.Helper()
	for i := 0; i < bytes; i += 256 {
		c := byte(i/256 + 1)
		require.Equal(r.t, fmt.Sprintf("76 %02X", c), r.ask(fmt.Sprintf("36 %02X ", c)+ecutest.Spaced(b[i:i+256])))
	}
}

func TestProgrammingAWholeImage(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.toProgramming()
	b := ecutest.Image(0x5A)
	assert.Equal(t, "74 20 01 02", r.ask("34 00 "+ecutest.WholeRegion), "blocks of 258 bytes, service and counter included")
	r.blocks(b, len(b))
	assert.Equal(t, "77", r.ask("37"))
	assert.Equal(t, "71 01 FF 01 01", r.ask("31 01 FF 01"))
	r.wait(500 * time.Millisecond)
	assert.Equal(t, "71 03 FF 01 00 00", r.ask("31 03 FF 01"))
	assert.True(t, r.server.Boot(), "until it starts anew")
	assert.Equal(t, "51 01", r.ask("11 01"))
	r.wait(time.Second)
	assert.False(t, r.server.Boot())
	assert.Equal(t, []bool{true, false}, r.plant.Boots)
	assert.Equal(t, "41 0C 00 00", r.call("01 0C"))
	r.ask("10 03")
	r.unlock()
	assert.Equal(t, "63 "+ecutest.Spaced(b[:4]), r.ask("23 14 00 01 00 00 04"))
	sealed := make([]byte, 13)
	copy(sealed, "123456789")
	Seal(sealed)
	assert.Equal(t, "CB F4 39 26", ecutest.Spaced(sealed[9:]), "check value of CRC-32 (catalogue of CRC algorithms)")
}

// Block sequence counters (ISO 14229-1 clause 14.5): from 01, FF to 00, the last one
// may be repeated and is not written twice, any other is 73.
func TestBlockSequence(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.ask("10 03")
	r.ask("10 02")
	assert.Equal(t, "7F 36 33", r.ask("36 01 00"), "locked")
	assert.Equal(t, "67 04", r.tryKey(2, true))
	assert.Equal(t, "7F 36 24", r.ask("36 01 00"), "before service 34")
	assert.Equal(t, "7F 37 24", r.ask("37"))
	assert.Equal(t, "7F 34 70", r.ask("34 00 "+ecutest.WholeRegion), "not erased")
	r.toProgramming()
	for req, want := range map[string]string{
		"34 11 " + ecutest.WholeRegion:     "7F 34 31", // compressed
		"34 00 44 00 01 00 00 00 00 40 01": "7F 34 31", // too long
		"34 00 44 00 00 00 00 00 00 00 10": "7F 34 31", // not programmable
		"34 00 44 00 01":                   "7F 34 13",
		"34 00 50 00 01 00 00 00":          "7F 34 31", // no address
	} {
		assert.Equal(t, want, r.ask(req), req)
	}
	// 259 bytes in blocks of one byte: the counter goes round.
	assert.Equal(t, "74 20 01 02", r.ask("34 00 44 00 01 00 00 00 00 01 03"))
	assert.Equal(t, "7F 34 22", r.ask("34 00 "+ecutest.WholeRegion), "one is running")
	assert.Equal(t, "7F 36 73", r.ask("36 00 AA"))
	assert.Equal(t, "7F 36 73", r.ask("36 02 AA"))
	assert.Equal(t, "76 01", r.ask("36 01 AA"))
	assert.Equal(t, "76 01", r.ask("36 01 AA"), "a lost answer: repeated")
	assert.Equal(t, "7F 36 73", r.ask("36 03 BB"))
	assert.Equal(t, "7F 36 13", r.ask("36 02"), "nothing in it")
	for i := 2; i <= 258; i++ {
		require.Equal(t, fmt.Sprintf("76 %02X", byte(i)), r.ask(fmt.Sprintf("36 %02X %02X", byte(i), byte(i))))
	}
	assert.Equal(t, "7F 37 24", r.ask("37"), "a byte is missing")
	assert.Equal(t, "7F 36 71", r.ask("36 03 01 02"), "more than announced")
	assert.Equal(t, "76 03", r.ask("36 03 01"))
	assert.Equal(t, "7F 36 24", r.ask("36 04 01"), "all have come")
	assert.Equal(t, "7F 37 13", r.ask("37 00"))
	assert.Equal(t, "77", r.ask("37"))
	b, ok := r.nv.Bytes("application")
	require.True(t, ok)
	assert.Equal(t, "AA 02 03", ecutest.Spaced(b[:3]), "the repeated block stands there once")
	assert.Equal(t, "FF 00 01 02 01 FF", ecutest.Spaced(b[254:260]))
	r.plant.Set("battery_v", 10)
	assert.Equal(t, "7F 34 93", r.ask("34 00 44 00 01 02 00 00 00 00 10"), "supply too low")
}

// Power lost half way, at any block: the boot program answers, and a whole image
// brings the unit back.
func TestPowerLossWhileProgramming(t *testing.T) {
	for _, sent := range []int{0, 256, 0x2000, 0x4000} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		r.toProgramming()
		b := ecutest.Image(0x11)
		r.ask("34 00 " + ecutest.WholeRegion)
		r.blocks(b, sent)
		r.server.Power(r.now, false)
		r.wait(time.Second)
		r.server.Power(r.now, true)
		r.wait(time.Second)
		assert.True(t, r.server.Boot(), "after %d bytes", sent)
		assert.Empty(t, r.call("01 00"))
		assert.Equal(t, "7F 19 11", r.ask("19 02 FF"))
		assert.Equal(t, "7F 36 7F", r.ask("36 01 00"), "the transfer is over")
		r.fail("P0335")
		i, _ := r.mem.Ref("P0335")
		assert.Zero(t, r.mem.Status(i)&uds.TestFailed, "the boot program keeps no codes")
		r.toProgramming()
		r.ask("34 00 " + ecutest.WholeRegion)
		r.blocks(b, len(b))
		r.ask("37")
		r.ask("31 01 FF 01")
		r.wait(500 * time.Millisecond)
		r.server.Power(r.now, false)
		r.server.Power(r.now, true)
		r.wait(time.Second)
		assert.False(t, r.server.Boot())
		assert.NotEmpty(t, r.call("01 00"))
	}
}
