package replay

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/internal/spread"
)

// Source is where frames come from, in order; a capture.Reader is one. Time
// counts since any fixed moment. The end is io.EOF.
type Source interface {
	Next(f *canbus.Frame) error
}

// Rewinder is a Source that can begin again, as a loop needs.
type Rewinder interface {
	Rewind() error
}

// NodeName is the name under which a replay attaches to its buses.
const NodeName = "replay"

// Options say what of a recording is played, and how. The zero value plays all
// of it once, as recorded.
type Options struct {
	// Speed is how much faster than recorded: 2 halves the gaps, +Inf leaves as
	// fast as the bus takes; 0 means 1.
	Speed float64
	// From and To bound the part that is played, as offsets from the first frame
	// of the recording: From included, To not. To 0 is the end.
	From, To time.Duration
	// Loop plays that many passes; 0 means one, Forever does not end.
	Loop int
	// JoinGap is the recording's time from the last frame of a pass to the first
	// of the next; 0 means the mean gap of the first pass.
	JoinGap time.Duration
	// Only, if not empty, are the identifiers to play; Skip are those to leave
	// out, such as the ones that a stand-in car answers itself. Both are of the
	// recording, before Remap.
	Only, Skip []Match
	// Remap gives identifiers, and with them formats, new values.
	Remap map[canbus.Key]canbus.Key
	// BusMap says on which of the buses a recorded bus is played; a number that
	// is not there keeps its own, and NoBus leaves a bus out.
	BusMap map[uint8]int
	// Until, if not 0, is the loop's time at which the replay ends.
	Until time.Duration
	// Late, if set, is told how late each frame was handed to its bus, for
	// metrics.
	Late func(time.Duration)
	// Finished, if set, is called once, from the loop, when Done becomes true.
	Finished func()
}

// Special values of Options.Loop and Options.BusMap.
const (
	Forever = -1
	NoBus   = -1
)

const (
	// laneSize is how many frames may wait for one bus.
	laneSize = 64
	// patience is how long the replay waits for a frame to reach the wire before
	// it hands over the next all the same: the port may have lost it (bus-off).
	patience = 250 * time.Millisecond
	// retry is how long it waits to ask a full port again.
	retry = time.Millisecond
	// chunk is how many frames left out may go by in one event.
	chunk = 4096
	// stepBack is the largest step back in time that is taken for disorder.
	stepBack = time.Second
)

// Stats says what a replay has done so far.
type Stats struct {
	Read      uint64 // frames of the recording within From and To
	Sent      uint64 // handed to a bus
	Confirmed uint64 // on the wire and acknowledged
	LeftOut   uint64 // by Only, Skip or BusMap
	Reports   uint64 // error reports of the recording: no frames of the wire
	Homeless  uint64 // of buses that this replay has not got
	Full      uint64 // times a port's queue was full, so that the replay waited
	Refused   uint64 // refused for good: the node was bus-off, or no such frame fits the bus
	Passes    uint64 // passes that have ended
	StepsBack uint64 // times that went back
	// Lateness of the frames sent, when handed to the bus: half of them, and 99
	// of 100, were at most so late (at most 1/16 overstated), and all at most Max.
	P50, P99, Max time.Duration
}

// Replay plays one recording. All its methods belong to the loop.
type Replay struct {
	loop   *clock.Loop
	src    Source
	opt    Options
	lanes  []*lane
	only   *set
	skip   *set
	timer  *clock.Timer
	start  time.Duration
	line   timeline
	frame  canbus.Frame // read, but not due or without a place in its lane
	target int          // lane of frame
	due    time.Duration
	loaded bool
	queued uint64 // of this pass
	ended  bool   // the source gives no more, or no more is wanted
	told   bool
	refuse error
	err    error
	stats  Stats
	late   spread.Histogram
}

