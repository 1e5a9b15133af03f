package bench

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

// Bus says which bus a bench is on.
type Bus struct {
	// URL names it, "" is mem:.
	URL string
	// Join is a place for one node on a bus that is somebody else's; else the bench
	// makes the bus.
	Join bool
	// Rate and DataRate are the bit rates in bit/s; 0 for those of the car, or of a
	// bus without one.
	Rate, DataRate int
	// Socket says who may connect to a bus at a socket that the bench makes.
	Socket busurl.Socket
}

// recoverAfter is when a controller that fell silent comes back by itself, as ECUs
// have it do.
const recoverAfter = 100 * time.Millisecond

// line is a bus that the bench is on.
type line struct {
	url     string
	opened  *busurl.Bus
	wire    *wire.Bus  // the embedded bus behind; nil if it is somebody else's
	altered *alter.Bus // what nodes attach to: the bus as faults alter it
	joined  bool
	// rate and dataRate are in bit/s, 0 if they are not known.
	rate, dataRate int
}

// openLines opens the buses of the settings.
func (b *Bench) openLines(s Settings, kit *kit, own func(string) bool) error {
	buses := slices.Clone(s.Buses)
	if len(buses) == 0 {
		buses = []Bus{{}}
	}
	ctx, cancel := context.WithCancel(context.Background())
	b.OnClose("connections", quick, func() error { cancel(); return nil })
	for i := range buses {
		at := &buses[i]
		if at.URL == "" {
			at.URL = "mem:"
		}
		if kit != nil && at.Rate == 0 {
			at.Rate = kit.bus().BitRate
		}
		if kit != nil && at.DataRate == 0 {
			at.DataRate = kit.bus().DataBitRate
		}
		l, err := b.openLine(ctx, i, at, s.Arm)
		if err != nil {
			return err
		}
		b.lines = append(b.lines, l)
		if l.opened.Silent != nil {
			b.Metrics.ListeningOnly()
		}
		b.OnClose("bus "+l.url, quick, l.opened.Close)
	}
	b.Bus = b.lines[0].altered
	if w := b.lines[0].wire; w != nil {
		b.cable = &cable{wire: w, own: own}
	}
	return nil
}

func (b *Bench) openLine(ctx context.Context, i int, at *Bus, arm []string) (_ *line, err error) {
	url, err := busurl.Parse(at.URL)
	if err != nil {
		return nil, err
	}
	l := &line{url: at.URL, joined: at.Join, rate: at.Rate, dataRate: at.DataRate}
	opt := busurl.Options{
		Name: fmt.Sprintf("can%d", i), Wire: wire.Config{BitRate: at.Rate, DataBitRate: at.DataRate, RecoverAfter: recoverAfter},
		Armed:   url.Physical() != "" && slices.Contains(arm, url.Physical()),
		Around:  func(inner canbus.Bus) canbus.Bus { l.altered = alter.Wrap(b.Loop, inner); return l.altered },
		OnState: func(message string) { b.Log.Warn(message) },
		OnJoin:  b.joined, OnLeave: b.left, OnDrop: b.dropped, OnLost: b.lost, Socket: at.Socket,
		OnGone: func(err error) { b.ended(at.URL, err) },
	}
	if at.Join {
		l.opened, err = busurl.Join(ctx, b.Loop, at.URL, opt)
	} else {
		l.opened, err = busurl.Host(b.Loop, at.URL, opt)
	}
	if err != nil {
		return nil, err
	}
	if l.wire = l.opened.Wire; l.wire != nil {
		cfg := l.wire.Config()
		l.rate, l.dataRate = cfg.BitRate, cfg.DataBitRate
	}
	return l, nil
}

func (b *Bench) joined(client string) {
	b.cable.join(client)
	b.Metrics.Joined()
	b.Log.Info("a client has joined the bus", "client", client)
}

func (b *Bench) left(client string) {
	b.cable.leave(client)
	b.Metrics.Left()
	b.Log.Info("a client has left the bus", "client", client)
}

func (b *Bench) dropped(client, reason string) {
	b.cable.leave(client)
	b.Metrics.Dropped()
	b.Log.Warn("a client was put off the bus", "client", client, "reason", reason)
}

