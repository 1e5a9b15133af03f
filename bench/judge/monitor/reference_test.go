package monitor

import (
	"math"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
)

// The reference reads a whole run at once and says, word for word as the definitions
// have it, what becomes of an expectation. It shares nothing with the monitors, which
// read the run as it goes, and it takes all the time it likes.

// moment is one thing that the judge is told: a sample, or an observation.
type moment struct {
	at    time.Duration
	x, y  float64
	event string // "" is a sample; else a kind, and for faults "fault-on f"
}

// refLook is one look at the run: a moment, or the second look after a fault went.
type refLook struct {
	moment
	isEvent, state bool
	f, g           bool // the faults
}

// looksOf lays the looks of some moments out. A fault is still on while its going is
// looked at.
func looksOf(moments []moment) []refLook {
	list := make([]refLook, 0, 2*len(moments))
	f, g := false, false
	for _, m := range moments {
		l := refLook{moment: m, isEvent: m.event != "", state: m.event == "" || strings.HasPrefix(m.event, "fault")}
		f = f || m.event == "fault-on f"
		g = g || m.event == "fault-on g"
		l.f, l.g = f, g
		list = append(list, l)
		if m.event == "fault-off f" || m.event == "fault-off g" {
			f, g = f && m.event != "fault-off f", g && m.event != "fault-off g"
			list = append(list, refLook{moment: moment{m.at, m.x, m.y, ""}, state: true, f: f, g: g})
		}
	}
	return list
}

// atom is a condition by another road than CEL.
type atom struct {
	src     string
	onEvent bool
	valued  bool // it has a distance
	rho     func(l *refLook) float64
}

func truth(b bool) float64 {
	if b {
		return math.Inf(1)
	}
	return math.Inf(-1)
}

var (
	atomX       = &atom{"x > 0.0", false, true, func(l *refLook) float64 { return l.x }}
	atomY       = &atom{"y > 0.0", false, true, func(l *refLook) float64 { return l.y }}
	atomBoth    = &atom{"x > 0.0 && !(y > 1.0)", false, true, func(l *refLook) float64 { return math.Min(l.x, -(l.y - 1)) }}
	atomRequest = &atom{`event.kind == "request"`, true, false, func(l *refLook) float64 { return truth(l.event == "request") }}
	atomReply   = &atom{`event.kind == "response"`, true, false, func(l *refLook) float64 { return truth(l.event == "response") }}
	atomMixed   = &atom{`event.kind == "request" && x > 0.0`, true, true, func(l *refLook) float64 {
		return math.Min(truth(l.event == "request"), l.x)
	}}
)

// holds takes the signals of the looks to be whole numbers and a half, so that no
// threshold is met exactly.
func (a *atom) holds(l *refLook) bool { return (!a.onEvent || l.isEvent) && a.rho(l) > 0 }

func (a *atom) concerns(l *refLook) bool { return a.onEvent && l.isEvent || !a.onEvent && l.state }

// refCase is an expectation of some kind.
type refCase struct {
	kind             string
	a, b, while      *atom
	from, until      time.Duration
	within, span     time.Duration // span: for, not-before, in
	each, throughout bool
	atLeast, atMost  int
	of               []string
	looks            []refLook
	end              time.Duration
}

type refVerdict struct {
	outcome judge.Outcome
	margin  judge.Margin
}

// of reads a run that came to its end.
func (c refCase) read(moments []moment, end time.Duration) refVerdict {
	c.looks, c.end = looksOf(moments), end
	var v refVerdict
	switch c.kind {
	case "eventually":
		v = c.eventually()
	case "until":
		v = c.untilThen()
	case "before":
		v = c.before()
	case "after":
		v = c.after()
	case "after-never":
		v = c.afterNever()
	case "count":
		v = c.count()
	case "recovers":
		v = c.recovers()
	default:
		v = c.invariant()
	}
	if v.outcome == judge.Undecided {
		v.margin = judge.Margin{}
	}
	return v
}

func (c *refCase) open(l *refLook) bool {
	return l.at >= c.from && (c.until == 0 || l.at <= c.until)
}

func (c *refCase) lets(l *refLook) bool { return c.while == nil || c.while.holds(l) }

func (c *refCase) judged(l *refLook) bool { return c.open(l) && c.lets(l) }

// short reports whether the run is too short for what has not been broken.
func (c *refCase) short() bool { return c.end < c.from || c.until > c.end }

func (c *refCase) otherwise(v refVerdict) refVerdict {
	if c.short() {
		return refVerdict{judge.Undecided, judge.Margin{}}
	}
	return v
}

func finite(v float64, unit string) judge.Margin {
	if math.IsInf(v, 0) {
		return judge.Margin{}
	}
	return judge.Margin{Value: v, Unit: unit, Known: true}
}