// New makes a replay of src onto buses, attaching to each as "replay": frames of
// recorded bus n go to buses[n] (see Options.BusMap). It reads up to the first
// frame of the part, so a recording that has none, or is damaged before it, is an
// error here.
func New(loop *clock.Loop, buses []canbus.Bus, src Source, opt Options) (*Replay, error) {
	if err := opt.check(src); err != nil {
		return nil, err
	}
	r := &Replay{loop: loop, src: src, opt: opt, only: newSet(opt.Only), skip: newSet(opt.Skip)}
	r.line = timeline{speed: opt.Speed, from: opt.From, gap: opt.JoinGap}
	r.timer = loop.NewTimer(clock.PriorityECU, r.step)
	for n, bus := range buses {
		l := &lane{r: r}
		l.timer = loop.NewTimer(clock.PriorityECU, l.drain)
		port, err := bus.Attach(NodeName, l)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("replay on bus %d: %w", n, err), r.detach())
		}
		l.port = port
		r.lanes = append(r.lanes, l)
	}
	for !r.ended && !r.loaded {
		r.load()
	}
	if r.err == nil && r.stats.Read == 0 {
		r.err = fmt.Errorf("replay: %w", errEmpty)
	}
	if r.err != nil && !r.loaded {
		return nil, errors.Join(r.err, r.detach())
	}
	return r, nil
}

var (
	errEmpty = errors.New("the recording has no frame in the part to play")
	errMute  = errors.New("the filters leave nothing to play in a loop")
	errPoint = errors.New("a loop over a single moment of the recording needs a join gap")
)

func (o *Options) check(src Source) error {
	if o.Speed == 0 {
		o.Speed = 1
	}
	switch {
	case o.Speed < 0 || math.IsNaN(o.Speed):
		return fmt.Errorf("replay: speed %v, want more than 0", o.Speed)
	case o.From < 0 || o.To < 0 || o.To > 0 && o.To <= o.From:
		return fmt.Errorf("replay: part from %v to %v, want 0 <= from < to", o.From, o.To)
	case o.Loop < Forever:
		return fmt.Errorf("replay: %d passes, want a number from 0, or -1 for ever", o.Loop)
	case o.JoinGap < 0:
		return fmt.Errorf("replay: join gap %v, want 0 or more", o.JoinGap)
	}
	if _, ok := src.(Rewinder); !ok && (o.Loop == Forever || o.Loop > 1) {
		return errors.New("replay: a loop needs a recording that can be read again, not a stream")
	}
	return nil
}

// Start begins at a time of the loop, which is the moment of the offset
// Options.From. Call it once.
func (r *Replay) Start(at time.Duration) {
	r.start = at
	r.due = r.line.due(at)
	r.wake(max(r.due, at))
}

// wake sets the timer, at the latest for the end of the replay.
func (r *Replay) wake(at time.Duration) {
	if r.opt.Until > 0 {
		at = min(at, r.opt.Until)
	}
	r.timer.SetExact(at)
}

// over ends the replay if its time is up.
func (r *Replay) over() bool {
	if r.opt.Until == 0 || r.loop.Now() < r.opt.Until {
		return false
	}
	r.Stop()
	return true
}

// Stop ends the replay now: what is not on the wire stays unsent.
func (r *Replay) Stop() {
	r.ended, r.loaded = true, false
	for _, l := range r.lanes {
		l.n, l.busy = 0, false
		l.timer.Stop()
	}
	r.timer.Stop()
	r.finish()
}

// Close stops the replay and takes it off its buses.
func (r *Replay) Close() error {
	r.Stop()
	return r.detach()
}

func (r *Replay) detach() error {
	var errs []error
	for _, l := range r.lanes {
		if l.port != nil {
			errs = append(errs, l.port.Close())
			l.port = nil
		}
	}
	return errors.Join(errs...)
}

// Done reports whether every frame that was to be played is on the wire or lost.
func (r *Replay) Done() bool { return r.told }

