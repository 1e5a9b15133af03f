package broadcast_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/ecu/broadcast"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/dbc"
)

// small is an invented network of two nodes.
const small = `VERSION ""
NS_ :
BS_:
BU_: Engine Brake
BO_ 256 Speed: 8 Engine
 SG_ Rpm : 7|16@0+ (0.25,0) [0|16383.5] "rev/min" Brake
 SG_ Oil : 16|8@1+ (1,-40) [-40|200] "degC" Brake
 SG_ Valid : 24|2@1+ (1,0) [0|3] "" Brake
 SG_ Alive : 32|4@1+ (1,0) [0|15] "" Brake
 SG_ Check : 40|8@1+ (1,0) [0|255] "" Brake
BO_ 512 Pages: 3 Engine
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" Brake
 SG_ RpmOfPage m0 : 8|16@1+ (1,0) [0|65535] "rev/min" Brake
 SG_ OilOfPage m2 : 8|8@1+ (1,-40) [-40|200] "degC" Brake
BO_ 768 Other: 1 Brake
 SG_ Nothing : 0|8@1+ (1,0) [0|255] "" Engine
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "GenSigStartValue" INT 0 10000;
BA_DEF_ SG_ "SawhorseRole" STRING ;
BA_DEF_ SG_ "SawhorseReading" STRING ;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenSigStartValue" 0;
BA_DEF_DEF_ "SawhorseRole" "";
BA_DEF_DEF_ "SawhorseReading" "";
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 512 100;
BA_ "GenMsgCycleTime" BO_ 768 100;
BA_ "SawhorseReading" SG_ 256 Rpm "engine_rpm";
BA_ "SawhorseReading" SG_ 256 Oil "oil_c";
BA_ "SawhorseReading" SG_ 512 RpmOfPage "engine_rpm";
BA_ "SawhorseReading" SG_ 512 OilOfPage "oil_c";
BA_ "GenSigStartValue" SG_ 256 Valid 2;
BA_ "SawhorseRole" SG_ 256 Alive "counter";
BA_ "SawhorseRole" SG_ 256 Check "checksum:crc8-j1850";
VAL_ 256 Oil 255 "not available" ;
`

func parse(t *testing.T, text string) *dbc.Network {
	t.Helper()
	n, err := dbc.Parse("small.dbc", []byte(text))
	require.NoError(t, err)
	return n
}

func readings() (*signal.Table, signal.Ref, signal.Ref) {
	t := &signal.Table{}
	return t, t.Define("engine_rpm", "rev/min", ""), t.Define("oil_c", "degC", "")
}

// run lets time pass until the end and gives the frames with the times they were due.
func run(s *broadcast.Sender, from, end time.Duration) (frames []canbus.Frame) {
	now := from
	for {
		at, ok := s.Due()
		if !ok || at > end {
			return frames
		}
		now = max(now, at)
		for f := s.Next(now); f != nil; f = s.Next(now) {
			sent := *f
			sent.Time = now
			frames = append(frames, sent)
			s.Sent(&sent)
		}
	}
}

// Worked by hand from the layout: 2000 rev/min are 8000 = 1F40 in the order of
// Motorola, 80 degC are 120 = 78. The check byte of 1F 40 78 02 n 00 00 is that of
// CRC-8/SAE-J1850, whose check value package checksum's tests have.
func TestAMessageHoldsTheReadings(t *testing.T) {
	table, rpm, oil := readings()
	table.Set(rpm, 2000)
	table.Set(oil, 80)
	s, err := broadcast.NewSender(parse(t, small), "Engine", table)
	require.NoError(t, err)
	assert.Equal(t, []canbus.Key{256, 512}, s.Keys())
	assert.Empty(t, run(s, 0, time.Second), "it is silent until it may talk")
	s.Talk(time.Second, true)
	var speed []canbus.Frame
	for _, f := range run(s, time.Second, 2*time.Second) {
		if f.ID == 256 {
			speed = append(speed, f)
		}
	}
	require.Len(t, speed, 100)
	for i, f := range speed {
		assert.Equal(t, []byte{0x1F, 0x40, 0x78, 0x02, byte(i % 16)}, f.Data[:5])
		assert.Equal(t, crc8(append(append([]byte{}, f.Data[:5]...), 0, 0)), f.Data[5])
		assert.Equal(t, time.Duration(i)*10*time.Millisecond, f.Time-speed[0].Time, "no drift")
	}
}

// crc8 is CRC-8/SAE-J1850 bit by bit, as SAE J1850 describes it.
func crc8(data []byte) byte {
	crc := byte(0xFF)
	for _, b := range data {
		for i := 7; i >= 0; i-- {
			top := crc>>7 ^ b>>i&1
			crc <<= 1
			if top != 0 {
				crc ^= 0x1D
			}
		}
	}
	return ^crc
}

