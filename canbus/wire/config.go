package wire

import (
	"fmt"
	"math/bits"
	"time"
)

// Limits of a bus. Bit rates below 10 kbit/s and above 1 Mbit/s (8 Mbit/s in the
// data phase) are outside ISO 11898-2:2016.
const (
	MinBitRate     = 10_000
	MaxBitRate     = 1_000_000
	MaxDataBitRate = 8_000_000
	MaxQueue       = 65536
)

// Config says how a bus runs. The zero value is a classical bus at 500 kbit/s.
type Config struct {
	// BitRate is the nominal bit rate in bit/s, MinBitRate to MaxBitRate; 0
	// means 500000.
	BitRate int
	// DataBitRate is the bit rate of the data phase of CAN FD frames in bit/s,
	// BitRate to MaxDataBitRate; 0 makes a bus that knows classical frames only.
	DataBitRate int
	// Queue bounds the frames waiting in each port; 0 means 256.
	Queue int
	// RecoverAfter has a bus-off node ask to come back after this time by
	// itself; 0 leaves it off until Port.Recover.
	RecoverAfter time.Duration
	// ReportErrors has every error frame reported on the tap, not only the
	// changes of a node's state. A node without a listener makes thousands a
	// second.
	ReportErrors bool
	// Window is the span of the sliding bus load; 0 means 1 s.
	Window time.Duration
	// Number is put into the Bus field of every frame.
	Number uint8
}

func (c Config) withDefaults() Config {
	if c.BitRate == 0 {
		c.BitRate = 500_000
	}
	if c.Queue == 0 {
		c.Queue = 256
	}
	if c.Window == 0 {
		c.Window = time.Second
	}
	return c
}

func (c Config) validate() error {
	switch {
	case c.BitRate < MinBitRate || c.BitRate > MaxBitRate:
		return fmt.Errorf("bit rate %d, want %d to %d bit/s", c.BitRate, MinBitRate, MaxBitRate)
	case c.DataBitRate != 0 && (c.DataBitRate < c.BitRate || c.DataBitRate > MaxDataBitRate):
		return fmt.Errorf("data bit rate %d, want %d to %d bit/s, or 0 for a classical bus", c.DataBitRate, c.BitRate, MaxDataBitRate)
	case c.Queue < 1 || c.Queue > MaxQueue:
		return fmt.Errorf("queue of %d frames, want 1 to %d", c.Queue, MaxQueue)
	case c.RecoverAfter < 0:
		return fmt.Errorf("recovery after %v, want 0 or more", c.RecoverAfter)
	case c.Window < windowSteps*time.Microsecond:
		return fmt.Errorf("load window %v, want %v or more", c.Window, windowSteps*time.Microsecond)
	}
	return nil
}

// rate is the length of a bit in 2^-24 ns, so that bit rates that do not divide a
// second still add up.
type rate uint64

const rateShift = 24

func newRate(bitRate int) rate {
	if bitRate == 0 {
		return 0
	}
	b := uint64(bitRate)
	return rate((uint64(time.Second)<<rateShift + b/2) / b)
}

// span is the time of n bits, to the nearest nanosecond.
func (r rate) span(n int) time.Duration {
	return time.Duration((uint64(n)*uint64(r) + 1<<(rateShift-1)) >> rateShift)
}

// whole is how many times n bits fit into d, half a nanosecond forgiven to what
// span rounded.
func (r rate) whole(d time.Duration, n int) int {
	if d <= 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(d)*2+1, 1<<(rateShift-1))
	unit := uint64(r) * uint64(n)
	if hi >= unit {
		return int(^uint(0) >> 1)
	}
	q, _ := bits.Div64(hi, lo, unit)
	return int(q)
}

func (b *Bus) span(nominal, data int) time.Duration {
	if data == 0 {
		return b.nominal.span(nominal)
	}
	return b.nominal.span(nominal) + b.fast.span(data)
}