func (c *refCase) on(l *refLook) bool {
	return l.f && (c.of == nil || slices.Contains(c.of, "f")) || l.g && (c.of == nil || slices.Contains(c.of, "g"))
}

func (c *refCase) invariant() refVerdict {
	least, broken := math.Inf(1), false
	for i := range c.looks {
		l := &c.looks[i]
		if !c.a.concerns(l) || !c.judged(l) || c.kind == "while" && !c.on(l) {
			continue
		}
		r := c.a.rho(l)
		if c.kind == "never" {
			r = -r
		}
		least, broken = math.Min(least, r), broken || r <= 0
	}
	m := judge.Margin{}
	if c.a.valued {
		m = finite(least, "")
	}
	if broken {
		return refVerdict{judge.Fail, m}
	}
	return c.otherwise(refVerdict{judge.Pass, m})
}

func (c *refCase) deadline() time.Duration {
	if c.within > 0 {
		return c.from + c.within
	}
	return c.until
}

func (c *refCase) eventually() refVerdict {
	d := c.deadline()
	var list []refLook
	for _, l := range c.looks {
		if l.at >= c.from && c.a.concerns(&l) {
			list = append(list, l)
		}
	}
	holds := func(i int) bool { return c.lets(&list[i]) && c.a.holds(&list[i]) }
	inTime := func(i int) bool { return d == 0 || list[i].at <= d }
	best, longest, openStay := math.Inf(-1), time.Duration(-1), false
	passed, since := -1, time.Duration(0)
	for i := range list {
		if !inTime(i) {
			continue
		}
		least, stays := math.Inf(1), true
		for j := i; j < len(list); j++ {
			r := c.a.rho(&list[j])
			if !c.lets(&list[j]) {
				r = math.Inf(-1)
			}
			least, stays = math.Min(least, r), stays && holds(j)
			if stays {
				longest = max(longest, list[j].at-list[i].at)
			}
			if list[j].at-list[i].at >= c.span {
				best = math.Max(best, least)
				if stays && (passed < 0 || j < passed) {
					passed, since = j, list[i].at
				}
				break
			}
			openStay = openStay || stays && j == len(list)-1
		}
	}
	value := judge.Margin{}
	if c.a.valued {
		value = finite(best, "")
	}
	switch {
	case passed >= 0 && d > 0:
		return refVerdict{judge.Pass, judge.TimeMargin(d - since)}
	case passed >= 0:
		return refVerdict{judge.Pass, value}
	case c.end < c.from || openStay || d > c.end:
		return refVerdict{}
	case value.Known:
		return refVerdict{judge.Fail, value}
	case longest >= 0:
		return refVerdict{judge.Fail, judge.TimeMargin(longest - c.span)}
	}
	for i := range list {
		if d > 0 && c.span == 0 && !c.a.valued && !inTime(i) && holds(i) {
			return refVerdict{judge.Fail, judge.TimeMargin(d - list[i].at)}
		}
	}
	return refVerdict{judge.Fail, judge.Margin{}}
}

func (c *refCase) untilThen() refVerdict {
	d := c.deadline()
	var list, late []refLook
	for _, l := range c.looks {
		switch {
		case l.at < c.from || !c.lets(&l):
		case d > 0 && l.at > d:
			late = append(late, l)
		case c.a.concerns(&l) || c.b.concerns(&l):
			list = append(list, l)
		}
	}
	passed, broken := -1, -1
	rho := math.Inf(-1)
	for i := range list {
		held, all := math.Inf(1), true
		for k := range i {
			if list[k].state {
				held = math.Min(held, c.a.rho(&list[k]))
				all = all && c.a.holds(&list[k])
			}
		}
		if list[i].state && !c.b.onEvent {
			rho = math.Max(rho, math.Min(c.b.rho(&list[i]), held))
		}
		if c.b.concerns(&list[i]) && c.b.holds(&list[i]) && all && passed < 0 {
			passed = i
		}
		if list[i].state && !c.a.holds(&list[i]) && broken < 0 {
			broken = i
		}
	}
	value := finite(rho, "")
	outcome := judge.Fail
	switch {
	case passed >= 0:
		outcome = judge.Pass
	case broken >= 0:
	case c.end < c.from || d > c.end || d == 0 && len(list) == 0:
		return refVerdict{}
	}
	switch {
	case value.Known:
		return refVerdict{outcome, value}
	case outcome == judge.Pass && d > 0:
		return refVerdict{judge.Pass, judge.TimeMargin(d - list[passed].at)}
	case outcome == judge.Fail && broken < 0:
		for i := range late {
			if c.b.concerns(&late[i]) && c.b.holds(&late[i]) {
				return refVerdict{judge.Fail, judge.TimeMargin(d - late[i].at)}
			}
		}
	}
	return refVerdict{outcome, judge.Margin{}}
}

