package isotp_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// Socket options of the kernel's ISO-TP, Linux UAPI can/isotp.h (SOL_CAN_BASE is
// 100, CAN_ISOTP is 6).
const (
	solISOTP       = 106
	isotpOptions   = 1
	isotpReceiveFC = 2
	isotpLink      = 5

	isotpExtended   = 0x002
	isotpTxPadding  = 0x004
	isotpRxExtended = 0x200
	isotpWaitDone   = 0x400
)

// kernelPeer is how the kernel's end is set up.
type kernelPeer struct {
	blockSize, stmin byte
	txDL             byte // 0: classical
	ext              bool
}

// raw drives an endpoint over a raw socket in wall time.
type raw struct {
	t     *testing.T
	fd    int
	e     *Endpoint
	start time.Time
	got   [][]byte
	ends  []Result
	gaps  []time.Duration // between own CFs: from confirmation to request
	last  time.Duration
}

func kernelInterface(t *testing.T) int {
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("the kernel's ISO-TP is tested in the kernel lane (SAWHORSE_KERNEL_LANE=1, vcan0 up with mtu 72)")
	}
	i, err := net.InterfaceByName("vcan0")
	require.NoError(t, err)
	return i.Index
}

func openKernel(t *testing.T, ifindex int, a Address, k kernelPeer) int {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, unix.CAN_ISOTP)
	require.NoError(t, err)
	t.Cleanup(func() { _ = unix.Close(fd) })
	opt := make([]byte, 12)
	flags := uint32(isotpTxPadding | isotpWaitDone)
	if k.ext {
		flags |= isotpExtended | isotpRxExtended
		opt[8], opt[11] = a.RxExt, a.TxExt
	}
	binary.NativeEndian.PutUint32(opt, flags)
	opt[9] = 0xCC
	require.NoError(t, unix.SetsockoptString(fd, solISOTP, isotpOptions, string(opt)))
	require.NoError(t, unix.SetsockoptString(fd, solISOTP, isotpReceiveFC, string([]byte{k.blockSize, k.stmin, 0})))
	if k.txDL > 0 {
		require.NoError(t, unix.SetsockoptString(fd, solISOTP, isotpLink, string([]byte{canbus.RecordSizeFD, k.txDL, 1})))
	}
	tv := unix.NsecToTimeval(int64(20 * time.Second))
	require.NoError(t, unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &tv))
	require.NoError(t, unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_SNDTIMEO, &tv))
	var f canbus.Frame
	wire := func(key canbus.Key) uint32 {
		f.ID, f.Flags = key.ID(), 0
		if key.Extended() {
			f.Flags = canbus.Extended
		}
		return f.WireID()
	}
	// The kernel sends what the endpoint receives.
	require.NoError(t, unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifindex, RxID: wire(a.Tx), TxID: wire(a.Rx)}))
	return fd
}

func openRaw(t *testing.T, ifindex int, cfg Config) *raw {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	require.NoError(t, err)
	t.Cleanup(func() { _ = unix.Close(fd) })
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, 1))
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_RECV_OWN_MSGS, 1))
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, 1<<20))
	require.NoError(t, unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifindex}))
	e, err := New(cfg)
	require.NoError(t, err)
	return &raw{t: t, fd: fd, e: e, start: time.Now()}
}

func (r *raw) now() time.Duration { return time.Since(r.start) }

// run drives the endpoint until done says so; it fails after 30 s.
func (r *raw) run(done func() bool) {
	buf := make([]byte, 128)
	for begin := r.now(); !done(); {
		r.speak()
		if r.now() > begin+30*time.Second {
			r.t.Fatal("no end after 30 s")
		}
		wait := 10 * time.Millisecond
		if at, ok := r.e.Deadline(); ok {
			wait = min(wait, max(0, at-r.now()))
		}
		ts := unix.NsecToTimespec(int64(wait))
		fds := []unix.PollFd{{Fd: int32(r.fd), Events: unix.POLLIN}}
		if _, err := unix.Ppoll(fds, &ts, nil); err != nil && !errors.Is(err, unix.EINTR) {
			r.t.Fatal(err)
		}
		r.hear(buf)
		r.e.Tick(r.now())
	}
}

// hear takes all frames that are there. The kernel marks own frames that have
// been sent with MSG_CONFIRM.
func (r *raw) hear(buf []byte) {
	for {
		n, _, flags, _, err := unix.Recvmsg(r.fd, buf, nil, 0)
		if errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.EINTR) {
			return
		}
		require.NoError(r.t, err)
		var f canbus.Frame
		require.NoError(r.t, f.ReadRecord(buf[:n]))
		now := r.now()
		if flags&unix.MSG_CONFIRM != 0 {
			r.e.Sent(now)
			r.last = now
		} else {
			r.e.Receive(now, &f)
		}
		r.speak()
	}
}

func (r *raw) speak() {
	var ev Event
	for r.e.NextEvent(&ev) {
		switch ev.Kind {
		case Received:
			r.got = append(r.got, bytes.Clone(ev.Payload))
		case Delivered:
			r.ends = append(r.ends, OK)
		case Failed:
			r.ends = append(r.ends, ev.Result)
		}
	}
	var f canbus.Frame
	var rec [canbus.RecordSizeFD]byte
	for r.e.NextFrame(&f) {
		off := 0
		if r.e.Config().HasExt {
			off = 1
		}
		if b := f.Data[off]; b>>4 == 2 && b != 0x21 {
			r.gaps = append(r.gaps, r.now()-r.last)
		}
		_, err := unix.Write(r.fd, f.AppendRecord(rec[:0]))
		require.NoError(r.t, err)
	}
}

