package alter

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/replay"
)

// Part chooses frames by what they are in ISO 15765-2 (high nibble of the first
// byte, normal addressing).
type Part uint8

// The parts of a message.
const (
	AnyPart Part = iota
	SingleFrame
	FirstFrame
	ConsecutiveFrame
	FlowControl
)

// Match says which frames an alteration is for. All that is set must hold.
type Match struct {
	// IDs are identifiers; none means all.
	IDs []replay.Match
	// Sender says whose frames; nil means everybody's.
	Sender func(name string) bool
	// Part chooses frames of ISO 15765-2 messages.
	Part Part
	// When, if set, is asked at every frame that matches otherwise.
	When func() bool
	// Skip leaves the first so many matching frames alone; then every Every-th
	// is touched (0 and 1: each), at most Count of them (0: without bound), each
	// with the probability Share (0 and 1: certainly).
	Skip, Every, Count int
	Share              float64
}

// Act is what is done to a frame.
type Act uint8

// The acts.
const (
	// Drop swallows the frame.
	Drop Act = iota
	// Delay holds it back by Alteration.Delay, plus a time from Alteration.Jitter.
	Delay
	// Duplicate sends it and Alteration.Copies more, Alteration.Delay apart.
	Duplicate
	// Reorder gathers Alteration.Window frames and lets them go in random order; what
	// has gathered for Alteration.Delay goes anyway.
	Reorder
	// Flip inverts the bits of Alteration.Bytes in the data, from Alteration.At on.
	Flip
	// Overwrite puts Alteration.Bytes into the data, from Alteration.At on.
	Overwrite
	// Resize gives the frame Alteration.Length data bytes; new ones are zero.
	Resize
	// Renumber gives it the identifier Alteration.Key.
	Renumber
	// Freeze replaces the data by that of the first frame of the identifier that
	// the alteration saw.
	Freeze
	// Stale replaces the data by that which the identifier had Alteration.Delay ago, or
	// the oldest known.
	Stale
	// Change has Alteration.Change do to the frame what it will.
	Change
	acts
)

var actNames = [acts]string{"drop", "delay", "duplicate", "reorder", "flip", "overwrite", "resize", "renumber", "freeze", "stale", "change"}

// String is the act's word.
func (a Act) String() string {
	if a < acts {
		return actNames[a]
	}
	return "unknown"
}

// ParseAct reads an act's word.
func ParseAct(s string) (Act, error) {
	for i, n := range actNames {
		if n == s {
			return Act(i), nil
		}
	}
	return 0, fmt.Errorf("act %q, want one of %v", s, actNames)
}

// Spread is how a random time is distributed.
type Spread uint8

// The distributions. Uniform runs from 0 to twice the mean; Normal has a standard
// deviation of a third of the mean and is cut at 0; Exponential has the mean.
const (
	Uniform Spread = iota
	Normal
	Exponential
)

// Alteration is one way of altering frames.
type Alteration struct {
	// Name stands in the remark that goes with each touched frame.
	Name  string
	Match Match
	Act   Act

	Delay, Jitter time.Duration // of Delay, Duplicate, Reorder, Stale
	Spread        Spread        // of Jitter
	Copies        int           // of Duplicate
	Window        int           // of Reorder
	Bytes         []byte        // of Flip and Overwrite
	At            int           // of Flip and Overwrite; negative counts from the end
	Length        int           // of Resize
	Key           canbus.Key    // of Renumber

	// Change, of the act of that name, changes a frame and says in a few words
	// how; now is the loop's time.
	Change func(now time.Duration, f *canbus.Frame) string
}

// Bounds of an alteration, so that none can fill memory.
const (
	MaxCopies = 1000
	MaxWindow = 1000
	MaxDelay  = time.Hour
	// maxHeld bounds the frames that one rule holds back.
	maxHeld = 100_000
	// maxHistory bounds the values that Stale remembers of one identifier.
	maxHistory = 4096
)

var errAlteration = errors.New("no such alteration")

// Check reports what is wrong with an alteration.
func (r *Alteration) Check() error {
	fail := func(format string, a ...any) error {
		return fmt.Errorf("%w: "+format, append([]any{errAlteration}, a...)...)
	}
	m := &r.Match
	switch {
	case r.Act >= acts:
		return fail("act %d", r.Act)
	case r.Delay < 0 || r.Delay > MaxDelay || r.Jitter < 0 || r.Jitter > MaxDelay:
		return fail("delay %v, jitter %v, want 0 to %v", r.Delay, r.Jitter, MaxDelay)
	case m.Skip < 0 || m.Every < 0 || m.Count < 0:
		return fail("skip %d, every %d, count %d, want 0 or more", m.Skip, m.Every, m.Count)
	case !(m.Share >= 0 && m.Share <= 1):
		return fail("share %g, want 0 to 1", m.Share)
	case r.Act == Delay && r.Delay == 0 && r.Jitter == 0:
		return fail("a delay of nothing")
	case r.Act == Duplicate && (r.Copies < 1 || r.Copies > MaxCopies):
		return fail("%d copies, want 1 to %d", r.Copies, MaxCopies)
	case r.Act == Change && r.Change == nil:
		return fail("a change without what it does")
	case r.Act == Reorder && (r.Window < 2 || r.Window > MaxWindow):
		return fail("a window of %d frames, want 2 to %d", r.Window, MaxWindow)
	case (r.Act == Flip || r.Act == Overwrite) && (len(r.Bytes) == 0 || len(r.Bytes) > canbus.MaxData):
		return fail("%d bytes, want 1 to %d", len(r.Bytes), canbus.MaxData)
	case (r.Act == Flip || r.Act == Overwrite) && (r.At < -canbus.MaxData || r.At >= canbus.MaxData):
		return fail("at byte %d, want -%d to %d", r.At, canbus.MaxData, canbus.MaxData-1)
	case r.Act == Resize && (r.Length < 0 || r.Length > canbus.MaxData || canbus.LengthOf(canbus.DLC(r.Length)) != r.Length):
		return fail("length %d, want 0 to 8 12 16 20 24 32 48 64", r.Length)
	}
	return nil
}

// random is a time with the mean, distributed as said.
func (s Spread) random(mean time.Duration, rng *rand.Rand) time.Duration {
	m := float64(mean)
	switch s {
	case Normal:
		return time.Duration(max(0, m+rng.NormFloat64()*m/3))
	case Exponential:
		return time.Duration(min(rng.ExpFloat64()*m, float64(MaxDelay)))
	}
	return time.Duration(math.Floor(float64(rng.Float64()) * 2 * m))
}
