package batch

import (
	"bytes"
	"os"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
)

// pair returns both ends of a socket of whole packets.
func pair(t testing.TB) (a, b *os.File) {
	t.Helper()
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	a, b = os.NewFile(uintptr(fds[0]), "a"), os.NewFile(uintptr(fds[1]), "b")
	t.Cleanup(func() { _, _ = a.Close(), b.Close() })
	return a, b
}

func ends(t testing.TB, count, size, control int) (w *Writer, r *Reader, a, b *os.File) {
	t.Helper()
	a, b = pair(t)
	ra, err := a.SyscallConn()
	require.NoError(t, err)
	rb, err := b.SyscallConn()
	require.NoError(t, err)
	return NewWriter(ra, count), NewReader(rb, count, size, control), a, b
}

func TestPacketsKeepTheirOrderAndSize(t *testing.T) {
	w, r, _, _ := ends(t, 8, canbus.RecordSizeFD, 0)
	sent := []canbus.Frame{canbus.New(1, 1), canbus.NewFD(2, 0, make([]byte, 64)...), canbus.NewExtended(3)}
	for i := range sent {
		require.True(t, w.Add(&sent[i]))
	}
	n, err := w.Write()
	require.NoError(t, err)
	require.Equal(t, 3, n)
	assert.Zero(t, w.Len())
	n, err = r.Read()
	require.NoError(t, err)
	require.Equal(t, 3, n)
	for i := range sent {
		assert.Equal(t, sent[i].AppendRecord(nil), r.Packet(i))
		assert.Nil(t, r.Control(i))
	}
}

func TestAWriterTakesAsManyAsItWasMadeFor(t *testing.T) {
	w, _, _, _ := ends(t, 2, canbus.RecordSizeFD, 0)
	f := canbus.New(1)
	assert.True(t, w.Add(&f))
	assert.True(t, w.Add(&f))
	assert.False(t, w.Add(&f))
	assert.Equal(t, 2, w.Len())
}

func TestTryWriteSaysHowManyWent(t *testing.T) {
	w, r, _, _ := ends(t, 32, canbus.RecordSizeFD, 0)
	f := canbus.New(1)
	sent := 0
	for {
		for w.Add(&f) {
			continue
		}
		n, err := w.TryWrite()
		sent += n
		if err != nil {
			require.True(t, Temporary(err), "%v", err)
			require.Less(t, n, 32)
			break
		}
		require.Equal(t, 32, n)
	}
	got := 0
	for got < sent {
		n, err := r.Read()
		require.NoError(t, err)
		got += n
	}
	assert.Equal(t, sent, got)
}

func TestWriteWaitsForRoom(t *testing.T) {
	w, r, _, _ := ends(t, 32, canbus.RecordSizeFD, 0)
	const calls = 100 // far more than the socket's buffer holds
	errs := make(chan error, 1)
	go func() {
		f := canbus.New(1)
		for range calls {
			for w.Add(&f) {
				continue
			}
			if _, err := w.Write(); err != nil {
				errs <- err
				return
			}
		}
		errs <- nil
	}()
	for got := 0; got < calls*32; {
		n, err := r.Read()
		require.NoError(t, err)
		got += n
	}
	require.NoError(t, <-errs)
}

func TestALongPacketIsCutAndItsLengthKnown(t *testing.T) {
	_, r, a, _ := ends(t, 4, 72, 0)
	_, err := a.Write(bytes.Repeat([]byte{7}, 100))
	require.NoError(t, err)
	n, err := r.Read()
	require.NoError(t, err)
	require.Equal(t, 1, n)
	assert.Equal(t, 100, r.Len(0))
	assert.Len(t, r.Packet(0), 72)
	assert.NotZero(t, r.Flags(0)&unix.MSG_TRUNC)
}

func TestStampsComeWithThePackets(t *testing.T) {
	w, r, _, b := ends(t, 4, 72, ControlSize)
	require.NoError(t, unix.SetsockoptInt(int(b.Fd()), unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1))
	require.NoError(t, unix.SetNonblock(int(b.Fd()), true)) // Fd made it blocking
	before := time.Duration(time.Now().UnixNano())
	f := canbus.New(1)
	w.Add(&f)
	_, err := w.Write()
	require.NoError(t, err)
	_, err = r.Read()
	require.NoError(t, err)
	at, ok := r.Stamp(0)
	require.True(t, ok)
	assert.GreaterOrEqual(t, at, before)
	assert.LessOrEqual(t, at, time.Duration(time.Now().UnixNano()))
}

