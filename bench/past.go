package bench

import (
	"slices"

	"sawhorse/bench/chance"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/recorded"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/trace"
)

// RoutineRuns is the first byte of a routine's result on the stand-in cars while it runs.
const RoutineRuns = 0x01

// Pairs are where the control units of a car are spoken to, for recordings of it.
func Pairs(name string) ([]rules.Pair, error) {
	k, err := newKit(name, chance.Seed(0))
	if err != nil {
		return nil, err
	}
	return pairsOf(k.addresses()), nil
}

func pairsOf(addresses []address) []rules.Pair {
	var list []rules.Pair
	for _, a := range addresses {
		list = append(list, rules.Pair{Name: a.ecu, Request: a.request, Response: a.response})
	}
	return list
}

// Past is what a run knew beside the bus, from its trace, to judge its recording again.
// fresh says that every task was a new process.
func Past(t *trace.Trace, fresh bool) *recorded.Run {
	beside := t.Beside()
	return &recorded.Run{
		Beside: beside, Truth: t.Value, Fresh: fresh, Length: t.Length,
		Disturbs: func(id string) bool {
			return slices.ContainsFunc(beside, func(o judge.Observation) bool { return o.Fault == id && o.Status == judge.Misleads })
		},
	}
}
