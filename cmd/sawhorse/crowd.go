package main

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
)

// waitersPerCore is how many runs in wall time an idle core has at once: a car takes a
// twentieth of one, and the tool mostly waits for it.
const waitersPerCore = 8

// crowded is the lateness of one run from which on fewer run at once: the judge begins
// to take verdicts back.
const crowded = 20 * time.Millisecond

// crowd is how many runs in wall time the machine bears at once.
type crowd struct{ now atomic.Int32 }

// begin starts with n, or if that is 0 with what the machine has left.
func (c *crowd) begin(n int) int {
	if n == 0 {
		n = waiters(runtime.GOMAXPROCS(0), loadNow())
	}
	c.now.Store(int32(n))
	return n
}

func (c *crowd) limit() int { return int(c.now.Load()) }

// note takes in how late a run has been: a quarter fewer from then on where that was too
// much.
func (c *crowd) note(late time.Duration) {
	if late < crowded {
		return
	}
	n := c.now.Load()
	if less := n - max(1, n/4); less >= 1 {
		c.now.CompareAndSwap(n, less) // of runs that end at one moment one counts
	}
}

// waiters is how many runs cores have room for on which so many programs run already.
func waiters(cores int, load float64) int {
	left := max(0, float64(cores)-load)
	return max(1, int(left*waitersPerCore))
}

// loadNow is how many programs wanted to run in the last minute (/proc/loadavg), 0 where
// nobody says.
func loadNow() float64 {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return 0
	}
	word, _, _ := strings.Cut(string(data), " ")
	n, err := strconv.ParseFloat(word, 64)
	if err != nil {
		return 0
	}
	return n
}