// lost notes that a client does not read what it is sent; the log has it once.
func (b *Bench) lost(client string, frames int) {
	if b.unread == nil {
		b.unread = map[string]int{}
	}
	if frames == 1 {
		b.Log.Warn("a client does not read in time and loses frames", "client", client)
	}
	b.unread[client] = frames
}

// ended ends the run when a bus that is somebody else's does.
func (b *Bench) ended(url string, err error) {
	if !errors.Is(err, io.EOF) && !errors.Is(err, canbus.ErrClosed) {
		b.Log.Warn("bus lost", "bus", url, "error", err)
	}
	b.gone = append(b.gone, url)
	b.Loop.Stop()
}

// tapLines has everything that goes by on the buses watched.
func (b *Bench) tapLines() {
	b.Bus.Tap(b.watch.see)
	for i, l := range b.lines[1:] {
		l.altered.Tap(func(s canbus.Sighting) { b.watch.seeFar(uint8(i+1), s) })
	}
}

// Buses are those that the bench was asked to be on, as faults alter them.
func (b *Bench) Buses() []canbus.Bus {
	var list []canbus.Bus
	for _, l := range b.lines {
		list = append(list, l.altered)
	}
	return list
}

// Plugged tells of a node outside the bench, attached to Bus by whoever calls: it
// hangs on the tool's cable, which a fault can pull.
func (b *Bench) Plugged(node string) { b.cable.join(node) }

// Silent says for each bus on which nothing is sent why not.
func (b *Bench) Silent() []error {
	var list []error
	for _, l := range b.lines {
		if l.opened.Silent != nil {
			list = append(list, l.opened.Silent)
		}
	}
	return list
}

// Fared says in a line a bus how interfaces and their controllers have fared.
func (b *Bench) Fared() []string {
	var list []string
	for _, l := range b.lines {
		if l.opened.Report != nil {
			list = append(list, l.opened.Report())
		}
	}
	return list
}

// BusLoad is the share of the last window in which the first bus, if it is an embedded
// one, was occupied, 0 to 1; 0 on a real interface.
func (b *Bench) BusLoad() float64 {
	if b.lines[0].wire == nil {
		return 0
	}
	return b.lines[0].wire.Load()
}

// BusNames are those of a recording's interfaces, in the order of Frame.Bus.
func (b *Bench) BusNames() []string {
	var names []string
	for i := range len(b.lines) + len(b.far) {
		names = append(names, fmt.Sprintf("can%d", i))
	}
	return names
}

// port finds the connection of a node: a gateway's is that on the first bus.
func (b *Bench) port(name string) (*wire.Port, bool) {
	wires := []*wire.Bus{b.lines[0].wire}
	for _, l := range b.lines[1:] {
		wires = append(wires, l.wire)
	}
	for _, w := range append(wires, b.far...) {
		if w == nil {
			continue
		}
		if p, ok := w.Port(name); ok {
			return p, true
		}
	}
	return nil, false
}

// Crossed is what went over a bridge from the first bus to the second, and back.
func (b *Bench) Crossed() (there, back bridge.Stats) {
	if b.bridge == nil {
		return there, back
	}
	return b.bridge.Stats()
}

// Altered counts what faults did to frames, over all buses.
func (b *Bench) Altered() alter.Stats {
	var sum alter.Stats
	for _, l := range b.lines {
		s := l.altered.Stats()
		sum.Touched += s.Touched
		sum.Dropped += s.Dropped
		sum.Lost += s.Lost
		sum.Held += s.Held
	}
	return sum
}

// drainFor bounds how long frames that were held back may take to leave.
const drainFor = time.Second

// Drain ends all faults and calls done when the frames that they held back have
// left, or after a second at which a bus has not taken them.
func (b *Bench) Drain(done func()) {
	for _, h := range b.faults.handles {
		b.Fail(h.set(false))
	}
	until := b.Loop.Now() + drainFor
	var look *clock.Timer
	look = b.Loop.NewTimer(clock.PriorityJudge, func() {
		if b.Altered().Held == 0 || b.Loop.Now() >= until {
			done()
			return
		}
		look.Set(b.Loop.Now() + time.Millisecond)
	})
	look.Set(b.Loop.Now())
}
