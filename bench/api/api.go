// Package api is the daemon's HTTP face: metrics, health, and a small JSON API
// by which faults are switched on and off and the driver's controls are moved.
//
//	GET    /healthz           200 "ok" while the loop answers and all works, else 503
//	GET    /metrics           Prometheus exposition
//	GET    /v1/car            the car's true signals
//	PUT    /v1/driver         {"key": "on", "clutch": 100}
//	GET    /v1/faults         the catalogue and what is on
//	PUT    /v1/faults/ID      {"params": {...}} switches a fault on
//	DELETE /v1/faults/ID      switches it off
//	PUT    /v1/recording      {"name": "morning"} begins a recording of the bus
//	DELETE /v1/recording      ends it
//
// It is for the machine it runs on: it listens on loopback addresses only, and
// refuses requests that a web page could make a browser send.
package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"
)

// maxBody bounds a request's body in bytes.
const maxBody = 64 << 10

// patience is how long the loop may take to answer before it counts as stuck.
const patience = 2 * time.Second

// Hand is what the API does to a bench. Its methods are called in the loop.
type Hand interface {
	// Car returns the true signals by name, and the time since the start.
	Car() (time.Duration, map[string]any)
	// Drive moves the driver's controls; nothing is moved if one is wrong.
	Drive(controls map[string]any) error
	// Faults lists the catalogue.
	Faults() []FaultState
	// SetFault switches a fault on with parameters, or off. It returns
	// ErrUnknown for a fault that is not in the catalogue.
	SetFault(id string, on bool, params map[string]any) error
	// Health says what does not work; nil if all does.
	Health() error
}

// Recorder is a hand that can record the bus as well. Its methods are called in the
// loop.
type Recorder interface {
	// StartRecording begins a recording of that name, a word without a path.
	StartRecording(name string) error
	// StopRecording ends it; file is where it lies.
	StopRecording() (file string, frames int64, err error)
}

// FaultState is one fault of the catalogue and whether it is on.
type FaultState struct {
	ID     string         `json:"id"`
	Title  string         `json:"title"`
	On     bool           `json:"on"`
	Params map[string]any `json:"params,omitempty"`
}

// ErrUnknown says that there is no such thing.
var ErrUnknown = errors.New("unknown")

// Poster hands work to the loop (clock.Loop.Post).
type Poster func(func()) error

// New returns the handler. metrics serves /metrics. Every action, which is what is no
// GET, is one line of the log, with what came of it.
func New(post Poster, hand Hand, metrics http.Handler, log *slog.Logger) http.Handler {
	s := &server{post: post, hand: hand}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics)
	mux.HandleFunc("GET /healthz", s.health)
	mux.HandleFunc("GET /v1/car", s.car)
	mux.HandleFunc("PUT /v1/driver", s.drive)
	mux.HandleFunc("GET /v1/faults", s.faults)
	mux.HandleFunc("PUT /v1/faults/{id}", s.faultOn)
	mux.HandleFunc("DELETE /v1/faults/{id}", s.faultOff)
	if rec, ok := hand.(Recorder); ok {
		s.recorder = rec
		mux.HandleFunc("PUT /v1/recording", s.record)
		mux.HandleFunc("DELETE /v1/recording", s.stopRecording)
	}
	return logged(log, local(mux))
}

type server struct {
	post     Poster
	hand     Hand
	recorder Recorder // nil where nothing can be recorded
}