// beginnings marks the looks of a list at which a condition begins.
func beginnings(a *atom, list []refLook) []bool {
	out, was := make([]bool, len(list)), false
	for i := range list {
		if !a.concerns(&list[i]) {
			continue
		}
		holds := a.holds(&list[i])
		out[i] = holds && (a.onEvent || !was)
		was = holds
	}
	return out
}

func (c *refCase) before() refVerdict {
	var list []refLook
	for _, l := range c.looks {
		if c.judged(&l) {
			list = append(list, l)
		}
	}
	first, then := beginnings(c.a, list), beginnings(c.b, list)
	firsts, thens := 0, 0
	least, used := time.Duration(math.MaxInt64), 0
	var queue []time.Duration
	for i := range list {
		if then[i] {
			thens++
			// Every Then must have as many Firsts before it as Thens up to it, or one.
			if need := thens; firsts == 0 || c.each && firsts < need {
				v := refVerdict{judge.Fail, judge.Margin{}}
				for k := i + 1; k < len(list); k++ {
					if first[k] {
						v.margin = judge.TimeMargin(list[i].at - list[k].at)
						break
					}
				}
				return v
			}
			from := queue[len(queue)-1]
			if c.each {
				from = queue[used]
				used++
			}
			least = min(least, list[i].at-from)
			if !c.each {
				return refVerdict{judge.Pass, judge.TimeMargin(least)}
			}
		}
		if first[i] {
			firsts++
			queue = append(queue, list[i].at)
		}
	}
	v := refVerdict{judge.Pass, judge.Margin{}}
	if thens > 0 {
		v.margin = judge.TimeMargin(least)
	}
	if firsts > 0 && !c.each {
		return v // whatever comes, it comes after
	}
	return c.otherwise(v)
}

// triggers are the looks that something must follow.
func (c *refCase) triggers() []int {
	begins := beginnings(c.a, c.looks)
	var list []int
	for i := range c.looks {
		l := &c.looks[i]
		if !c.judged(l) || !c.a.concerns(l) {
			continue
		}
		if begins[i] || c.throughout && c.a.holds(l) {
			list = append(list, i)
		}
	}
	return list
}

// follows reports whether what a look shows can follow a trigger: an event comes
// later, a state may hold there already.
func (c *refCase) follows(trigger, k int, triggers []int) bool {
	l := &c.looks[k]
	if !c.b.holds(l) || k < trigger || k == trigger && c.b.onEvent {
		return false
	}
	return c.b.concerns(l) || slices.Contains(triggers, k)
}

func (c *refCase) after() refVerdict {
	triggers := c.triggers()
	fits := func(i, k int) bool {
		late := c.looks[k].at - c.looks[i].at
		return c.follows(i, k, triggers) && late >= c.span && (c.within == 0 || late <= c.within)
	}
	over := func(i int) bool { return c.within > 0 && c.looks[i].at+c.within <= c.end }
	// A state serves all; an event one, so the most that can be served is a
	// matching, built by augmenting paths.
	server := map[int]int{} // by event
	var augment func(i int, seen map[int]bool) bool
	augment = func(i int, seen map[int]bool) bool {
		for k := range c.looks {
			if seen[k] || !fits(i, k) {
				continue
			}
			seen[k] = true
			if j, taken := server[k]; !taken || augment(j, seen) {
				server[k] = i
				return true
			}
		}
		return false
	}
	waits := false
	least := time.Duration(math.MaxInt64)
	for _, i := range triggers {
		served := false
		if c.b.onEvent {
			served = augment(i, map[int]bool{})
		} else {
			for k := i; k < len(c.looks) && !served; k++ {
				if served = fits(i, k); served {
					least = min(least, c.within-(c.looks[k].at-c.looks[i].at))
				}
			}
		}
		switch {
		case served:
		case over(i):
			return refVerdict{judge.Fail, c.lateness(i)}
		case c.within == 0 && !c.short():
			return refVerdict{judge.Fail, judge.Margin{}} // by the end of the run
		default:
			waits = true
		}
	}
	if waits {
		return refVerdict{}
	}
	if c.b.onEvent { // served in their order, which no other order betters
		for n, k := range c.inOrder(triggers, fits) {
			least = min(least, c.within-(c.looks[k].at-c.looks[triggers[n]].at))
		}
	}
	v := refVerdict{judge.Pass, judge.Margin{}}
	if c.within > 0 && len(triggers) > 0 {
		v.margin = judge.TimeMargin(least)
	}
	return c.otherwise(v)
}

// inOrder serves each trigger with the first event that is left.
func (c *refCase) inOrder(triggers []int, fits func(i, k int) bool) []int {
	var out []int
	next := 0
	for _, i := range triggers {
		for !fits(i, next) {
			next++
		}
		out = append(out, next)
		next++
	}
	return out
}

