package clock

import "time"

// entry is one appointment in the queue. gen tells whether the timer still
// means it: a timer that was moved or stopped leaves its old entry behind.
type entry struct {
	at  time.Duration
	seq uint64
	t   *Timer
	gen uint32
	pri Priority
}

func (e *entry) before(o *entry) bool {
	if e.at != o.at {
		return e.at < o.at
	}
	if e.pri != o.pri {
		return e.pri < o.pri
	}
	return e.seq < o.seq
}

// queue is a 4-ary heap of values: about twice as fast as container/heap and
// free of allocation once grown.
type queue struct{ es []entry }

func (q *queue) push(e entry) {
	q.es = append(q.es, e)
	i := len(q.es) - 1
	for i > 0 {
		p := (i - 1) / 4
		if !e.before(&q.es[p]) {
			break
		}
		q.es[i] = q.es[p]
		i = p
	}
	q.es[i] = e
}

func (q *queue) pop() entry {
	top := q.es[0]
	last := len(q.es) - 1
	e := q.es[last]
	q.es[last] = entry{}
	q.es = q.es[:last]
	if last > 0 {
		q.down(0, e)
	}
	return top
}

// down sinks e from the free place i.
func (q *queue) down(i int, e entry) {
	last := len(q.es)
	for {
		c := 4*i + 1
		if c >= last {
			break
		}
		m := c
		for j := c + 1; j < min(c+4, last); j++ {
			if q.es[j].before(&q.es[m]) {
				m = j
			}
		}
		if !q.es[m].before(&e) {
			break
		}
		q.es[i] = q.es[m]
		i = m
	}
	q.es[i] = e
}

// keep drops the entries that want refuses. The order being total, what comes
// out first does not depend on how the rest lie.
func (q *queue) keep(want func(*entry) bool) {
	all := q.es
	q.es = all[:0]
	for i := range all {
		if want(&all[i]) {
			q.es = append(q.es, all[i])
		}
	}
	clear(all[len(q.es):])
	for i := (len(q.es) - 2) / 4; i >= 0 && len(q.es) > 1; i-- {
		q.down(i, q.es[i])
	}
}
