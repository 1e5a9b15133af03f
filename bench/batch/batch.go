package batch

import (
	"context"
	"sync"
)

// Options say how runs are done.
type Options struct {
	// Workers is how many runs there are at once; at least 1.
	Workers int
	// Limit, if set, is how many of them may go on from now on; it is asked before each
	// run, and one always may. Who has stopped does not come back.
	Limit func() int
	// FailFast ends the batch with the first run, in their order, that fails: runs
	// before it are finished, those behind it are broken off and not told.
	FailFast bool
	// Retry is how often a run that failed is done again.
	Retry int
	// Watch, if set, is told when a run begins and when it has ended. Calls come
	// one at a time.
	Watch func(State)
}

// State is how far a batch has come.
type State struct {
	// Total is the number of runs, Done those that have ended, Failed those of
	// them that failed.
	Total, Done, Failed int
	// Running are the numbers of those under way, in no order.
	Running []int
}

// Doer does one attempt, from 1, of a run and says whether it passed. An error is
// no failed run but ends the batch: nothing could be run at all.
type Doer[T any] func(ctx context.Context, run, attempt int) (result T, passed bool, err error)

// Do does the runs 0 to n-1. Each is told once, in order, with the results of its
// attempts, of which the last counts; tell is called from one goroutine at a time.
// It returns how many were told: all, unless ctx ended, the first error came or
// FailFast had its case.
func Do[T any](ctx context.Context, n int, opt Options, do Doer[T], tell func(run int, attempts []T)) (int, error) {
	b := &batch[T]{n: n, opt: opt, do: do, tell: tell, last: n, ended: map[int][]T{}, running: map[int]context.CancelFunc{}}
	b.workers = min(max(1, opt.Workers), n)
	var wg sync.WaitGroup
	for range b.workers {
		wg.Go(func() { b.work(ctx) })
	}
	wg.Wait()
	if b.err == nil {
		b.err = ctx.Err()
	}
	return b.told, b.err
}

// batch is the state that the workers share.
type batch[T any] struct {
	n    int
	opt  Options
	do   Doer[T]
	tell func(int, []T)

	mu           sync.Mutex
	next         int // the run that nobody has begun
	last         int // runs from here on do not count any more
	told         int
	workers      int // that go on
	done, failed int
	ended        map[int][]T // results that wait for those before them
	running      map[int]context.CancelFunc
	err          error
}

func (b *batch[T]) work(ctx context.Context) {
	for {
		run, own, ok := b.begin(ctx)
		if !ok {
			return
		}
		results, passed, err := b.attempts(own, run)
		b.end(run, results, passed, err)
	}
}

// begin takes the next run.
func (b *batch[T]) begin(ctx context.Context) (int, context.Context, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next >= min(b.n, b.last) || b.err != nil || ctx.Err() != nil {
		return 0, nil, false
	}
	if b.opt.Limit != nil && b.workers > max(1, b.opt.Limit()) {
		b.workers--
		return 0, nil, false
	}
	run := b.next
	b.next++
	own, cancel := context.WithCancel(ctx)
	b.running[run] = cancel
	b.watch()
	return run, own, true
}

func (b *batch[T]) attempts(ctx context.Context, run int) (results []T, passed bool, err error) {
	for attempt := 1; attempt <= 1+b.opt.Retry; attempt++ {
		var r T
		r, passed, err = b.do(ctx, run, attempt)
		if err != nil {
			return nil, false, err
		}
		results = append(results, r)
		if passed || ctx.Err() != nil {
			break
		}
	}
	return results, passed, nil
}

// end takes a run's results in and tells what can be told.
func (b *batch[T]) end(run int, results []T, passed bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.running[run]()
	delete(b.running, run)
	if run >= b.last {
		b.watch()
		return // broken off, or behind the one that ended the batch
	}
	if err != nil {
		// The first error in the order of the runs counts, so that it is the same
		// whatever ran first.
		b.err = err
		b.cut(run)
		return
	}
	b.done++
	if !passed {
		b.failed++
		if b.opt.FailFast {
			b.cut(run + 1)
		}
	}
	b.ended[run] = results
	for b.told < b.last {
		r, ok := b.ended[b.told]
		if !ok {
			break
		}
		delete(b.ended, b.told)
		b.tell(b.told, r)
		b.told++
	}
	b.watch()
}

// cut leaves the runs from here on out.
func (b *batch[T]) cut(from int) {
	b.last = from
	for run, cancel := range b.running {
		if run >= from {
			cancel()
		}
	}
}

func (b *batch[T]) watch() {
	if b.opt.Watch == nil {
		return
	}
	s := State{Total: b.n, Done: b.done, Failed: b.failed}
	for run := range b.running {
		s.Running = append(s.Running, run)
	}
	b.opt.Watch(s)
}