// local refuses what is not from this machine's own programs: a Host that is no
// loopback name means a web page that had its name pointed here, an Origin means
// a web page at all.
func local(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		if !IsLoopback(host) {
			fail(w, http.StatusForbidden, fmt.Errorf("host %q: want localhost or a loopback address", r.Host))
			return
		}
		if r.Method != http.MethodGet && r.Header.Get("Origin") != "" {
			fail(w, http.StatusForbidden, errors.New("requests from web pages are not taken"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// IsLoopback reports whether a host is localhost or a loopback address.
func IsLoopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return ip != nil && ip.IsLoopback()
}

// do runs fn in the loop and waits for it.
func (s *server) do(ctx context.Context, fn func()) error {
	done := make(chan struct{})
	if err := s.post(func() { fn(); close(done) }); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the loop did not answer: %w", ctx.Err())
	}
}

func (s *server) health(w http.ResponseWriter, r *http.Request) {
	var ill error
	err := s.do(r.Context(), func() { ill = s.hand.Health() })
	if err == nil {
		err = ill
	}
	if err != nil {
		fail(w, http.StatusServiceUnavailable, err)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = io.WriteString(w, "ok\n")
}

func (s *server) car(w http.ResponseWriter, r *http.Request) {
	var answer struct {
		Time    string         `json:"time"`
		Signals map[string]any `json:"signals"`
	}
	err := s.do(r.Context(), func() {
		var t time.Duration
		t, answer.Signals = s.hand.Car()
		answer.Time = t.String()
	})
	reply(w, answer, err)
}

func (s *server) drive(w http.ResponseWriter, r *http.Request) {
	var controls map[string]any
	if err := body(r, &controls); err != nil {
		fail(w, http.StatusBadRequest, err)
		return
	}
	if len(controls) == 0 {
		fail(w, http.StatusBadRequest, errors.New(`the body names no control, want for example {"key": "on"}`))
		return
	}
	var failed error
	err := s.do(r.Context(), func() { failed = s.hand.Drive(controls) })
	outcome(w, err, failed)
}

func (s *server) faults(w http.ResponseWriter, r *http.Request) {
	var list []FaultState
	err := s.do(r.Context(), func() { list = s.hand.Faults() })
	reply(w, list, err)
}

func (s *server) faultOn(w http.ResponseWriter, r *http.Request) {
	var b struct {
		Params map[string]any `json:"params"`
	}
	if err := body(r, &b); err != nil {
		fail(w, http.StatusBadRequest, err)
		return
	}
	s.setFault(w, r, true, b.Params)
}

func (s *server) faultOff(w http.ResponseWriter, r *http.Request) { s.setFault(w, r, false, nil) }

func (s *server) setFault(w http.ResponseWriter, r *http.Request, on bool, params map[string]any) {
	var failed error
	err := s.do(r.Context(), func() { failed = s.hand.SetFault(r.PathValue("id"), on, params) })
	outcome(w, err, failed)
}

func (s *server) record(w http.ResponseWriter, r *http.Request) {
	var b struct {
		Name string `json:"name"`
	}
	if err := body(r, &b); err != nil {
		fail(w, http.StatusBadRequest, err)
		return
	}
	var failed error
	err := s.do(r.Context(), func() { failed = s.recorder.StartRecording(b.Name) })
	outcome(w, err, failed)
}

func (s *server) stopRecording(w http.ResponseWriter, r *http.Request) {
	var answer struct {
		File   string `json:"file"`
		Frames int64  `json:"frames"`
	}
	var failed error
	err := s.do(r.Context(), func() { answer.File, answer.Frames, failed = s.recorder.StopRecording() })
	if failed != nil {
		outcome(w, err, failed)
		return
	}
	reply(w, answer, err)
}

// body reads a JSON body strictly; an empty one leaves v alone.
func body(r *http.Request, v any) error {
	data, err := io.ReadAll(io.LimitReader(r.Body, maxBody+1))
	if err != nil {
		return err
	}
	if len(data) > maxBody {
		return fmt.Errorf("the body is longer than %d bytes", maxBody)
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("body%s: %w", place(data, dec.InputOffset(), err), err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return errors.New("body: more text after the document, want its end")
	}
	return nil
}

// place is " line L, column C" of a decoding error.
func place(data []byte, offset int64, err error) string {
	var (
		syntax *json.SyntaxError
		kind   *json.UnmarshalTypeError
	)
	switch {
	case errors.As(err, &syntax):
		offset = syntax.Offset
	case errors.As(err, &kind):
		offset = kind.Offset
	case errors.Is(err, io.ErrUnexpectedEOF):
		offset = int64(len(data))
	}
	before := data[:min(max(offset, 0), int64(len(data)))]
	return fmt.Sprintf(" line %d, column %d", bytes.Count(before, []byte("\n"))+1, len(before)-bytes.LastIndexByte(before, '\n'))
}

func outcome(w http.ResponseWriter, err, failed error) {
	switch {
	case err != nil:
		fail(w, http.StatusServiceUnavailable, err)
	case errors.Is(failed, ErrUnknown):
		fail(w, http.StatusNotFound, failed)
	case failed != nil:
		fail(w, http.StatusBadRequest, failed)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

func reply(w http.ResponseWriter, v any, err error) {
	if err != nil {
		fail(w, http.StatusServiceUnavailable, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	_ = enc.Encode(v) // the client has gone: nobody to tell
}

func fail(w http.ResponseWriter, status int, err error) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]string{"error": err.Error()})
}