// Err is why the replay ended early, or the first refusal that was for good; an
// error of a damaged recording is the source's, after all that could be read was
// played.
func (r *Replay) Err() error { return errors.Join(r.err, r.refuse) }

// Stats tells what has been done so far.
func (r *Replay) Stats() Stats {
	s := r.stats
	s.P50, s.P99, s.Max = r.late.Quantile(0.5), r.late.Quantile(0.99), r.late.Max()
	return s
}

// step hands over all that is due and sets the timer for what is next.
func (r *Replay) step() {
	for skipped := 0; !r.ended; {
		if r.over() {
			return
		}
		if !r.loaded {
			if r.load(); !r.loaded {
				if skipped++; skipped >= chunk {
					r.timer.Set(r.loop.Now()) // let the others have their turn
					return
				}
				continue
			}
			r.due = max(r.line.due(r.start), r.due)
		}
		if r.due > r.loop.Now() {
			r.wake(r.due)
			return
		}
		l := r.lanes[r.target]
		if l.n == laneSize {
			l.jammed = true // goes on from drain
			return
		}
		l.push(&r.frame, r.due)
		r.loaded = false
		r.queued++
		l.drain()
	}
	r.finish()
}

// load reads one frame; loaded is set if it is to be played.
func (r *Replay) load() {
	err := r.src.Next(&r.frame)
	if err == nil {
		pos, back := r.line.see(r.frame.Time)
		if back {
			r.stats.StepsBack++
		}
		if pos < r.opt.From {
			return
		}
		if r.opt.To == 0 || pos < r.opt.To {
			r.line.enter(pos)
			r.stats.Read++
			r.loaded = r.choose()
			return
		}
		err = io.EOF
	}
	r.pass(err)
}

// choose applies filters and maps to the frame.
func (r *Replay) choose() bool {
	f := &r.frame
	if f.Flags&canbus.Error != 0 {
		r.stats.Reports++
		return false
	}
	k := f.Key()
	bus, mapped := int(f.Bus), false
	if r.opt.BusMap != nil {
		var to int
		if to, mapped = r.opt.BusMap[f.Bus]; mapped {
			bus = to
		}
	}
	if r.only != nil && !r.only.has(k) || r.skip != nil && r.skip.has(k) || mapped && bus == NoBus {
		r.stats.LeftOut++
		return false
	}
	if bus < 0 || bus >= len(r.lanes) {
		r.stats.Homeless++
		return false
	}
	if r.opt.Remap != nil {
		if to, ok := r.opt.Remap[k]; ok {
			f.ID, f.Flags = to.ID(), f.Flags&^canbus.Extended
			if to.Extended() {
				f.Flags |= canbus.Extended
			}
		}
	}
	r.target, f.Bus = bus, uint8(bus)
	return true
}

// pass ends a pass of the recording and begins the next, if any.
func (r *Replay) pass(err error) {
	r.stats.Passes++
	r.ended = true
	again := r.opt.Loop == Forever || uint64(max(r.opt.Loop, 1)) > r.stats.Passes
	switch {
	case err != io.EOF:
		r.err = err
	case !again || r.stats.Read == 0:
	case r.queued == 0:
		r.err = fmt.Errorf("replay: %w", errMute)
	default:
		if err := r.src.(Rewinder).Rewind(); err != nil {
			r.err = fmt.Errorf("replay: %w", err)
			return
		}
		if r.line.join(); r.line.gap == 0 && !math.IsInf(r.opt.Speed, 1) {
			r.err = fmt.Errorf("replay: %w", errPoint)
			return
		}
		r.ended, r.queued = false, 0
	}
}

// finish tells the end once every frame is on the wire, or given up.
func (r *Replay) finish() {
	if !r.ended || r.told {
		return
	}
	for _, l := range r.lanes {
		if l.n > 0 || l.waits() {
			return
		}
	}
	r.told = true
	for _, l := range r.lanes {
		l.timer.Stop()
	}
	if r.opt.Finished != nil {
		r.opt.Finished()
	}
}
