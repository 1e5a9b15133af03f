package main

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"sawhorse/bench/batch"
)

// board shows on a terminal how far the runs have come, in one line that is written
// over.
type board struct {
	w     io.Writer // nil shows nothing
	jobs  []job
	begun time.Time
	stop  chan struct{}
	gone  chan struct{}

	mu    sync.Mutex
	state batch.State
	since map[int]time.Time // when those under way began
}

func newBoard(w io.Writer, jobs []job) *board {
	b := &board{jobs: jobs, begun: time.Now(), stop: make(chan struct{}), gone: make(chan struct{}), since: map[int]time.Time{}}
	b.state.Total = len(jobs)
	if !isTerminal(w) {
		close(b.gone)
		return b
	}
	b.w = w
	go b.tick()
	return b
}

func (b *board) tick() {
	defer close(b.gone)
	t := time.NewTicker(250 * time.Millisecond)
	defer t.Stop()
	for {
		select {
		case <-b.stop:
			return
		case <-t.C:
			b.mu.Lock()
			fmt.Fprintf(b.w, "\r\x1b[K%s", b.line(time.Now()))
			b.mu.Unlock()
		}
	}
}

func (b *board) watch(s batch.State) {
	if b.w == nil {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.state = s
	since := map[int]time.Time{}
	for _, run := range s.Running {
		since[run] = time.Now()
		if t, ok := b.since[run]; ok {
			since[run] = t
		}
	}
	b.since = since
}

// line says how many are done, how many failed, how long it will take, and what is
// under way the longest.
func (b *board) line(now time.Time) string {
	var s strings.Builder
	fmt.Fprintf(&s, "%d of %d", b.state.Done, b.state.Total)
	if b.state.Failed > 0 {
		fmt.Fprintf(&s, ", %d failed", b.state.Failed)
	}
	if done := b.state.Done; done > 0 && b.state.Total > manyRuns {
		left := now.Sub(b.begun) / time.Duration(done) * time.Duration(b.state.Total-done)
		fmt.Fprintf(&s, ", about %v left", left.Round(time.Second))
	}
	oldest := -1
	for run, t := range b.since {
		if oldest < 0 || t.Before(b.since[oldest]) || t.Equal(b.since[oldest]) && run < oldest {
			oldest = run
		}
	}
	if oldest >= 0 {
		fmt.Fprintf(&s, "; %s, %v of at most %v", b.jobs[oldest].label(), now.Sub(b.since[oldest]).Round(time.Second),
			time.Duration(b.jobs[oldest].plan.Duration))
		if n := len(b.since) - 1; n > 0 {
			fmt.Fprintf(&s, ", and %d more", n)
		}
	}
	return s.String()
}

// pause takes the line away while something else is written.
func (b *board) pause(fn func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.w != nil {
		fmt.Fprint(b.w, "\r\x1b[K")
	}
	fn()
}

func (b *board) close() {
	close(b.stop)
	<-b.gone
	b.pause(func() {})
}

func (j *job) label() string {
	if j.name != "" {
		return j.name
	}
	return j.plan.Scenario.Name
}
