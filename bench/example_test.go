package bench_test

import (
	"context"
	"fmt"
	"time"

	"sawhorse/bench"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// A car on a bus inside the program, driven by a script and by a hand, and judged: all
// in virtual time, so that the five seconds take a few milliseconds.
func ExampleNew() {
	sc, err := scenarios.Parse("start.yaml", []byte(`
scenario: start
title: The engine starts
about: The key is turned with the clutch down.
car: petrel-48
duration: 5s
driver:
  - {at: 1s, key: on, clutch: 100}
  - {at: 2s, key: start}
expect:
  - {id: runs, says: The engine runs, eventually: {that: engine_running, within: 5s}}
`), bench.Vocabulary())
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer b.Close()

	frames := 0
	b.Record(counter(func() { frames++ }), nil)
	judge := b.Judge(bench.Judging{Expect: sc.Expect})
	if _, err := b.Script(sc.Driver, nil); err != nil {
		fmt.Println(err)
		return
	}
	hand := b.Hand()
	b.Loop.At(4*time.Second, clock.PriorityFault, func() {
		if err := hand.SetFault("intake-air-open", true, nil); err != nil {
			fmt.Println(err)
		}
	})
	if err := b.Run(context.Background(), 5*time.Second); err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range judge.Finish(true) {
		if v.ID == "runs" {
			fmt.Println(v.Says, "-", v.Outcome)
		}
	}
	fmt.Println("more than 1,000 frames:", frames > 1000)
	// Output:
	// The engine runs - pass
	// more than 1,000 frames: true
}

// counter is a recorder that only counts.
type counter func()

func (c counter) Write(*canbus.Frame, string) error { c(); return nil }
