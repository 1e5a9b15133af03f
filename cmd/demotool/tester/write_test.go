package tester

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

// checkDigits from the rule of 49 CFR 565.15 (c), from memory: with ones everywhere
// the sum is that of the weights, 89, and 89 modulo 11 is 1.
func TestCheckDigit(t *testing.T) {
	for vin, fits := range map[string]bool{
		"11111111111111111": true,
		"11111111211111111": false,
		"0PT48VM60R1000048": true,
		"0PT48VM60R1000084": false,
	} {
		assert.Equal(t, fits, checkDigitFits(vin), vin)
	}
}

// blankECU is an engine control unit without identity: service 2E behind security
// level 1, whose key for its seed was worked out by hand beside the stand-in car.
type blankECU struct {
	session, open bool
	seeds, keys   int
	delayed       int    // times that it still refuses a seed
	seed, key     string // hex
	vin           []byte
	alters        bool // it stores something else than it was told
	refuses       string
	trace         []string
}

func (b *blankECU) script(base func(time.Duration, bool, []byte) []answer) func(time.Duration, bool, []byte) []answer {
	return func(now time.Duration, fn bool, req []byte) []answer {
		hexed := fmt.Sprintf("% X", req)
		note := func(s, a string) []answer {
			b.trace = append(b.trace, s)
			return []answer{parseAnswer(a)}
		}
		switch {
		case fn && req[0] != 0x09:
			return base(now, fn, req)
		case hexed == "10 03":
			b.session = true
			return note("session", "50 03 00 32 01 F4")
		case hexed == "10 01":
			b.session, b.open = false, false
			return note("default", "50 01 00 32 01 F4")
		case hexed == "27 01" && b.delayed > 0:
			b.delayed--
			return note("delay", "7F 27 37")
		case hexed == "27 01" && b.open:
			return note("open", "67 01 00 00 00 00")
		case hexed == "27 01":
			b.seeds++
			return note("seed", "67 01 "+b.seed)
		case strings.HasPrefix(hexed, "27 02"):
			b.keys++
			if b.open = hexed == "27 02 "+b.key; !b.open {
				return note("wrong key", "7F 27 35")
			}
			return note("key", "67 02")
		case req[0] == 0x2E && !b.open:
			return note("locked", "7F 2E 33")
		case req[0] == 0x2E && b.refuses != "":
			return note("refused", b.refuses)
		case req[0] == 0x2E:
			b.vin = append([]byte(nil), req[3:]...)
			if b.alters {
				b.vin[16]++
			}
			return note("write", "6E F1 90")
		case hexed == "22 F1 90" && b.vin != nil:
			return []answer{parseAnswer("62 F1 90 " + fmt.Sprintf("% X", b.vin))}
		}
		return base(now, fn, req)
	}
}

const otherCar = "TESTCAR0123456789" // what the scripted body says

func writeWorld(t testing.TB, vin string) (*world, *blankECU) {
	w := newWorld(t, Config{Task: "write-identity", VIN: vin})
	engine, _, _ := w.car()
	b := &blankECU{seed: "01 23 45 67", key: "F2 79 A2 26"}
	engine.script = b.script(scripted(with(engineTable, map[string][]string{
		"09 00": {"49 00 14 40 00 00"}, "09 02": nil, // no number yet
		"01 0C 42": {"41 0C 00 00 42 31 38"},
	})))
	return w, b
}

func TestIdentityIsWrittenAndReadBack(t *testing.T) {
	w, b := writeWorld(t, otherCar)
	d := w.run(30 * time.Second)
	require.Equal(t, StatusDone, d.Status, "%s %q", d.Reason, w.lines)
	assert.Equal(t, &Written{ECU: "ECM", DID: "F190", Text: otherCar, Outcome: "written", Reason: "vehicle number written and read back"}, d.Written)
	assert.Equal(t, otherCar, string(b.vin))
	assert.Equal(t, []string{"session", "seed", "key", "write", "default"}, b.trace)
	assert.Equal(t, otherCar, d.ECUs[0].VIN)
	// ISO 15765-2: twenty bytes are a first frame and two consecutive frames.
	assert.Equal(t, 1, w.count("7E0 [8] 10 14 2E F1 90 54 45 53"))
	assert.Equal(t, 1, w.count("7E0 [8] 22 33 34 35 36 37 38 39"))
	assert.Contains(t, strings.Join(d.Problems, "\n"), "check digit", "this number has none")
	assert.Contains(t, strings.Join(w.lines, "\n"), "caution: the number is that of this car")
}

