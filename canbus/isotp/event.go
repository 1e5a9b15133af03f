package isotp

// EventKind says what an Event reports.
type EventKind uint8

// The kinds of event.
const (
	// Received: a message is complete (N_USData.indication, N_OK).
	Received EventKind = iota + 1
	// Started: a first frame was taken (N_USDataFF.indication).
	Started
	// Delivered: the message of Send has left (N_USData.confirm, N_OK).
	Delivered
	// Failed: a message ended otherwise; Result says how.
	Failed
)

// Event is one thing that an endpoint has to report.
type Event struct {
	Kind   EventKind
	Result Result
	// Receiving tells a failed reception from a failed transmission.
	Receiving bool
	// Segmented tells a message of several frames from a single frame.
	Segmented bool
	// Length is the length of the message in bytes, Done how many of them
	// had been received or had left when the event was made.
	Length, Done int
	// Payload is the message of a Received event. It is the endpoint's own and
	// valid until the next call of Receive; copy it to keep it.
	Payload []byte
}

// maxEvents bounds the events that wait for NextEvent. One call makes a
// few, so only an owner that does not drain them can reach it.
const maxEvents = 16

// events is a ring.
type events struct {
	ring [maxEvents]Event
	head int
	n    int
	lost uint64
}

func (q *events) push(ev Event) {
	if q.n == maxEvents {
		q.head = (q.head + 1) % maxEvents
		q.n--
		q.lost++
	}
	q.ring[(q.head+q.n)%maxEvents] = ev
	q.n++
}

func (q *events) pop(ev *Event) bool {
	if q.n == 0 {
		return false
	}
	*ev = q.ring[q.head]
	q.ring[q.head].Payload = nil
	q.head = (q.head + 1) % maxEvents
	q.n--
	return true
}

// detach gives payloads that nobody has fetched yet memory of their own,
// before the endpoint uses its buffers again.
func (q *events) detach() {
	for i := range q.n {
		ev := &q.ring[(q.head+i)%maxEvents]
		if ev.Payload != nil {
			ev.Payload = append([]byte(nil), ev.Payload...)
		}
	}
}
