package rules

import (
	"bytes"
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// The rules about security access.
var securityRules = []Rule{
	{
		ID: "seed-before-key", Group: "security", Severity: Must,
		Says:   "A key is sent only for a seed of the same level that was asked just before and not used",
		Source: "ISO 14229-1:2013 clause 9.4 (SecurityAccess)",
		Why:    "A key without a fresh seed is refused and may count as an attempt.",
		begin:  seedBeforeKey,
	},
	{
		ID: "zero-seed-no-key", Group: "security", Severity: Must,
		Says:   "For a seed of zeros no key is sent: the level is open already",
		Source: "ISO 14229-1:2013 clause 9.4 (a seed of zero: unlocked)",
		Why:    "The control unit refuses a key that it did not ask for, and some count it.",
		begin:  zeroSeed,
	},
	{
		ID: "delay-obeyed", Group: "security", Severity: Must,
		Says:   "While the delay runs (NRC 37) the tool does not ask for seeds at once again",
		Source: "ISO 14229-1:2013 clause 9.4 (NRC 37: required time delay not expired)",
		Why:    "Some control units begin their delay anew with each attempt.",
		begin:  func() watcher { return secured(uds.RequiredTimeDelayNotExpired, time.Second) },
	},
	{
		ID: "attempts-obeyed", Group: "security", Severity: Must,
		Says:   "After too many attempts (NRC 36) the tool leaves security access alone for ten seconds",
		Source: "ISO 14229-1:2013 clause 9.4 (NRC 36: exceeded number of attempts); 10 s is the usual delay",
		Why:    "The control unit has locked itself. Every try makes it longer.",
		begin:  func() watcher { return secured(uds.ExceedNumberOfAttempts, 10*time.Second) },
	},
	{
		ID: "wrong-key-not-hammered", Group: "security", Severity: Must,
		Says:   "After two wrong keys (NRC 35) the tool tries no third",
		Source: "ISO 14229-1:2013 clause 9.4 (NRC 35: invalid key; usually three attempts)",
		Why:    "The third wrong key locks the control unit, with some for good.",
		begin:  wrongKeys,
	},
}

type seed struct {
	mark
	level int
	zero  bool
}

// seeds follows the seeds that are good for a key.
func seeds(good map[*unit]seed, e *event) {
	switch {
	case e.kind == taskStart || e.kind == powerOff:
		clear(good)
	case e.unit == nil:
	case e.answers(uds.SecurityAccess) && e.m.Sub%2 == 1 && len(e.m.Data) > 2:
		good[e.unit] = seed{e.mark(), e.m.Sub, !bytes.ContainsFunc(e.m.Data[2:], func(r rune) bool { return r != 0 })}
	case e.asks(uds.SecurityAccess) && e.m.Sub%2 == 1, e.asks(uds.DiagnosticSessionControl, uds.ECUReset), e.kind == response && e.about(uds.SecurityAccess) && !e.says(uds.ResponsePending, uds.BusyRepeatRequest):
		delete(good, e.unit)
	}
}

func isKey(e *event) bool {
	return e.asks(uds.SecurityAccess) && e.unit != nil && e.m.Sub > 0 && e.m.Sub%2 == 0
}

func seedBeforeKey() watcher {
	good := map[*unit]seed{}
	return func(e *event, _ *book, t *tally) {
		if isKey(e) {
			s, ok := good[e.unit]
			switch {
			case !ok:
				t.breach(e, nil, "a key for level %02X, and no seed is open", e.m.Sub-1)
			case s.level != e.m.Sub-1:
				t.breach(e, []mark{s.mark}, "a key for level %02X, the seed was for %02X", e.m.Sub-1, s.level)
			default:
				t.keep()
			}
		}
		seeds(good, e)
	}
}

func zeroSeed() watcher {
	good := map[*unit]seed{}
	return func(e *event, b *book, t *tally) {
		if isKey(e) {
			if s, ok := good[e.unit]; ok && s.zero {
				t.breach(e, []mark{s.mark}, "a key although the seed was zero")
				delete(good, e.unit)
			}
		} else if s, ok := good[e.unit]; ok && s.zero && (e.kind == request && !e.keepAlive() || e.over(b)) {
			t.keep()
			delete(good, e.unit)
		}
		seeds(good, e)
	}
}

// secured wants no security access within a time after a refusal.
func secured(nrc uds.NRC, pause time.Duration) watcher {
	refused := map[*unit]mark{}
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == powerOff || e.kind == taskStart:
			clear(refused)
		case e.kind == response && e.about(uds.SecurityAccess) && e.says(nrc) && e.unit != nil:
			refused[e.unit] = e.mark()
		case e.asks(uds.SecurityAccess) && e.unit != nil:
			m, ok := refused[e.unit]
			if !ok {
				return
			}
			delete(refused, e.unit)
			since := e.at - m.at
			t.time(since - pause)
			if since < pause {
				t.breach(e, []mark{m}, "security access %v after NRC %02X", since.Round(time.Millisecond), byte(nrc))
				return
			}
			t.keep()
		case e.over(b):
			for range refused {
				t.keep()
			}
			clear(refused)
		}
	}
}

func wrongKeys() watcher {
	wrong := map[*unit][]mark{}
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == powerOff || e.kind == taskStart && b.opt.Fresh:
			clear(wrong)
		case e.kind == response && e.about(uds.SecurityAccess) && e.says(uds.InvalidKey) && e.unit != nil:
			wrong[e.unit] = append(wrong[e.unit], e.mark())
		case e.answers(uds.SecurityAccess) && e.m.Sub%2 == 0:
			delete(wrong, e.unit)
		case isKey(e):
			if ms := wrong[e.unit]; len(ms) >= 2 {
				t.breach(e, slices.Clone(ms[:2]), "a key again after %d wrong ones", len(ms))
			} else if len(ms) > 0 {
				t.keep()
			}
		case e.over(b):
			for range wrong {
				t.keep()
			}
		}
	}
}
