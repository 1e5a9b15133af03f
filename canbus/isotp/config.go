package isotp

import (
	"errors"
	"fmt"
	"math"
	"time"

	"sawhorse/canbus"
)

// DefaultMaxLen is the receive buffer if Config names none: the longest
// message without the 32-bit length escape.
const DefaultMaxLen = 4095

// Timing holds the N_ times of ISO 15765-2:2016 clause 9.7. As, Ar, Bs and Cr
// are timeouts: zero takes the default of 1 s. Br and Cs are performance
// times, the time that this node takes on its own account: zero means at once.
type Timing struct {
	// As: an own SF, FF or CF from request to confirmation.
	As time.Duration
	// Ar: the same for an own FC.
	Ar time.Duration
	// Bs: FF, last CF of a block or WAIT until the next FC.
	Bs time.Duration
	// Br: FF or end of a block until this node asks for its FC. The standard
	// wants Br + Ar < 0.9 Bs of the peer.
	Br time.Duration
	// Cs: FC received or CF sent until this node asks for the next CF, if
	// STmin is not longer. The standard wants Cs + As < 0.9 Cr of the peer.
	Cs time.Duration
	// Cr: FC sent or CF received until the next CF.
	Cr time.Duration
}

// Ready-made timings.
var (
	// ISOTiming has the defaults of ISO 15765-2:2016 table 16.
	ISOTiming = Timing{As: time.Second, Ar: time.Second, Bs: time.Second, Cr: time.Second}
	// EmissionTiming has the values of emission diagnostics, ISO 15765-4.
	EmissionTiming = Timing{
		As: 25 * time.Millisecond, Ar: 25 * time.Millisecond,
		Bs: 75 * time.Millisecond, Cr: 150 * time.Millisecond,
	}
)

// Config describes an endpoint. The zero value of everything but Address is a
// classical CAN endpoint with ISO timing and no padding.
type Config struct {
	Address
	// TxDL is the largest CAN_DL sent: 8 (or 0), with FD also 12 16 20 24 32 48 64.
	// Received frames may have any length: the peer's first frame fixes RX_DL.
	TxDL int
	// FD sends CAN FD frames, BRS with the bit rate switch.
	FD, BRS bool
	// Pad fills frames up to 8 bytes with PadByte; frames between the lengths
	// of CAN FD are always filled with it. 0xCC keeps stuff bits few.
	Pad     bool
	PadByte byte
	// BlockSize and STmin are announced, as they are, in flow control sent:
	// CFs before the next one (0: all), and the least gap (see Gap).
	BlockSize, STmin byte
	// WaitMax is N_WFTmax: WAITs sent in a row before giving up; 0 sends none.
	WaitMax int
	// MaxLen is the longest message received in bytes, 0 for DefaultMaxLen.
	// The buffer grows with the data that arrive, never with the length announced.
	MaxLen int
	// HalfDuplex ignores messages that arrive while segments are being sent.
	HalfDuplex bool
	Timing     Timing
	// RequireDLC8 is the rule of emission diagnostics (ISO 15765-4): send 8
	// bytes always and ignore frames of any other length.
	RequireDLC8 bool
}

// Emission is the configuration of emission diagnostics (ISO 15765-4): padded
// with 0xCC to 8 bytes, no block size, no gap, no WAITs.
func Emission(a Address) Config {
	return Config{Address: a, Pad: true, PadByte: 0xCC, Timing: EmissionTiming, RequireDLC8: true}
}

// Enhanced is the usual configuration of other diagnostics: ISO timing,
// padded with 0xCC to 8 bytes.
func Enhanced(a Address) Config {
	return Config{Address: a, Pad: true, PadByte: 0xCC, Timing: ISOTiming}
}

// complete fills in defaults and checks the rest.
func (c *Config) complete() error {
	if c.TxDL == 0 {
		c.TxDL = canbus.MaxClassicData
	}
	if c.MaxLen == 0 {
		c.MaxLen = DefaultMaxLen
	}
	t := &c.Timing
	for _, p := range [...]*time.Duration{&t.As, &t.Ar, &t.Bs, &t.Cr} {
		if *p == 0 {
			*p = time.Second
		}
	}
	c.Pad = c.Pad || c.RequireDLC8
	switch {
	case c.TxDL < 8 || c.TxDL > 64 || canbus.LengthOf(canbus.DLC(c.TxDL)) != c.TxDL:
		return fmt.Errorf("TxDL %d, want one of 8 12 16 20 24 32 48 64", c.TxDL)
	case c.TxDL > canbus.MaxClassicData && !c.FD:
		return fmt.Errorf("TxDL %d without FD, want 8", c.TxDL)
	case c.BRS && !c.FD:
		return errors.New("bit rate switch without FD")
	case c.RequireDLC8 && c.TxDL != canbus.MaxClassicData:
		return fmt.Errorf("TxDL %d where 8 bytes are required", c.TxDL)
	case c.MaxLen < 0 || int64(c.MaxLen) > math.MaxUint32:
		return fmt.Errorf("MaxLen %d, want 1..%d", c.MaxLen, uint32(math.MaxUint32))
	case c.WaitMax < 0:
		return fmt.Errorf("WaitMax %d, want 0 or more", c.WaitMax)
	case min(t.As, t.Ar, t.Bs, t.Br, t.Cs, t.Cr) < 0:
		return fmt.Errorf("negative time in %+v", *t)
	}
	return c.Address.validate()
}