// exchangeWithKernel moves one message each way.
func exchangeWithKernel(t *testing.T, r *raw, kernel int, n int) {
	msg := counting(n)
	back := make([]byte, n)
	for i := range back {
		back[i] = byte(0xFF - i*7)
	}
	type read struct {
		b   []byte
		err error
	}
	reads := make(chan read, 1)
	go func() {
		buf := make([]byte, 8192)
		n, err := unix.Read(kernel, buf)
		reads <- read{buf[:max(n, 0)], err}
	}()
	r.got, r.ends = nil, nil
	require.NoError(t, r.e.Send(r.now(), msg))
	r.run(func() bool { return len(r.ends) > 0 })
	require.Equal(t, []Result{OK}, r.ends, "%d bytes to the kernel", n)
	got := <-reads
	require.NoError(t, got.err)
	require.True(t, bytes.Equal(msg, got.b), "%d bytes to the kernel: it has %d", n, len(got.b))

	writes := make(chan error, 1)
	go func() { _, err := unix.Write(kernel, back); writes <- err }()
	r.run(func() bool { return len(r.got)+len(r.ends) > 1 })
	require.Equal(t, []Result{OK}, r.ends, "%d bytes from the kernel", n)
	require.True(t, bytes.Equal(back, r.got[0]), "%d bytes from the kernel: we have %d", n, len(r.got[0]))
	require.NoError(t, <-writes)
}

// Messages of 1 to 4095 bytes both ways with an ISO-TP that nobody here wrote.
func TestExchangesWithKernel(t *testing.T) {
	ifindex := kernelInterface(t)
	for _, c := range []struct {
		name   string
		ours   Config
		kernel kernelPeer
		sizes  []int
	}{
		{"no limits", Enhanced(Normal(0x7E0, 0x7E8)), kernelPeer{}, upTo(4095, 97)},
		{"blocks of 1 and 8", with(0x7E0, 0x7E8, 1, 0), kernelPeer{blockSize: 8}, upTo(300, 13)},
		{"blocks of 2, 500 us", with(0x7E0, 0x7E8, 2, 0xF5), kernelPeer{blockSize: 3, stmin: 0xF5}, []int{1, 7, 8, 34, 120, 1000}},
		{"blocks of 8, 5 ms", with(0x7E0, 0x7E8, 8, 5), kernelPeer{blockSize: 8, stmin: 5}, []int{8, 62, 120, 255}},
		{"reserved STmin", with(0x7E0, 0x7E8, 0, 0x80), kernelPeer{stmin: 0xFA}, []int{20, 30}},
		{"29 bits", Enhanced(NormalFixed(0xF1, 0x10)), kernelPeer{}, upTo(100, 7)},
		{"extended addressing", Enhanced(Extended(0x600, 0x601, 0xF1, 0x10)), kernelPeer{ext: true}, upTo(100, 5)},
		{"CAN FD 64", withFD(64), kernelPeer{txDL: 64}, append(upTo(200, 1), 4095)},
		{"CAN FD 24", withFD(24), kernelPeer{txDL: 24, blockSize: 4}, append(upTo(100, 1), 4095)},
	} {
		t.Run(c.name, func(t *testing.T) {
			kernel := openKernel(t, ifindex, c.ours.Address, c.kernel)
			r := openRaw(t, ifindex, c.ours)
			for _, n := range c.sizes {
				exchangeWithKernel(t, r, kernel, n)
			}
			if c.kernel.blockSize == 0 { // else a flow control lies in some of the gaps
				for _, gap := range r.gaps {
					require.GreaterOrEqual(t, gap, Gap(c.kernel.stmin))
				}
			}
		})
	}
}

// The kernel is told of our overflow, and waits when we say WAIT.
func TestKernelHeedsOverflowAndWait(t *testing.T) {
	ifindex := kernelInterface(t)
	cfg := Enhanced(Normal(0x7E0, 0x7E8))
	cfg.MaxLen, cfg.WaitMax = 100, 5
	kernel := openKernel(t, ifindex, cfg.Address, kernelPeer{})
	r := openRaw(t, ifindex, cfg)
	writes := make(chan error, 1)
	finished := false
	write := func(n int) { _, err := unix.Write(kernel, make([]byte, n)); writes <- err }
	written := func() bool {
		select {
		case err := <-writes:
			writes <- err
			finished = true
		default:
		}
		return finished
	}
	go write(101)
	r.run(written)
	require.ErrorIs(t, <-writes, unix.EMSGSIZE)
	require.Empty(t, r.got)
	require.EqualValues(t, 1, r.e.Ignored(FirstNoRoom))

	r.e.SetReady(r.now(), false)
	asked := r.now()
	finished = false
	go write(100)
	r.run(func() bool { return r.now() > asked+1200*time.Millisecond })
	require.Empty(t, r.got)
	r.e.SetReady(r.now(), true)
	r.run(func() bool { return written() && len(r.got) > 0 })
	require.NoError(t, <-writes)
	require.Len(t, r.got[0], 100)
}

func with(tx, rx canbus.Key, blockSize, stmin byte) Config {
	c := Enhanced(Normal(tx, rx))
	c.BlockSize, c.STmin = blockSize, stmin
	return c
}

func withFD(dl int) Config {
	c := with(0x7E0, 0x7E8, 0, 0)
	c.FD, c.BRS, c.TxDL = true, true, dl
	return c
}

// upTo is 1 to last in steps, the last included.
func upTo(last, step int) []int {
	var out []int
	for n := 1; n < last; n += step {
		out = append(out, n)
	}
	return append(out, last)
}
