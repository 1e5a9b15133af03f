package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"sawhorse/bench"
	"sawhorse/bench/api"
)

// face is the HTTP face of a bench: its API, its metrics and its health.
type face struct {
	listen  string
	hand    *bench.Hand
	address net.Addr // where it listens, once it is open
}

// answerWithin is how long requests under way may take when the bench ends.
const answerWithin = 2 * time.Second

// checkListen reports why an address is none to listen on.
func checkListen(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil || !api.IsLoopback(host) {
		return fmt.Errorf("--listen %q: want a loopback address and a port, such as 127.0.0.1:9464", address)
	}
	return nil
}

// open begins to listen, until the bench is closed. When the face breaks down, the
// bench ends.
func (f *face) open(b *bench.Bench) error {
	if err := checkListen(f.listen); err != nil {
		return err
	}
	ln, err := net.Listen("tcp", f.listen)
	if err != nil {
		return fmt.Errorf("--listen %s: %w", f.listen, err)
	}
	f.address = ln.Addr()
	server := &http.Server{Handler: api.New(b.Loop.Post, f.hand, b.Metrics.Handler(), b.Log), ReadHeaderTimeout: 5 * time.Second}
	go func() {
		if err := server.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
			_ = b.Loop.PostWait(context.Background(), func() { b.Fail(fmt.Errorf("the API: %w", err)) }) // an ended loop needs no news
		}
	}()
	b.Log.Info("the API listens", "address", f.address)
	b.OnClose("the API", 2*answerWithin, func() error {
		ctx, done := context.WithTimeout(context.Background(), answerWithin)
		defer done()
		_ = server.Shutdown(ctx) // what still hangs is cut off
		return server.Close()
	})
	return nil
}