func TestTheOtherEndGone(t *testing.T) {
	w, r, a, b := ends(t, 4, 72, 0)
	require.NoError(t, b.Close())
	f := canbus.New(1)
	w.Add(&f)
	_, err := w.Write()
	require.ErrorIs(t, err, unix.EPIPE)
	require.NoError(t, a.Close())
	w.Add(&f)
	_, err = w.TryWrite()
	require.ErrorIs(t, err, os.ErrClosed)
	_, err = r.Read()
	require.ErrorIs(t, err, os.ErrClosed)
}

// control builds one control message.
func control(level, typ int32, data []byte) []byte {
	b := make([]byte, unix.CmsgSpace(len(data)))
	h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
	h.Level, h.Type = level, typ
	h.SetLen(unix.CmsgLen(len(data)))
	copy(b[unix.CmsgLen(0):], data)
	return b
}

// FuzzControl compares with the parser of golang.org/x/sys/unix.
func FuzzControl(f *testing.F) {
	ts := make([]byte, 16)
	ts[0] = 3
	stamp := control(unix.SOL_SOCKET, unix.SCM_TIMESTAMPNS, ts)
	lost := control(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, []byte{9, 0, 0, 0})
	f.Add(append(bytes.Clone(lost), stamp...))
	f.Add(append(bytes.Clone(stamp), lost...))
	f.Add(stamp[:20])
	f.Add([]byte{})
	f.Add(append(make([]byte, 8), stamp...))
	f.Fuzz(func(t *testing.T, in []byte) {
		oob := append(make([]byte, 0, len(in)+8), in...)
		msgs, err := unix.ParseSocketControlMessage(oob)
		want, found := []byte(nil), false
		for _, m := range msgs {
			if m.Header.Level == unix.SOL_SOCKET && m.Header.Type == unix.SO_RXQ_OVFL {
				want, found = m.Data, true
				break
			}
		}
		got, ok := message(oob, unix.SOL_SOCKET, unix.SO_RXQ_OVFL)
		if err != nil {
			return // the library gives up as a whole, we take what came before
		}
		require.Equal(t, found, ok)
		require.True(t, bytes.Equal(want, got))
		_, _ = Stamp(oob)
	})
}

func TestControlMessagesAreFound(t *testing.T) {
	ts := unix.NsecToTimespec(1_497_283_796_807_994_001)
	stamp := control(unix.SOL_SOCKET, unix.SCM_TIMESTAMPNS, (*[unsafe.Sizeof(ts)]byte)(unsafe.Pointer(&ts))[:])
	lost := control(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, []byte{1, 0, 0, 0})
	other := control(unix.SOL_SOCKET, 77, []byte{1, 2, 3})
	oob := bytes.Join([][]byte{other, lost, stamp}, nil)
	at, ok := Stamp(oob)
	require.True(t, ok)
	assert.Equal(t, time.Duration(1_497_283_796_807_994_001), at)
	n, ok := Overflow(oob)
	require.True(t, ok)
	assert.Equal(t, uint32(1), n)
	_, ok = Stamp(lost)
	assert.False(t, ok)
	_, ok = Stamp(oob[:len(oob)-9])
	assert.False(t, ok)
	_, ok = Overflow(control(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, []byte{1}))
	assert.False(t, ok)
}

func BenchmarkBatch32(b *testing.B) {
	w, r, _, _ := ends(b, 32, canbus.RecordSizeFD, ControlSize)
	f := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	b.ReportAllocs()
	for b.Loop() {
		for w.Add(&f) {
			continue
		}
		if _, err := w.Write(); err != nil {
			b.Fatal(err)
		}
		for got := 0; got < 32; {
			n, err := r.Read()
			if err != nil {
				b.Fatal(err)
			}
			got += n
		}
	}
	b.ReportMetric(float64(b.N)*32/b.Elapsed().Seconds(), "frames/s")
}
