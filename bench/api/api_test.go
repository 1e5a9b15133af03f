package api_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/api"
)

// hand is a bench that remembers what was done to it.
type hand struct {
	log []string
	ill error
}

func (d *hand) Car() (time.Duration, map[string]any) {
	return 1500 * time.Millisecond, map[string]any{"engine_rpm": 604.0}
}

func (d *hand) Drive(c map[string]any) error {
	if _, ok := c["wings"]; ok {
		return errors.New("no control named wings")
	}
	d.log = append(d.log, fmt.Sprint("drive ", c))
	return nil
}

func (d *hand) Faults() []api.FaultState {
	return []api.FaultState{{ID: "air-mass-dead", Title: "Air-mass sensor dead", On: true}}
}

func (d *hand) SetFault(id string, on bool, params map[string]any) error {
	if id != "air-mass-dead" {
		return fmt.Errorf("fault %q: %w", id, api.ErrUnknown)
	}
	d.log = append(d.log, fmt.Sprint(id, " ", on, " ", params))
	return nil
}

func (d *hand) Health() error { return d.ill }

var quiet = slog.New(slog.DiscardHandler)

func direct(fn func()) error { fn(); return nil }

func ask(h http.Handler, method, path, body string, head ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://127.0.0.1:9464"+path, strings.NewReader(body))
	for i := 0; i+1 < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestTheAPIDoesWhatItSays(t *testing.T) {
	d := &hand{}
	h := api.New(direct, d, http.NotFoundHandler(), quiet)

	require.Equal(t, "ok\n", ask(h, "GET", "/healthz", "").Body.String())
	var car struct {
		Time    string
		Signals map[string]float64
	}
	require.NoError(t, json.Unmarshal(ask(h, "GET", "/v1/car", "").Body.Bytes(), &car))
	require.Equal(t, "1.5s", car.Time)
	require.Equal(t, 604.0, car.Signals["engine_rpm"])

	require.Equal(t, 204, ask(h, "PUT", "/v1/driver", `{"key":"on","clutch":100}`).Code)
	require.Equal(t, 204, ask(h, "PUT", "/v1/faults/air-mass-dead", `{"params":{"whole_plug":true}}`).Code)
	require.Equal(t, 204, ask(h, "PUT", "/v1/faults/air-mass-dead", ``).Code)
	require.Equal(t, 204, ask(h, "DELETE", "/v1/faults/air-mass-dead", ``).Code)
	require.Equal(t, []string{
		"drive map[clutch:100 key:on]",
		"air-mass-dead true map[whole_plug:true]", "air-mass-dead true map[]", "air-mass-dead false map[]",
	}, d.log)
}

func TestBadRequestsAreRefusedAndChangeNothing(t *testing.T) {
	d := &hand{}
	h := api.New(direct, d, http.NotFoundHandler(), quiet)
	for name, c := range map[string]struct {
		method, path, body string
		status             int
		want               string
	}{
		"half a body":   {"PUT", "/v1/driver", "{\n\"key\":", 400, "line 2"},
		"no control":    {"PUT", "/v1/driver", "{}", 400, "names no control"},
		"wrong control": {"PUT", "/v1/driver", `{"wings":1}`, 400, "no control named wings"},
		"unknown key":   {"PUT", "/v1/faults/air-mass-dead", `{"prams":{}}`, 400, `unknown field`},
		"two documents": {"PUT", "/v1/driver", `{"key":"on"}{}`, 400, "want its end"},
		"unknown fault": {"PUT", "/v1/faults/gremlins", `{}`, 404, "gremlins"},
		"too long":      {"PUT", "/v1/driver", strings.Repeat(" ", 65<<10), 400, "longer than"},
		"wrong method":  {"POST", "/v1/driver", `{}`, 405, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := ask(h, c.method, c.path, c.body)
			require.Equal(t, c.status, w.Code)
			require.Contains(t, w.Body.String(), c.want)
		})
	}
	require.Empty(t, d.log)
}

func TestOnlyThisMachinesProgramsAreServed(t *testing.T) {
	h := api.New(direct, &hand{}, http.NotFoundHandler(), quiet)
	r := httptest.NewRequest("GET", "http://garage.example/v1/car", nil)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	require.Equal(t, 403, w.Code, "a name that was pointed at loopback")
	require.Equal(t, 403, ask(h, "PUT", "/v1/driver", `{"key":"on"}`, "Origin", "http://garage.example").Code)
	for host, want := range map[string]bool{"localhost": true, "127.0.0.1": true, "[::1]": true, "::1": true, "0.0.0.0": false, "": false, "10.0.0.7": false} {
		require.Equal(t, want, api.IsLoopback(host), host)
	}
}

func TestALoopThatHasEndedIsUnhealthy(t *testing.T) {
	h := api.New(func(func()) error { return errors.New("the loop has ended") }, &hand{}, http.NotFoundHandler(), quiet)
	require.Equal(t, 503, ask(h, "GET", "/healthz", "").Code)
	require.Equal(t, 503, ask(h, "GET", "/v1/car", "").Code)
}

// A daemon whose loop answers, but which does not do what it was asked to, says so.
func TestWhatDoesNotWorkIsUnhealthy(t *testing.T) {
	h := api.New(direct, &hand{ill: errors.New("recording drive.pcapng: no space left on device")}, http.NotFoundHandler(), quiet)
	w := ask(h, "GET", "/healthz", "")
	require.Equal(t, 503, w.Code)
	require.Contains(t, w.Body.String(), "no space left")
}

// Every action is one line of the log with what came of it; what only asks is none.
func TestEveryActionIsLogged(t *testing.T) {
	var text strings.Builder
	h := api.New(direct, &hand{}, http.NotFoundHandler(), slog.New(slog.NewTextHandler(&text, nil)))
	ask(h, "GET", "/v1/car", "")
	ask(h, "PUT", "/v1/driver", `{"key":"on"}`)
	ask(h, "PUT", "/v1/driver", `{"wings":1}`)
	ask(h, "DELETE", "/v1/faults/gremlins", "")
	ask(h, "PUT", "/v1/driver", `{"key":"on"}`, "Origin", "http://garage.example")
	lines := strings.Split(strings.TrimSpace(text.String()), "\n")
	require.Len(t, lines, 4, text.String())
	for i, want := range []string{
		`method=PUT path=/v1/driver body="{\"key\":\"on\"}" status=204`,
		`status=400 answer="{\"error\":\"no control named wings\"}"`,
		`method=DELETE path=/v1/faults/gremlins body="" status=404`,
		`status=403`,
	} {
		require.Contains(t, lines[i], "level=INFO msg=action")
		require.Contains(t, lines[i], want)
	}
}
