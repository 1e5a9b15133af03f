package page_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
)

// browser looks at pages with a real browser, from a server that notes what is asked.
type browser struct {
	t      *testing.T
	path   string
	server *httptest.Server
	pages  map[string]string

	mu    sync.Mutex
	asked []string
}

func newBrowser(t *testing.T) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("chromium is not installed")
		}
		t.Skip("chromium is not installed")
	}
	b := &browser{t: t, path: path, pages: map[string]string{}}
	b.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.asked = append(b.asked, r.URL.Path)
		text, ok := b.pages[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write([]byte(text))
	}))
	t.Cleanup(b.server.Close)
	return b
}

// put has the server give a page.
func (b *browser) put(path, text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.pages[path] = text
}

// look loads a page and gives what it became, what it said on the console, and which
// paths it asked the server for.
func (b *browser) look(path string, more ...string) (dom, console string, asked []string) {
	b.t.Helper()
	b.mu.Lock()
	b.asked = nil
	b.mu.Unlock()
	args := append([]string{
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir=" + filepath.Join(b.t.TempDir(), "profile"),
		"--enable-logging=stderr", "--virtual-time-budget=3000", "--dump-dom",
	}, more...)
	cmd := exec.Command(b.path, append(args, b.server.URL+path)...)
	var out, errout strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errout
	require.NoError(b.t, cmd.Run(), "%s", &errout)
	for line := range strings.Lines(errout.String()) {
		if strings.Contains(line, "CONSOLE") {
			console += line
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return out.String(), console, b.asked
}

func TestTheBrowserIsContent(t *testing.T) {
	b := newBrowser(t)
	text := html(t, run(400, hostile))
	b.put("/run.html", text)
	dom, console, asked := b.look("/run.html")
	require.Empty(t, console)
	require.Equal(t, []string{"/run.html"}, asked, "nothing but the page itself")
	require.NotContains(t, dom, "<img")
	for _, part := range []string{`id="verdicts"`, `id="timeline"`, `id="signals"`, "ReadDataByIdentifier bootSoftwareIdentification (F180)", "page 1 of "} {
		require.Contains(t, dom, part)
	}
	// A link to a row turns to its page.
	dom, console, _ = b.look("/run.html#f401")
	require.Empty(t, console)
	require.NotContains(t, dom, "page 1 of ")

	// A canary: what the page's policy forbids is told, so silence means something.
	b.put("/bad.html", strings.Replace(text, "</body>", `<script>alert(1)</script><img src="/x.png"></body>`, 1))
	_, console, asked = b.look("/bad.html")
	require.Contains(t, console, "Content Security Policy")
	require.Equal(t, []string{"/bad.html"}, asked, "the policy keeps requests in")
}

// A page that measures another in a frame of a phone's and of a desk's width.
const measure = `<!DOCTYPE html><title>-</title>%s<script>onload = () => {
  document.title = 'sticking out ' + [...document.querySelectorAll('iframe')].map(f => {
    const page = f.contentDocument.documentElement
    return page.scrollWidth - page.clientWidth
  }).join(' ')
}</script>`

// A run with as many control units as have a lifeline, and words that are long.
func TestItFitsAPhone(t *testing.T) {
	b := newBrowser(t)
	r := run(50, "")
	for i := range 9 {
		o := judge.Message(judge.Response, time.Second, []byte{0x59, 0x02, 0xFF, 0x01, 0x00, 0x87, 0x40})
		o.First, o.Last, o.ECU, o.ID = 1000+i, 1000+i, fmt.Sprintf("gearbox-%d", i), 0x7E9+i
		r.Trace.Observe(&o)
	}
	b.put("/run.html", html(t, r))
	frames := ""
	for _, w := range []int{360, 390, 1280} {
		frames += fmt.Sprintf(`<iframe src="/run.html" style="width:%dpx;height:600px;border:0"></iframe>`, w)
	}
	b.put("/measure.html", fmt.Sprintf(measure, frames))
	dom, _, _ := b.look("/measure.html", "--window-size=1400,900")
	require.Contains(t, dom, "<title>sticking out 0 0 0</title>", "nothing sticks out sideways")
}

// The page of a hundred thousand messages is one that a browser takes.
func TestTheBrowserTakesALongRun(t *testing.T) {
	b := newBrowser(t)
	b.put("/long.html", html(t, run(50_000, "")))
	dom, console, asked := b.look("/long.html")
	require.Empty(t, console)
	require.Len(t, asked, 1)
	require.Contains(t, dom, `id="f50001"`)
}

// It prints: all pages of messages, to a PDF that says so.
func TestItPrints(t *testing.T) {
	b := newBrowser(t)
	b.put("/run.html", html(t, run(400, "")))
	pdf := filepath.Join(t.TempDir(), "run.pdf")
	_, console, _ := b.look("/run.html", "--print-to-pdf="+pdf)
	require.Empty(t, console)
	data, err := os.ReadFile(pdf)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(data), "%PDF-"))
	require.Greater(t, strings.Count(string(data), "/Type /Page\n"), 3, "more than what one screen shows")
}
