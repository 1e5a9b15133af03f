package batch_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/batch"
)

// Whatever the number of workers and whatever ends first: told in order, each once.
func TestResultsComeInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 60).Draw(t, "runs")
		workers := rapid.IntRange(1, 16).Draw(t, "workers")
		var got []int
		told, err := batch.Do(context.Background(), n, batch.Options{Workers: workers},
			func(_ context.Context, run, _ int) (int, bool, error) {
				for range run * 7919 % 50 { // ends out of order
					time.Sleep(time.Microsecond)
				}
				return run * run, run%3 != 0, nil
			},
			func(run int, attempts []int) {
				if len(attempts) != 1 || attempts[0] != run*run {
					t.Fatalf("run %d: %v", run, attempts)
				}
				got = append(got, run)
			})
		if err != nil || told != n || len(got) != n {
			t.Fatalf("%d of %d told: %v", told, n, err)
		}
		for i, run := range got {
			if run != i {
				t.Fatalf("told in the order %v", got)
			}
		}
	})
}

// When fewer may go on, those that are under way end and fewer begin; one always goes on.
func TestTheLimitLowersWhatIsUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var done, running, most atomic.Int32
		limit := func() int {
			switch {
			case done.Load() < 8:
				return 8
			case done.Load() < 20:
				return 2
			}
			return 0
		}
		told, err := batch.Do(context.Background(), 30, batch.Options{Workers: 8, Limit: limit},
			func(context.Context, int, int) (int, bool, error) {
				n := running.Add(1)
				most.Store(max(most.Load(), n))
				switch d := done.Load(); {
				case d >= 22:
					assert.LessOrEqual(t, n, int32(1))
				case d >= 16:
					assert.LessOrEqual(t, n, int32(2))
				}
				time.Sleep(time.Minute)
				running.Add(-1)
				done.Add(1)
				return 0, true, nil
			},
			func(int, []int) {})
		require.NoError(t, err)
		require.Equal(t, 30, told)
		require.Equal(t, int32(8), most.Load())
		require.Equal(t, int32(30), done.Load())
	})
}

// Runs that wait are all at once: many more than there are cores.
func TestManyWaitAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		_, err := batch.Do(context.Background(), 500, batch.Options{Workers: 100},
			func(context.Context, int, int) (int, bool, error) { time.Sleep(time.Minute); return 0, true, nil },
			func(int, []int) {})
		require.NoError(t, err)
		require.Equal(t, 5*time.Minute, time.Since(begun))
	})
}

// With fail-fast the same is told whatever ran first: all up to the first failure in
// order, and nothing behind it.
func TestFailFastIsTheSameWhateverRanFirst(t *testing.T) {
	for _, workers := range []int{1, 2, 7, 40} {
		synctest.Test(t, func(t *testing.T) {
			var got []int
			var cancelled atomic.Int32
			told, err := batch.Do(context.Background(), 40, batch.Options{Workers: workers, FailFast: true},
				func(ctx context.Context, run, _ int) (int, bool, error) {
					if run == 30 {
						return run, false, nil // the first to end
					}
					select {
					case <-time.After(time.Duration(1+run) * time.Second):
					case <-ctx.Done():
						cancelled.Add(1)
						return run, false, nil
					}
					return run, run != 12, nil
				},
				func(run int, _ []int) { got = append(got, run) })
			require.NoError(t, err)
			require.Equal(t, 13, told)
			require.Len(t, got, 13)
			require.Equal(t, 12, got[12])
			if workers == 40 {
				require.Positive(t, cancelled.Load(), "those behind are broken off")
			}
		})
	}
}

func TestRetriesAreKept(t *testing.T) {
	var all [][]string
	_, err := batch.Do(context.Background(), 3, batch.Options{Workers: 2, Retry: 2},
		func(_ context.Context, run, attempt int) (string, bool, error) {
			return fmt.Sprintf("%d/%d", run, attempt), run == 0 || run == 1 && attempt == 2, nil
		},
		func(_ int, attempts []string) { all = append(all, attempts) })
	require.NoError(t, err)
	require.Equal(t, [][]string{{"0/1"}, {"1/1", "1/2"}, {"2/1", "2/2", "2/3"}}, all)
}

func TestAnErrorEndsTheBatchInOrder(t *testing.T) {
	for _, workers := range []int{1, 4, 9} {
		var got []int
		_, err := batch.Do(context.Background(), 20, batch.Options{Workers: workers},
			func(_ context.Context, run, _ int) (int, bool, error) {
				if run == 5 || run == 6 {
					return 0, false, fmt.Errorf("run %d has no bus", run)
				}
				return run, true, nil
			},
			func(run int, _ []int) { got = append(got, run) })
		require.ErrorContains(t, err, "run 5 has no bus")
		require.Equal(t, []int{0, 1, 2, 3, 4}, got)
	}
}

