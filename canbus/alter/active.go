package alter

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"sawhorse/canbus"
)

// output is one frame that an alteration lets go, after a wait.
type output struct {
	f    canbus.Frame
	wait time.Duration
	note string
}

// active is an alteration at work. It is pure: frames and the time in, outputs out.
type active struct {
	Alteration
	rng     *rand.Rand
	matched int
	touched int
	first   map[canbus.Key]canbus.Frame
	past    map[canbus.Key][]canbus.Frame // for Stale, oldest first; Time is when
	windows map[string][]canbus.Frame     // for Reorder, by sender
}

// wants reports whether a frame is to be touched, and counts it.
func (a *active) wants(now time.Duration, sender string, f *canbus.Frame) bool {
	m := &a.Match
	if len(m.IDs) > 0 {
		key := f.Key()
		found := false
		for i := range m.IDs {
			if m.IDs[i].Has(key) {
				found = true
				break
			}
		}
		if !found {
			return false
		}
	}
	if m.Sender != nil && !m.Sender(sender) || !m.Part.of(f) || m.When != nil && !m.When() {
		return false
	}
	a.remember(now, f)
	a.matched++
	n := a.matched - m.Skip
	if n <= 0 || m.Count > 0 && a.touched >= m.Count || m.Every > 1 && n%m.Every != 0 {
		return false
	}
	if m.Share > 0 && m.Share < 1 && a.rng.Float64() >= m.Share {
		return false
	}
	a.touched++
	return true
}

func (p Part) of(f *canbus.Frame) bool {
	if p == AnyPart {
		return true
	}
	return f.Len > 0 && f.Flags&(canbus.Remote|canbus.Error) == 0 && Part(f.Data[0]>>4)+1 == p
}

// remember keeps what Freeze and Stale need.
func (a *active) remember(now time.Duration, f *canbus.Frame) {
	key := f.Key()
	switch a.Act {
	case Freeze:
		if a.first == nil {
			a.first = map[canbus.Key]canbus.Frame{}
		}
		if _, ok := a.first[key]; !ok {
			a.first[key] = *f
		}
	case Stale:
		if a.past == nil {
			a.past = map[canbus.Key][]canbus.Frame{}
		}
		h := append(a.past[key], *f)
		h[len(h)-1].Time = now
		if len(h) > maxHistory {
			h = append(h[:0], h[1:]...)
		}
		a.past[key] = h
	}
}

// apply gives what becomes of a frame that the alteration wants.
func (a *active) apply(now time.Duration, sender string, f canbus.Frame, out []output) []output {
	note := a.Name + ": " + a.Act.String()
	switch a.Act {
	case Drop:
		return out
	case Delay:
		wait := a.Delay
		if a.Jitter > 0 {
			wait += a.Spread.random(a.Jitter, a.rng)
		}
		return append(out, output{f, wait, fmt.Sprintf("%s by %v", note, wait)})
	case Duplicate:
		out = append(out, output{f, 0, ""})
		for i := range a.Copies {
			out = append(out, output{f, time.Duration(i+1) * a.Delay, fmt.Sprintf("%s, copy %d of %d", note, i+1, a.Copies)})
		}
		return out
	case Reorder:
		return a.gather(sender, f, out)
	case Change:
		how := a.Alteration.Change(now, &f)
		return append(out, output{f, 0, a.Name + ": " + how})
	}
	return append(out, output{a.change(now, f), 0, note})
}

// gather holds frames until the sender's window is full.
func (a *active) gather(sender string, f canbus.Frame, out []output) []output {
	if a.windows == nil {
		a.windows = map[string][]canbus.Frame{}
	}
	a.windows[sender] = append(a.windows[sender], f)
	if len(a.windows[sender]) < a.Window {
		return out
	}
	return a.release(sender, out)
}

// release lets a sender's window go in random order.
func (a *active) release(sender string, out []output) []output {
	if len(a.windows[sender]) == 0 {
		return out
	}
	w := a.windows[sender]
	a.rng.Shuffle(len(w), func(i, j int) { w[i], w[j] = w[j], w[i] })
	for _, f := range w {
		out = append(out, output{f, 0, fmt.Sprintf("%s: reorder among %d", a.Name, len(w))})
	}
	a.windows[sender] = w[:0]
	return out
}

// change gives a frame with other contents.
func (a *active) change(now time.Duration, f canbus.Frame) canbus.Frame {
	switch a.Act {
	case Flip, Overwrite:
		at := a.At
		if at < 0 {
			at += int(f.Len)
		}
		for i, b := range a.Bytes {
			if j := at + i; j >= 0 && j < int(f.Len) {
				if a.Act == Flip {
					b ^= f.Data[j]
				}
				f.Data[j] = b
			}
		}
	case Resize:
		n := a.Length
		if f.Flags&canbus.FD == 0 {
			n = min(n, canbus.MaxClassicData)
		}
		f.Len, f.RawDLC = uint8(n), 0
		clear(f.Data[n:])
	case Renumber:
		f.ID, f.Flags = a.Key.ID(), f.Flags&^canbus.Extended
		if a.Key.Extended() {
			f.Flags |= canbus.Extended
		}
	case Freeze:
		f = withData(f, a.first[f.Key()])
	case Stale:
		f = withData(f, a.before(f.Key(), now-a.Delay))
	}
	return f
}

// before is the newest frame of an identifier not newer than a time, or the oldest.
func (a *active) before(key canbus.Key, t time.Duration) canbus.Frame {
	h := a.past[key]
	i := 0
	for i+1 < len(h) && h[i+1].Time <= t {
		i++
	}
	f := h[i]
	a.past[key] = slices.Delete(h, 0, i)
	return f
}

func withData(f, from canbus.Frame) canbus.Frame {
	f.Len, f.Data, f.RawDLC = from.Len, from.Data, from.RawDLC
	return f
}

// Choice is a Match at work, for whoever does something else to frames than the
// acts here.
type Choice struct{ a active }

// NewChoice prepares a match.
func NewChoice(m Match, rng *rand.Rand) (*Choice, error) {
	c := &Choice{active{Alteration: Alteration{Match: m}, rng: rng}}
	return c, c.a.Check()
}

// Wants reports whether a frame is chosen, and counts it.
func (c *Choice) Wants(now time.Duration, sender string, f *canbus.Frame) bool {
	return c.a.wants(now, sender, f)
}
