package socketcan

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/internal/batch"
)

// pairConn is a connection over a socket of whole packets, which carries the
// same records, where the kernel has no SocketCAN; and the other end.
func pairConn(t *testing.T, may error) (*Conn, *os.File) {
	t.Helper()
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	file, other := os.NewFile(uintptr(fds[0]), "near"), os.NewFile(uintptr(fds[1]), "far")
	t.Cleanup(func() { _, _ = file.Close(), other.Close() })
	raw, err := file.SyscallConn()
	require.NoError(t, err)
	s := &socket{
		iface: "pair0", fd: true, file: file, raw: raw,
		in:  batch.NewReader(raw, perCall, canbus.RecordSizeFD, batch.ControlSize),
		out: batch.NewWriter(raw, perCall),
	}
	return &Conn{s: s, may: may, out: batch.NewWriter(raw, 1), closed: make(chan struct{})}, other
}

func TestAConnectionReadsWhatComesInBatches(t *testing.T) {
	c, far := pairConn(t, nil)
	const count = 3 * perCall
	for i := range count {
		f := canbus.New(canbus.ID(i), byte(i))
		_, err := far.Write(f.AppendRecord(nil))
		require.NoError(t, err)
	}
	for i := range count {
		var f canbus.Frame
		require.NoError(t, c.Read(&f))
		assert.NotZero(t, f.Time)
		f.Time = 0
		require.Equal(t, canbus.New(canbus.ID(i), byte(i)), f)
	}
	_, err := far.Write([]byte{1, 2, 3})
	require.NoError(t, err)
	var f canbus.Frame
	require.EqualError(t, c.Read(&f), "can:pair0: read: not a CAN frame: record of 3 bytes, want 16 or 72")
}

func TestAConnectionWaitsForRoomToWrite(t *testing.T) {
	c, far := pairConn(t, nil)
	const count = 2000 // more than the socket holds
	done := make(chan error, 1)
	go func() {
		for i := range count {
			f := canbus.New(0x100, byte(i), byte(i>>8))
			if err := c.Write(&f); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	b := make([]byte, 100)
	for i := range count {
		n, err := far.Read(b)
		require.NoError(t, err)
		var f canbus.Frame
		require.NoError(t, f.ReadRecord(b[:n]))
		require.Equal(t, canbus.New(0x100, byte(i), byte(i>>8)), f)
	}
	require.NoError(t, <-done)
}

func TestAConnectionSendsNothingUnarmed(t *testing.T) {
	c, far := pairConn(t, ErrNotArmed)
	f := canbus.New(0x100)
	require.EqualError(t, c.Write(&f),
		"can:pair0: write: not a virtual interface, so it is only listened to; sending there must be armed by name")
	require.NoError(t, far.SetReadDeadline(time.Now()))
	_, err := far.Read(make([]byte, 100))
	require.ErrorIs(t, err, os.ErrDeadlineExceeded)
}

func TestAClosedConnectionEndsWhoeverWaits(t *testing.T) {
	c, _ := pairConn(t, nil)
	ends := make(chan error, 2)
	go func() {
		var f canbus.Frame
		ends <- c.Read(&f)
	}()
	go func() {
		f := canbus.New(1)
		for {
			if err := c.Write(&f); err != nil { // nobody reads: it waits for room
				ends <- err
				return
			}
		}
	}()
	time.Sleep(10 * time.Millisecond) // most often both wait by then
	require.NoError(t, c.Close())
	require.ErrorIs(t, <-ends, canbus.ErrClosed)
	require.ErrorIs(t, <-ends, canbus.ErrClosed)
	require.NoError(t, c.Close())
}

func TestASocketSendsWhatGoesWithoutWaiting(t *testing.T) {
	c, _ := pairConn(t, nil)
	out := make([]flight, perCall)
	for i := range out {
		out[i].frame = canbus.New(1)
	}
	for range 1000 {
		n, err := c.s.send(out)
		if err != nil {
			require.ErrorIs(t, err, canbus.ErrQueueFull)
			require.Less(t, n, len(out))
			return
		}
		require.Equal(t, len(out), n)
	}
	require.Fail(t, "never full")
}

func TestTheSystemsErrorsHaveNames(t *testing.T) {
	for in, want := range map[error]error{
		unix.ENETDOWN: ErrDown, unix.ENODEV: ErrGone, unix.ENXIO: ErrGone,
		unix.ENOBUFS: canbus.ErrQueueFull, unix.EAGAIN: canbus.ErrQueueFull,
		os.ErrClosed: canbus.ErrClosed, unix.EIO: unix.EIO,
	} {
		assert.Equal(t, want, translate(in))
	}
	assert.NoError(t, translate(nil))
}

func TestWhatIsNoInterfaceIsAnError(t *testing.T) {
	for name, want := range map[string]string{
		"":              "can:: open: empty interface name, want can:IFACE",
		"a/b":           "can:a/b: open: byte '/' at 1 can't be in an interface name",
		"no-such-iface": "can:no-such-iface: open: no such interface: no such network interface",
	} {
		_, err := Dial(name, Options{})
		require.EqualError(t, err, want)
		_, err = Open(name, nil, Options{})
		require.EqualError(t, err, want)
	}
	_, err := Dial("lo", Options{})
	var e *Error
	require.ErrorAs(t, err, &e) // no SocketCAN in this kernel, or not a CAN interface
	_, err = Virtual("no-such-iface")
	require.ErrorAs(t, err, &e)
	require.ErrorAs(t, SetUp("no-such-iface", 500_000), &e)
	require.ErrorAs(t, SetUp("a/b", 500_000), &e)
	assert.Equal(t, "set up", e.Op)
}
