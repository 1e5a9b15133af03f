package api

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"net/http"
)

// maxLogged is how much of a body stands in the log.
const maxLogged = 200

// logged writes a line for every action. What only asks is no action.
func logged(log *slog.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		// One byte too many stays one too many for whoever reads it next.
		body, err := io.ReadAll(io.LimitReader(r.Body, maxBody+1))
		r.Body = io.NopCloser(io.MultiReader(bytes.NewReader(body), failing{err}))
		a := &answer{ResponseWriter: w, status: http.StatusOK}
		next.ServeHTTP(a, r)
		log.Info("action", "method", r.Method, "path", r.URL.Path, "body", string(body[:min(len(body), maxLogged)]),
			"status", a.status, "answer", a.said(), "from", r.RemoteAddr)
	})
}

// failing gives the error that reading a body ended with.
type failing struct{ err error }

func (f failing) Read([]byte) (int, error) {
	if f.err == nil || errors.Is(f.err, io.EOF) {
		return 0, io.EOF
	}
	return 0, f.err
}

// answer remembers what was answered.
type answer struct {
	http.ResponseWriter
	status int
	text   []byte
}

// WriteHeader implements http.ResponseWriter.
func (a *answer) WriteHeader(status int) {
	a.status = status
	a.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter.
func (a *answer) Write(b []byte) (int, error) {
	if room := maxLogged - len(a.text); room > 0 {
		a.text = append(a.text, b[:min(room, len(b))]...)
	}
	return a.ResponseWriter.Write(b)
}

func (a *answer) said() string { return string(bytes.TrimSpace(a.text)) }