func TestFromOutsideItEndsAtOnce(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	told, err := batch.Do(ctx, 100, batch.Options{Workers: 3},
		func(ctx context.Context, run, _ int) (int, bool, error) {
			if run == 2 {
				cancel()
			}
			<-ctx.Done()
			return run, false, nil
		},
		func(int, []int) {})
	require.ErrorIs(t, err, context.Canceled)
	require.LessOrEqual(t, told, 3)
}

func TestTheStateIsTold(t *testing.T) {
	var mu sync.Mutex
	var last batch.State
	most := 0
	_, err := batch.Do(context.Background(), 10, batch.Options{Workers: 4, Watch: func(s batch.State) {
		mu.Lock()
		defer mu.Unlock()
		most = max(most, len(s.Running))
		last = s
	}}, func(_ context.Context, run, _ int) (int, bool, error) { return run, run%2 == 0, nil }, func(int, []int) {})
	require.NoError(t, err)
	require.Equal(t, batch.State{Total: 10, Done: 10, Failed: 5}, last)
	require.LessOrEqual(t, most, 4)
}

func TestSeeds(t *testing.T) {
	for text, want := range map[string][]uint64{
		"7": {7}, "1-3": {1, 2, 3}, "1,5,9-11": {1, 5, 9, 10, 11}, "3,1-3": {3, 1, 2}, " 2 , 4": {2, 4},
		"18446744073709551614-18446744073709551615": {18446744073709551614, 18446744073709551615},
	} {
		got, err := batch.Seeds(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "x", "5-1", "1,", "1-", "-3", "0-18446744073709551615", "1-2-3"} {
		_, err := batch.Seeds(text)
		require.Error(t, err, text)
	}
}

func TestAxes(t *testing.T) {
	a, err := batch.ParseAxis("air-mass-dead.whole-plug=true,false")
	require.NoError(t, err)
	require.Equal(t, batch.Axis{Fault: "air-mass-dead", Param: "whole-plug", Values: []string{"true", "false"}}, a)
	for _, text := range []string{"", "a.b", "a=1", ".b=1", "a.=1", "a.b=", "a.b=1,"} {
		_, err := batch.ParseAxis(text)
		require.ErrorContains(t, err, "want FAULT.PARAM=VALUE", text)
	}
	require.Equal(t, [][]int{{1, 8}, {1, 9}, {2, 8}, {2, 9}}, batch.Combine([][]int{{1, 2}, {8, 9}}))
	require.Equal(t, [][]int{nil}, batch.Combine[int](nil), "no choice is one choice")
}

// Every run is in exactly one part, and the parts differ by at most one run.
func TestShardsArePartitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, of := rapid.IntRange(0, 300).Draw(t, "runs"), rapid.IntRange(1, 12).Draw(t, "parts")
		sizes := make([]int, of)
		for run := range n {
			in := 0
			for part := 1; part <= of; part++ {
				s, err := batch.ParseShard(fmt.Sprintf("%d/%d", part, of))
				if err != nil {
					t.Fatal(err)
				}
				if s.Has(run) {
					in++
					sizes[part-1]++
				}
			}
			if in != 1 {
				t.Fatalf("run %d is in %d parts", run, in)
			}
		}
		for _, k := range sizes {
			if k < n/of || k > n/of+1 {
				t.Fatalf("parts of %v", sizes)
			}
		}
	})
	for _, text := range []string{"0/3", "4/3", "1", "1/0", "a/b", "1/2/3"} {
		_, err := batch.ParseShard(text)
		require.ErrorContains(t, err, "want PART/PARTS", text)
	}
	all, err := batch.ParseShard("")
	require.NoError(t, err)
	require.True(t, all.Has(17))
}

func TestFileNames(t *testing.T) {
	require.Equal(t, "a.b=5_0_x-y", batch.FileName("a.b=5/0 x-y"))
	require.NotContains(t, batch.FileName("../../etc"), "/")
}

func TestNothingToDo(t *testing.T) {
	n, err := batch.Do(context.Background(), 0, batch.Options{}, func(context.Context, int, int) (int, bool, error) {
		return 0, false, errors.New("never")
	}, func(int, []int) {})
	require.NoError(t, err)
	require.Zero(t, n)
}
