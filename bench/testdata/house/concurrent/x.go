// Package concurrent breaks a rule of the house on purpose.
package concurrent

import (
	s "sync"
	"sync/atomic"
)

type guarded struct {
	mu s.Mutex      // broken
	n  atomic.Int64 // broken
	c  chan int     // broken
}

var once = s.OnceValue(func() int { return 1 })

// Run does all that one loop makes needless.
func Run(g *guarded) int {
	g.mu.Lock()
	defer g.mu.Unlock()
	go g.n.Load() // broken
	g.c <- 1      // broken
	select {      // broken
	case n := <-g.c: // broken
		return n
	default:
	}
	for n := range g.c { // broken
		return n
	}
	return once()
}
