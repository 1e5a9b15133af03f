package bench

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus/clock"
)

// matters is from when on lateness of the bench, or of a processor for the tool, may
// have changed what a tool did: the shortest time that diagnostics wait for anything is
// 50 ms (P2, ISO 14229-2:2013 table 4), and a request and its answer may each have been
// late.
const matters = 20 * time.Millisecond

// excuse takes back what the bench's own lateness may have brought about: nobody knows
// what the tool would have done. A time that was missed by more than the bench was late
// stays missed, as long as no single lateness could have made anybody wait in vain.
// unread tells how many frames clients have lost as they did not read in time, which is
// their own doing, and is shown.
func excuse(list []judge.Verdict, late []clock.Late, unread map[string]int) {
	for i := range list {
		v := &list[i]
		if v.Outcome != judge.Fail {
			continue
		}
		for _, client := range slices.Sorted(maps.Keys(unread)) {
			v.Evidence = append(v.Evidence, judge.Evidence{Time: v.Decided,
				Text: fmt.Sprintf("%s did not read in time and has lost %d frames", client, unread[client])})
		}
		worst, total := until(late, v.Decided)
		missed := time.Duration(-v.Margin.Value * float64(time.Second))
		onTime := v.Margin.Known && v.Margin.Unit == "s" && missed > 0
		if worst.By < matters && !(onTime && total >= missed) {
			continue
		}
		v.Outcome, v.Cause, v.Margin = judge.Undecided, judge.NoCause, judge.Margin{}
		v.Reason = fmt.Sprintf("the bench was late by %d ms at %s: %s", worst.By.Milliseconds(), judge.Seconds(worst.From), v.Reason)
		v.Evidence = append(v.Evidence, judge.Evidence{Time: worst.From,
			Text: fmt.Sprintf("the bench, or a processor for the tool, was late by %d ms until %s", worst.By.Milliseconds(), judge.Seconds(worst.To))})
	}
}

// until is the worst lateness that began by a moment, and the sum of all by then.
func until(late []clock.Late, moment time.Duration) (worst clock.Late, total time.Duration) {
	for _, x := range late {
		if x.From > moment {
			break
		}
		total += x.By
		if x.By > worst.By {
			worst = x
		}
	}
	return worst, total
}
