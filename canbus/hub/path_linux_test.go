package hub_test

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"sawhorse/canbus/hub"
)

// listenAt tries to serve a path, and closes again if that works.
func listenAt(t *testing.T, path string) error {
	t.Helper()
	b := newBench(t, 0, 1)
	s, err := hub.Listen(path, b.loop, b.bus, hub.Options{})
	if err == nil {
		require.FileExists(t, path)
		require.NoError(t, s.Close())
		require.NoFileExists(t, path)
	}
	return err
}

func TestAStaleSocketIsReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bus")
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_SEQPACKET, 0)
	require.NoError(t, err)
	require.NoError(t, unix.Bind(fd, &unix.SockaddrUnix{Name: path}))
	require.NoError(t, unix.Listen(fd, 1))
	err = listenAt(t, path)
	require.ErrorContains(t, err, "another server listens there already")
	require.FileExists(t, path)
	require.NoError(t, unix.Close(fd)) // as when a process dies: the file stays
	require.NoError(t, listenAt(t, path))
}

func TestWhatIsNotOursStays(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("precious"), 0o600))
	assert.EqualError(t, listenAt(t, file),
		"unix:"+file+": listen: there is a file of another kind (----------), not a socket")
	kept, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "precious", string(kept))

	assert.ErrorContains(t, listenAt(t, dir), "there is a file of another kind (d---------), not a socket")

	stream := filepath.Join(dir, "stream")
	ln, err := net.Listen("unix", stream)
	require.NoError(t, err)
	defer ln.Close()
	assert.ErrorContains(t, listenAt(t, stream), "a socket in use by somebody else")
	assert.FileExists(t, stream)
}

func TestClosingLeavesAnothersSocketAlone(t *testing.T) {
	b := newBench(t, 0, 1)
	s, err := hub.Listen(b.path, b.loop, b.bus, hub.Options{})
	require.NoError(t, err)
	require.NoError(t, os.Remove(b.path))
	other := newBench(t, 0, 1)
	s2, err := hub.Listen(b.path, other.loop, other.bus, hub.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.FileExists(t, b.path)
	require.NoError(t, s2.Close())
	require.NoFileExists(t, b.path)
}

func TestPathsThatCanNotBe(t *testing.T) {
	dir := t.TempDir()
	long := filepath.Join(dir, strings.Repeat("x", 200))
	for path, want := range map[string]string{
		"":                                "empty path, want unix:PATH",
		long:                              "bytes, a socket's has at most 107",
		"@bus":                            "path begins with @, which would leave the file system; write ./@bus",
		"a\x00b":                          "zero byte at 1 of the path",
		filepath.Join(dir, "none", "bus"): "no such file or directory",
	} {
		err := listenAt(t, path)
		var e *hub.Error
		require.ErrorAs(t, err, &e, "%q", path)
		assert.Equal(t, "listen", e.Op)
		assert.Equal(t, path, e.Path)
		assert.ErrorContains(t, err, want)
	}
	// The longest path that fits, by unix(7), works.
	fits := filepath.Join(dir, strings.Repeat("x", hub.MaxPath-len(dir)-1))
	require.Len(t, fits, hub.MaxPath)
	require.NoError(t, listenAt(t, fits))
}

func TestDialingNobody(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bus")
	_, err := hub.Dial(path)
	assert.EqualError(t, err, "unix:"+path+": dial: no such socket; is the bench running? connect: no such file or directory")
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_SEQPACKET, 0)
	require.NoError(t, err)
	require.NoError(t, unix.Bind(fd, &unix.SockaddrUnix{Name: path}))
	require.NoError(t, unix.Close(fd))
	_, err = hub.Dial(path)
	assert.EqualError(t, err, "unix:"+path+": dial: nobody listens there: connect: connection refused")
	_, err = hub.Dial("")
	assert.ErrorContains(t, err, "empty path")
}

func TestANegativeQueueIsRefused(t *testing.T) {
	b := newBench(t, 0, 1)
	_, err := hub.Listen(b.path, b.loop, b.bus, hub.Options{Queue: -1})
	require.ErrorContains(t, err, "queue of -1 frames")
	require.NoFileExists(t, b.path)
}
