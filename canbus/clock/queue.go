package clock

import "time"

// entry is one appointment in the queue: a value without pointers, so that moving
// it costs the garbage collector nothing. Of the order, the priority stands in the
// top byte and the order of setting below it.
type entry struct {
	at    time.Duration
	order uint64
	slot  int32
}

func (e *entry) before(o *entry) bool {
	return e.at < o.at || e.at == o.at && e.order < o.order
}

// queue is a 4-ary heap in which each timer that is set has one entry, wherever it
// was moved: place finds it by the timer's slot. Both are free of allocation once
// grown.
type queue struct {
	es     []entry
	place  []int32 // of a slot's entry in es
	timers []*Timer
	spare  []int32 // slots of no timer
	hole   bool    // the first entry's timer is running, and its place is free
}

// add enters a timer that is not set.
func (q *queue) add(t *Timer, at time.Duration, order uint64) {
	if n := len(q.spare); n > 0 {
		t.slot = q.spare[n-1]
		q.spare = q.spare[:n-1]
	} else {
		t.slot = int32(len(q.timers))
		q.timers = append(q.timers, nil)
		q.place = append(q.place, 0)
	}
	q.timers[t.slot] = t
	e := entry{at: at, order: order, slot: t.slot}
	if q.hole {
		q.hole = false
		q.down(0, e)
		return
	}
	q.es = append(q.es, e)
	q.up(len(q.es)-1, e)
}

// move changes the appointment of a timer that is set.
func (q *queue) move(t *Timer, at time.Duration, order uint64) {
	q.settle(int(q.place[t.slot]), entry{at: at, order: order, slot: t.slot})
}

// remove takes out a timer that is set.
func (q *queue) remove(t *Timer) {
	i, last := int(q.place[t.slot]), len(q.es)-1
	q.release(t.slot)
	e := q.es[last]
	q.es = q.es[:last]
	if i < last {
		q.settle(i, e)
	}
}

func (q *queue) release(slot int32) {
	q.timers[slot] = nil
	q.spare = append(q.spare, slot)
}

// begin takes the first timer out to be run. Its entry stays as a hole, before all
// others, until fill: what the running timer sets takes the place, which saves one
// of two ways through the heap.
func (q *queue) begin() *Timer {
	e := &q.es[0]
	t := q.timers[e.slot]
	q.release(e.slot)
	e.at, e.order, q.hole = -1, 0, true
	return t
}

// fill closes the hole that a run timer has left.
func (q *queue) fill() {
	if !q.hole {
		return
	}
	q.hole = false
	last := len(q.es) - 1
	e := q.es[last]
	q.es = q.es[:last]
	if last > 0 {
		q.down(0, e)
	}
}

// settle puts e into the free place i or where it belongs from there.
func (q *queue) settle(i int, e entry) {
	if i > 0 && e.before(&q.es[(i-1)/4]) {
		q.up(i, e)
		return
	}
	q.down(i, e)
}

func (q *queue) put(i int, e entry) {
	q.es[i] = e
	q.place[e.slot] = int32(i)
}

// up lifts e from the free place i.
func (q *queue) up(i int, e entry) {
	for i > 0 {
		p := (i - 1) / 4
		if !e.before(&q.es[p]) {
			break
		}
		q.put(i, q.es[p])
		i = p
	}
	q.put(i, e)
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
		q.put(i, q.es[m])
		i = m
	}
	q.put(i, e)
}
