package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"sawhorse/canbus"
	"sawhorse/cmd/demotool/tester"
)

// machine is what the driver needs of the tester.
type machine interface {
	Receive(now time.Duration, f *canbus.Frame)
	Sent(now time.Duration, f *canbus.Frame)
	Tick(now time.Duration)
	Deadline() (time.Duration, bool)
	NextFrame(f *canbus.Frame) bool
	NextLine() (string, bool)
	Done() (int, bool)
	Output() []byte
	Interrupt(now time.Duration)
	Disconnect(now time.Duration, reason string)
}

// errBusGone says that the bus closed the connection.
var errBusGone = errors.New("the bus has closed the connection")

// writeQueue bounds the frames between the machine and the writer.
const writeQueue = 64

// driver runs a machine in wall time over a connection. The machine is touched
// by one goroutine only; one reads the bus and one writes to it, so that a bus
// that does not take frames cannot hold up the clock.
type driver struct {
	m      machine
	conn   canbus.Conn
	in     chan canbus.Frame
	out    chan canbus.Frame
	sent   chan canbus.Frame
	failed chan error
	quit   chan struct{}
	begin  time.Time
	stderr io.Writer
}

// drive runs the machine to its end and returns its exit status.
func drive(ctx context.Context, m machine, conn canbus.Conn, stdout, stderr io.Writer) (int, error) {
	d := &driver{
		m: m, conn: conn, stderr: stderr, begin: time.Now(),
		in: make(chan canbus.Frame, 1024), out: make(chan canbus.Frame, writeQueue), sent: make(chan canbus.Frame, writeQueue),
		failed: make(chan error, 2), quit: make(chan struct{}),
	}
	defer close(d.quit)
	go d.read()
	go d.write()
	d.loop(ctx)
	if _, err := stdout.Write(m.Output()); err != nil {
		return tester.StatusLost, fmt.Errorf("standard output: %w", err)
	}
	status, _ := m.Done()
	return status, nil
}

func (d *driver) now() time.Duration { return time.Since(d.begin) }

func (d *driver) loop(ctx context.Context) {
	interrupted := ctx.Done()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case f := <-d.in:
			d.m.Receive(d.now(), &f)
		case f := <-d.sent:
			d.m.Sent(d.now(), &f)
		case <-timer.C:
			d.m.Tick(d.now())
		case <-interrupted:
			interrupted = nil
			d.m.Interrupt(d.now())
		case err := <-d.failed:
			d.m.Disconnect(d.now(), err.Error())
		}
		// On a busy bus a frame comes before a timer does, each time anew: what
		// is due is due now.
		if at, ok := d.m.Deadline(); ok && at <= d.now() {
			d.m.Tick(d.now())
		}
		d.flush()
		if _, ok := d.m.Done(); ok {
			return
		}
		if at, ok := d.m.Deadline(); ok {
			timer.Reset(max(0, at-d.now()))
		}
	}
}

// flush takes what the machine has to say.
func (d *driver) flush() {
	var f canbus.Frame
	for d.m.NextFrame(&f) {
		select {
		case d.out <- f:
		default: // the bus takes nothing; the machine notices that nothing is confirmed
		}
	}
	for {
		line, ok := d.m.NextLine()
		if !ok {
			return
		}
		fmt.Fprintln(d.stderr, line)
	}
}

func (d *driver) read() {
	var f canbus.Frame
	for {
		if err := d.conn.Read(&f); err != nil {
			d.fail(err)
			return
		}
		select {
		case d.in <- f:
		case <-d.quit:
			return
		}
	}
}

func (d *driver) write() {
	for {
		select {
		case <-d.quit:
			return
		case f := <-d.out:
			if err := d.conn.Write(&f); err != nil {
				d.fail(err)
				return
			}
			select {
			case d.sent <- f:
			case <-d.quit:
				return
			}
		}
	}
}

// fail reports the end of the connection; only the first two can matter.
func (d *driver) fail(err error) {
	if errors.Is(err, io.EOF) {
		err = errBusGone
	}
	select {
	case d.failed <- err:
	default:
	}
}
