package wire

import "sawhorse/canbus"

// slot is a frame waiting to be sent.
type slot struct {
	frame canbus.Frame
	tries int
	note  string // what a fault did to it so far
	exact bool   // its sender's moment is measured, see clock.Timer.SetExact
}

// ref is a slot's place in the order: by arbitration, then by age.
type ref struct {
	seq uint64
	key uint32
	at  int32
}

func (r ref) before(o ref) bool {
	return r.key < o.key || r.key == o.key && r.seq < o.seq
}

// queue is the bounded send queue of a port: a heap of references, so that frames
// stay where they are. A frame taken for a try still counts.
type queue struct {
	heap  []ref
	slots []slot
	spare []int32
	limit int
	seq   uint64
}

func (q *queue) used() int { return len(q.slots) - len(q.spare) }

// push adds a copy of the frame; false when the queue is full.
func (q *queue) push(f *canbus.Frame, exact bool) bool {
	var at int32
	if n := len(q.spare); n > 0 {
		at = q.spare[n-1]
		q.spare = q.spare[:n-1]
	} else if len(q.slots) < q.limit {
		at = int32(len(q.slots))
		q.slots = append(q.slots, slot{})
	} else {
		return false
	}
	s := &q.slots[at]
	s.frame, s.tries, s.note, s.exact = *f, 0, "", exact
	clear(s.frame.Data[len(f.Payload()):])
	q.seq++
	q.restore(ref{seq: q.seq, key: arbitrationKey(f), at: at})
	return true
}

// restore puts a reference back where it belongs.
func (q *queue) restore(r ref) {
	q.heap = append(q.heap, r)
	i := len(q.heap) - 1
	for i > 0 {
		p := (i - 1) / 2
		if !r.before(q.heap[p]) {
			break
		}
		q.heap[i] = q.heap[p]
		i = p
	}
	q.heap[i] = r
}

// take removes the first reference; its slot stays in use until released.
func (q *queue) take() ref {
	top := q.heap[0]
	last := len(q.heap) - 1
	r := q.heap[last]
	q.heap = q.heap[:last]
	if last == 0 {
		return top
	}
	i := 0
	for {
		c := 2*i + 1
		if c >= last {
			break
		}
		if c+1 < last && q.heap[c+1].before(q.heap[c]) {
			c++
		}
		if !q.heap[c].before(r) {
			break
		}
		q.heap[i] = q.heap[c]
		i = c
	}
	q.heap[i] = r
	return top
}

func (q *queue) release(at int32) { q.spare = append(q.spare, at) }

// drop empties the queue but for a frame taken, and says how many went.
func (q *queue) drop() int {
	n := len(q.heap)
	for _, r := range q.heap {
		q.release(r.at)
	}
	q.heap = q.heap[:0]
	return n
}

// arbitrationKey is the arbitration field as a number: the lower one wins the
// wire. After the 11 leading identifier bits stand RTR and IDE of a base frame, SRR
// and IDE of an extended one, so that base data frames come before base remote
// frames before extended ones (ISO 11898-1:2015 clause 10.3).
func arbitrationKey(f *canbus.Frame) uint32 {
	id, rtr := uint32(f.ID), uint32(bit(f.Flags&canbus.Remote != 0))
	if f.Flags&canbus.Extended == 0 {
		return id<<21 | rtr<<20
	}
	return id>>18<<21 | 3<<19 | id&0x3FFFF<<1 | rtr
}