func TestTheOracleIsRight(t *testing.T) {
	assert.EqualValues(t, 0x4B, crc8([]byte("123456789"))) // the public catalogue's check value
}

func first(t *testing.T, s *broadcast.Sender, id canbus.ID) canbus.Frame {
	t.Helper()
	s.Talk(0, false)
	s.Talk(0, true)
	for _, f := range run(s, 0, 100*time.Millisecond) {
		if f.ID == id {
			return f
		}
	}
	t.Fatal("no frame")
	return canbus.Frame{}
}

// Beyond the range a value stops at its end, so that it is never taken for "not
// available"; what the unit does not believe is just that.
func TestValuesStopAndDoubtsAreTold(t *testing.T) {
	table, rpm, oil := readings()
	s, err := broadcast.NewSender(parse(t, small), "Engine", table)
	require.NoError(t, err)
	table.Set(rpm, 20000)
	table.Set(oil, 300)
	f := first(t, s, 256)
	assert.Equal(t, []byte{0xFF, 0xFE, 240}, f.Data[:3]) // 16383.5 = 65534, 200 degC = 240
	table.Set(rpm, -5)
	table.Set(oil, -60)
	f = first(t, s, 256)
	assert.Equal(t, []byte{0, 0, 0}, f.Data[:3])
	table.Trust(rpm, false)
	table.Trust(oil, false)
	f = first(t, s, 256)
	assert.Equal(t, []byte{0, 0, 255}, f.Data[:3], "rev/min have no such value")
	table.Trust(oil, true)
	f = first(t, s, 256)
	assert.Equal(t, []byte{0, 0, 0}, f.Data[:3])
}

func TestPagesComeOneAfterTheOther(t *testing.T) {
	table, rpm, oil := readings()
	table.Set(rpm, 0x1234)
	table.Set(oil, 60)
	s, err := broadcast.NewSender(parse(t, small), "Engine", table)
	require.NoError(t, err)
	s.Talk(0, true)
	var pages []string
	for _, f := range run(s, 0, 400*time.Millisecond) {
		if f.ID == 512 {
			pages = append(pages, string(f.Payload()))
		}
	}
	assert.Equal(t, []string{"\x00\x34\x12", "\x02\x64\x00", "\x00\x34\x12", "\x02\x64\x00"}, pages)
}

// A controller has one place for a message: while a frame waits for the bus, it is not
// queued again; after 200 ms without hope it is tried anew. Frames that were not made do not
// count.
func TestAFrameThatWaitsIsNotQueuedTwice(t *testing.T) {
	table, _, _ := readings()
	s, err := broadcast.NewSender(parse(t, small), "Engine", table)
	require.NoError(t, err)
	s.Talk(0, true)
	var times []time.Duration
	for now := time.Duration(0); now < 300*time.Millisecond; now += time.Millisecond {
		for f := s.Next(now); f != nil; f = s.Next(now) {
			if f.ID == 256 {
				times = append(times, now)
				assert.EqualValues(t, len(times)-1, f.Data[4])
			}
		}
	}
	require.Len(t, times, 2)
	assert.Equal(t, 200*time.Millisecond, times[1]-times[0])
	f := canbus.New(256, make([]byte, 8)...)
	s.Refused(&f, true)
	assert.True(t, s.BusOff())
	require.True(t, s.Sent(&f))
	assert.False(t, s.BusOff())
	other := canbus.New(0x7E8, 0)
	assert.False(t, s.Sent(&other), "not one of the messages")
}

func TestMistakesOfANetworkAreNamedByPlace(t *testing.T) {
	table, _, _ := readings()
	for _, c := range []struct{ old, new, want string }{
		{`256 Oil "oil_c"`, `256 Oil "oil_temp"`, `small.dbc:29:35: signal Oil carries "oil_temp", which is no reading of the unit Engine`},
		{`BO_ 512 100`, `BO_ 512 0`, `small.dbc:11:5: message Pages has no cycle time, want the attribute GenMsgCycleTime in ms`},
		{`Valid 2;`, `Valid two;`, `small.dbc:32:38: signal Valid: start value "two", want a raw value`},
	} {
		require.Contains(t, small, c.old)
		_, err := broadcast.NewSender(parse(t, strings.Replace(small, c.old, c.new, 1)), "Engine", table)
		assert.EqualError(t, err, c.want)
	}
}

func TestSendingAllocatesNothing(t *testing.T) {
	table, _, _ := readings()
	s, err := broadcast.NewSender(parse(t, small), "Engine", table)
	require.NoError(t, err)
	s.Talk(0, true)
	now := time.Duration(0)
	assert.Zero(t, testing.AllocsPerRun(1000, func() {
		now += 10 * time.Millisecond
		for f := s.Next(now); f != nil; f = s.Next(now) {
			s.Sent(f)
		}
	}))
}