// lateness is when what was missed came at last.
func (c *refCase) lateness(trigger int) judge.Margin {
	d := c.looks[trigger].at + c.within
	for k := range c.looks {
		if l := &c.looks[k]; l.at > d && c.b.concerns(l) && c.b.holds(l) {
			return judge.TimeMargin(d - l.at)
		}
	}
	return judge.Margin{}
}

func (c *refCase) afterNever() refVerdict {
	triggers := c.triggers()
	near, waits := time.Duration(math.MaxInt64), false
	for k := range c.looks {
		for _, i := range triggers {
			if !c.follows(i, k, triggers) {
				continue
			}
			late := c.looks[k].at - c.looks[i].at
			switch {
			case late < c.span:
			case c.within == 0:
				return refVerdict{judge.Fail, judge.Margin{}}
			case late <= c.within:
				return refVerdict{judge.Fail, judge.TimeMargin(late - c.within)}
			default:
				near = min(near, late-c.within)
			}
		}
	}
	for _, i := range triggers {
		waits = waits || c.within > 0 && c.looks[i].at+c.within > c.end
	}
	if waits {
		return refVerdict{}
	}
	v := refVerdict{judge.Pass, judge.Margin{}}
	if near < math.MaxInt64 {
		v.margin = judge.TimeMargin(near)
	}
	return c.otherwise(v)
}

func (c *refCase) count() refVerdict {
	begins := beginnings(c.a, c.looks)
	var at []time.Duration
	for i := range c.looks {
		if begins[i] && c.judged(&c.looks[i]) {
			at = append(at, c.looks[i].at)
		}
	}
	most := 0
	for i := range at {
		n := 0
		for k := i; k < len(at) && (c.span == 0 || at[k]-at[i] <= c.span); k++ {
			n++
		}
		most = max(most, n)
	}
	margin := math.Inf(1)
	if c.atLeast > 0 {
		margin = float64(len(at) - c.atLeast)
	}
	if c.atMost >= 0 {
		margin = math.Min(margin, float64(c.atMost-most))
	}
	m := finite(margin, "times")
	switch {
	case c.atMost >= 0 && most > c.atMost:
		return refVerdict{judge.Fail, m}
	case c.atMost < 0 && len(at) >= c.atLeast:
		return refVerdict{judge.Pass, m}
	case c.short():
		return refVerdict{}
	case len(at) < c.atLeast:
		return refVerdict{judge.Fail, m}
	}
	return refVerdict{judge.Pass, m}
}

func (c *refCase) recovers() refVerdict {
	well, back, least := 0, 0, time.Duration(math.MaxInt64)
	waits := false
	for i := 1; i < len(c.looks); i++ {
		if c.on(&c.looks[i]) || !c.on(&c.looks[i-1]) || !c.judged(&c.looks[i]) {
			continue
		}
		d := c.looks[i].at + c.within
		next := i // when a fault is on again
		for next < len(c.looks) && !c.on(&c.looks[next]) {
			next++
		}
		var list []refLook // what is looked at from its going on
		for _, l := range c.looks[i:next] {
			if c.a.concerns(&l) {
				list = append(list, l)
			}
		}
		recovered, openStay := time.Duration(-1), false
		for s := range list {
			for j := s; j < len(list) && list[s].at <= d && c.a.holds(&list[j]) && recovered < 0; j++ {
				if list[j].at-list[s].at >= c.span {
					recovered = list[s].at
				}
				openStay = openStay || j == len(list)-1
			}
		}
		last := c.end
		if next < len(c.looks) {
			last = c.looks[next].at
		}
		switch {
		case recovered >= 0:
			well++
			least = min(least, d-recovered)
		case openStay && next == len(c.looks):
			waits = true
		case openStay:
			back++
		case next < len(c.looks) && last <= d:
			back++
		case next == len(c.looks) && last < d:
			waits = true
		default:
			v := refVerdict{judge.Fail, judge.Margin{}}
			for k := range c.looks {
				if l := &c.looks[k]; c.span == 0 && l.at > d && c.a.concerns(l) && c.a.holds(l) {
					v.margin = judge.TimeMargin(d - l.at)
					break
				}
			}
			return v
		}
	}
	// A fault that is on when the window closes leaves it open whether the tool
	// would have recovered.
	on := len(c.looks) > 0 && c.on(&c.looks[len(c.looks)-1])
	if c.until > 0 {
		on = false
		for i := range c.looks {
			if c.looks[i].at <= c.until {
				on = c.on(&c.looks[i])
			}
		}
	}
	switch {
	case waits || c.short():
		return refVerdict{}
	case well > 0:
		return refVerdict{judge.Pass, judge.TimeMargin(least)}
	case back > 0 || on:
		return refVerdict{}
	}
	return refVerdict{judge.Pass, judge.Margin{}}
}
