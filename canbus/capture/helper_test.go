package capture_test

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// packetRecord lays a frame out as LINKTYPE_CAN_SOCKETCAN has it, a second time
// and on purpose without the code under test.
func packetRecord(f *canbus.Frame, trimmed bool) []byte {
	id := uint32(f.ID)
	if f.Has(canbus.Extended) {
		id |= 0x80000000
	}
	if f.Has(canbus.Remote) {
		id |= 0x40000000
	}
	if f.Has(canbus.Error) {
		id |= 0x20000000
	}
	b := make([]byte, 72)
	binary.BigEndian.PutUint32(b, id)
	b[4], b[7] = f.Len, f.RawDLC
	n := 16
	if f.Has(canbus.FD) {
		b[5] = 4
		n = 72
	}
	if f.Has(canbus.BitRateSwitch) {
		b[5] |= 1
	}
	if f.Has(canbus.ErrorPassive) {
		b[5] |= 2
	}
	copy(b[8:], f.Payload())
	if trimmed {
		n = 8 + len(f.Payload())
	}
	return b[:n]
}

// seen is one frame with its comment.
type seen struct {
	canbus.Frame
	Comment string
}

// readAll gives all frames and the error at the end, nil for io.EOF.
func readAll(t testing.TB, r *capture.Reader) (all []seen, err error) {
	for {
		var s seen
		err := r.Next(&s.Frame)
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			again := r.Next(&s.Frame)
			require.Equal(t, err, again, "the end stays the end")
			return all, err
		}
		require.NoError(t, s.Validate())
		s.Comment = r.Comment()
		all = append(all, s)
	}
}

func readBytes(t testing.TB, b []byte) ([]seen, error) {
	r, err := capture.NewReader(&plain{b}, "test")
	if err != nil {
		return nil, err
	}
	return readAll(t, r)
}

// plain is a reader that can nothing but read, in odd pieces.
type plain struct{ b []byte }

func (p *plain) Read(b []byte) (int, error) {
	if len(p.b) == 0 {
		return 0, io.EOF
	}
	n := copy(b[:min(len(b), 1021)], p.b)
	p.b = p.b[n:]
	return n, nil
}

func asError(t testing.TB, err error) *capture.Error {
	t.Helper()
	var e *capture.Error
	require.True(t, errors.As(err, &e), "want a *capture.Error, got %T: %v", err, err)
	return e
}

// peer gives the path of a program that checks us, or skips the test.
func peer(t testing.TB, name string) string {
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// drive gives the path of the recording of a real drive, or skips the test.
func drive(t testing.TB, name string) string {
	dir := os.Getenv("SAWHORSE_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	path := filepath.Join(dir, name)
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("the recorded drive is not there: %v", err)
		}
		t.Skipf("the recorded drive is not there (SAWHORSE_CAPTURES): %v", err)
	}
	return path
}

// kinds holds a frame of each kind that a bus can carry or a controller report.
func kinds() []canbus.Frame {
	remote := canbus.Frame{ID: 0x6F0, Flags: canbus.Remote, Len: 5}
	remoteExt := canbus.Frame{ID: 0x18DAF110, Flags: canbus.Remote | canbus.Extended, Len: 8}
	long := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	long.RawDLC = 13
	fd := make([]byte, 64)
	for i := range fd {
		fd[i] = byte(i*7 + 1)
	}
	plainFD := canbus.NewFD(0x7E0, 0, fd[:12]...)
	passive := canbus.NewFD(0x7E1, canbus.BitRateSwitch|canbus.ErrorPassive, fd[:20]...)
	fs := []canbus.Frame{
		canbus.New(0), canbus.New(0x7FF, 0xFF), long, canbus.New(0x100, 1, 2, 3),
		canbus.NewExtended(0x7FF, 9), canbus.NewExtended(0x1FFFFFFF, 1, 2, 3, 4, 5, 6, 7, 8),
		remote, remoteExt,
		plainFD, passive, canbus.NewFD(0x18DA10F1, canbus.Extended|canbus.BitRateSwitch, fd...),
		canbus.NewFD(0x7E2, canbus.ErrorPassive), canbus.NewFD(0x7E3, 0, fd[:8]...),
		// Bus-off, as Linux can/error.h has it.
		{ID: 0x40, Flags: canbus.Error, Len: 8, Data: [64]byte{6: 128, 7: 3}},
	}
	for i := range fs {
		fs[i].Time = 1497283796*time.Second + time.Duration(i)*1_000_001*time.Nanosecond + 7
		fs[i].Bus = uint8(i % 3)
	}
	return fs
}