func TestTheNumberOfAnotherCarIsNotWritten(t *testing.T) {
	w, b := writeWorld(t, "11111111111111111")
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "refused", d.Written.Outcome)
	assert.Contains(t, d.Reason, "belongs to car "+otherCar)
	assert.Empty(t, b.trace, "no session was opened for it")
}

func TestAWrongKeyIsNotTriedAgain(t *testing.T) {
	w, b := writeWorld(t, otherCar)
	b.key = "00 00 00 00"
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Contains(t, d.Reason, "security access: invalid key")
	assert.Equal(t, 1, b.keys, "every unit locks after a few")
	assert.Equal(t, "default", b.trace[len(b.trace)-1])
}

func TestADelayOfSecurityIsWaitedFor(t *testing.T) {
	w, b := writeWorld(t, otherCar)
	b.delayed = 10
	d := w.run(30 * time.Second)
	require.Equal(t, StatusDone, d.Status, d.Reason)
	assert.Equal(t, 1, b.seeds)
	w, b = writeWorld(t, otherCar)
	b.delayed = 1000
	d = w.run(60 * time.Second)
	assert.Contains(t, d.Reason, "time delay not over")
}

func TestWhatIsReadBackMustBeWhatWasWritten(t *testing.T) {
	w, b := writeWorld(t, otherCar)
	b.alters = true
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "failed", d.Written.Outcome)
	assert.Contains(t, d.Reason, "read back")
}

func TestARefusedWriteIsTold(t *testing.T) {
	w, b := writeWorld(t, otherCar)
	b.refuses = "7F 2E 22"
	d := w.run(30 * time.Second)
	assert.Equal(t, StatusRefused, d.Status)
	assert.Equal(t, "writing: conditions not correct", d.Reason)
	assert.Equal(t, "default", b.trace[len(b.trace)-1])
}

// The cable comes out in the middle of the long request, before its end is
// confirmed: the request is repeated as a whole.
func TestALongRequestSurvivesThePulledCable(t *testing.T) {
	for _, length := range []time.Duration{300 * time.Millisecond, 2 * time.Second, 6 * time.Second} {
		w, b := writeWorld(t, otherCar)
		from := time.Duration(0)
		w.frameFn = func(f *canbus.Frame) []canbus.Frame {
			if f.Data[0]>>4 == 3 && from == 0 { // the unit's flow control
				from = w.now
			}
			return []canbus.Frame{*f}
		}
		w.cut = func(now time.Duration) bool { return from > 0 && now >= from && now < from+length }
		d := w.run(60 * time.Second)
		require.Equal(t, StatusDone, d.Status, "%v: %s %q", length, d.Reason, w.lines)
		assert.Equal(t, otherCar, string(b.vin))
	}
}

func TestUsageOfWriteIdentity(t *testing.T) {
	for _, c := range []Config{
		{Task: "write-identity"},
		{Task: "write-identity", VIN: "TESTCAR012345678O"},
		{Task: "write-identity", VIN: otherCar, Position: "clutch"},
		{Task: "identify", VIN: otherCar},
	} {
		_, err := New(c)
		require.ErrorIs(t, err, ErrUsage)
	}
	_, err := Start("write-identity", map[string]string{"vin": otherCar})
	require.NoError(t, err)
	_, err = Start("write-identity", map[string]string{"number": otherCar})
	require.ErrorIs(t, err, ErrUsage)
}
