package busurl_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus/busurl"
)

func TestParse(t *testing.T) {
	for url, want := range map[string]struct {
		scheme string
		target string
	}{
		"mem:":                      {"mem", ""},
		"unix:/run/bench.sock":      {"unix", "/run/bench.sock"},
		"unix:bench.sock":           {"unix", "bench.sock"},
		"unix:./@odd":               {"unix", "./@odd"},
		"unix:a:b c":                {"unix", "a:b c"},
		"can:vcan0":                 {"can", "vcan0"},
		"can:fifteen_letters":       {"can", "fifteen_letters"},
		"can:can0.1-a_b":            {"can", "can0.1-a_b"},
		"unix:" + long(107):         {"unix", long(107)},
		"unix:///tmp/three-slashes": {"unix", "///tmp/three-slashes"},
	} {
		u, err := busurl.Parse(url)
		require.NoError(t, err, url)
		assert.Equal(t, busurl.URL{Scheme: want.scheme, Target: want.target}, u, url)
		assert.Equal(t, url, u.String())
		assert.Equal(t, want.scheme != "mem", u.Shared(), url)
	}
}

func long(n int) string { return strings.Repeat("x", n) }

func TestParseSaysWhatIsWrong(t *testing.T) {
	for url, want := range map[string]string{
		"":                     `bus "": empty, want mem:, unix:PATH or can:IFACE`,
		"vcan0":                `bus "vcan0": no scheme, want mem:, unix:PATH or can:IFACE`,
		"tcp:localhost":        `bus "tcp:localhost": unknown scheme "tcp", want mem:, unix:PATH or can:IFACE`,
		"CAN:vcan0":            `bus "CAN:vcan0": unknown scheme "CAN", want mem:, unix:PATH or can:IFACE`,
		"mem:x":                `bus "mem:x": "x" behind mem:, want nothing`,
		"unix:":                `bus "unix:": empty path, want unix:PATH`,
		"unix:@x":              `bus "unix:@x": path begins with @, which would leave the file system; write ./@x`,
		"unix:a\x00b":          `bus "unix:a\x00b": zero byte at 1 of the path`,
		"unix:" + long(108):    `bus "unix:` + long(108) + `": path of 108 bytes, a socket's has at most 107`,
		"can:":                 `bus "can:": empty interface name, want can:IFACE`,
		"can:sixteen_letters_": `bus "can:sixteen_letters_": interface name of 16 bytes, at most 15`,
		"can:a/b":              `bus "can:a/b": byte '/' at 1 can't be in an interface name`,
		"can:a b":              `bus "can:a b": byte ' ' at 1 can't be in an interface name`,
		"can:..":               `bus "can:..": ".." is no interface name`,
		"can://vcan0":          `bus "can://vcan0": byte '/' at 0 can't be in an interface name`,
		"can:vcan0:1":          `bus "can:vcan0:1": byte ':' at 5 can't be in an interface name`,
	} {
		_, err := busurl.Parse(url)
		require.EqualError(t, err, want)
		_, err = busurl.Dial(url, nil)
		require.EqualError(t, err, want)
	}
}

func TestDialSaysWhichBus(t *testing.T) {
	_, err := busurl.Dial("mem:", nil)
	require.ErrorContains(t, err, `bus "mem:": such a bus lives inside one process`)
	c, err := busurl.Dial("unix:"+t.TempDir()+"/none", nil)
	require.ErrorContains(t, err, "no such socket")
	assert.Nil(t, c)
	c, err = busurl.Dial("can:nosuch0", nil)
	require.ErrorContains(t, err, "can:nosuch0: open: ")
	assert.Nil(t, c)
}

// FuzzParse: a URL that is taken is made of its parts again, and one that is
// not says so with the URL in it.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"mem:", "unix:/a", "can:vcan0", "x", ":", "can:\x7f"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, url string) {
		u, err := busurl.Parse(url)
		if err != nil {
			var e *busurl.Error
			require.ErrorAs(t, err, &e)
			require.Equal(t, url, e.URL)
			return
		}
		require.Equal(t, url, u.String())
	})
}
