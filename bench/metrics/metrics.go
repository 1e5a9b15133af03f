// Package metrics exports what a run does as Prometheus metrics. Names follow
// Prometheus' conventions (base units, _total for counters); labels are few and
// bounded: services and response codes are bytes, outcomes an enum.
package metrics

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/common/expfmt"
)

// Set is the metrics of one bench. Its methods may be called from any
// goroutine and allocate nothing once a label value has been seen.
type Set struct {
	registry *prometheus.Registry

	framesIn, framesOut prometheus.Counter
	framesError         prometheus.Counter
	load                prometheus.Gauge
	lateness            prometheus.Histogram
	requests            *prometheus.CounterVec
	negatives           *prometheus.CounterVec
	reaction            prometheus.Histogram
	faults              prometheus.Gauge
	clients             prometheus.Gauge
	joined, dropped     prometheus.Counter
	recordings          prometheus.Gauge
	lost                prometheus.Counter
	silent              prometheus.Gauge
	verdicts            *prometheus.CounterVec
	said                *prometheus.CounterVec
}

// New returns a set with its own registry.
func New() *Set {
	s := &Set{registry: prometheus.NewRegistry()}
	frames := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "sawhorse_frames_total",
		Help: "CAN frames seen on the bus, by direction: in from outside the bench, out from its own nodes.",
	}, []string{"direction"})
	s.framesIn, s.framesOut = frames.WithLabelValues("in"), frames.WithLabelValues("out")
	s.framesError = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "sawhorse_bus_error_reports_total",
		Help: "Error reports of the CAN controller.",
	})
	s.load = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "sawhorse_bus_load_ratio",
		Help: "Share of the last second in which the bus was busy, 0 to 1.",
	})
	s.lateness = prometheus.NewHistogram(prometheus.HistogramOpts{
		Name:    "sawhorse_replay_lateness_seconds",
		Help:    "How long after its moment a replayed frame was handed to the bus.",
		Buckets: []float64{1e-6, 1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2, 3e-2, 0.1, 1},
	})
	s.requests = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "sawhorse_diagnostic_requests_total",
		Help: "Diagnostic requests of the tool, by service identifier.",
	}, []string{"service"})
	s.negatives = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "sawhorse_negative_responses_total",
		Help: "Negative responses of the car, by service identifier and response code (ISO 14229-1 annex A).",
	}, []string{"service", "code"})
	s.reaction = prometheus.NewHistogram(prometheus.HistogramOpts{
		Name:    "sawhorse_tool_reaction_seconds",
		Help:    "Time from the end of the car's last answer to the tool's next request.",
		Buckets: []float64{1e-4, 3e-4, 1e-3, 3e-3, 1e-2, 3e-2, 0.1, 0.3, 1, 3, 10},
	})
	s.faults = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "sawhorse_faults_active",
		Help: "Faults switched on now.",
	})
	s.verdicts = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "sawhorse_verdicts_total",
		Help: "Verdicts given, by outcome.",
	}, []string{"outcome"})
	s.said = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "sawhorse_reported_entries_total",
		Help: "Entries of the tool's reports, by task: true, said and not true (false_positive), true and not said (false_negative).",
	}, []string{"task", "verdict"})
	s.ofTheBus()
	s.registry.MustRegister(frames, s.framesError, s.load, s.lateness, s.requests, s.negatives,
		s.reaction, s.faults, s.clients, s.joined, s.dropped, s.recordings, s.lost, s.silent, s.verdicts, s.said,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return s
}

// ofTheBus makes the metrics of who is on the bus, and of what is recorded.
func (s *Set) ofTheBus() {
	s.clients = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "sawhorse_bus_clients",
		Help: "Clients on the bus now.",
	})
	s.joined = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "sawhorse_bus_clients_joined_total",
		Help: "Clients that have joined the bus.",
	})
	s.dropped = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "sawhorse_bus_clients_dropped_total",
		Help: "Clients that were put off the bus with a reason, which the log has.",
	})
	s.recordings = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "sawhorse_recordings_active",
		Help: "Recordings under way.",
	})
	s.lost = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "sawhorse_recordings_failed_total",
		Help: "Recordings that were broken off, by a full disk for example.",
	})
	s.silent = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "sawhorse_bus_listening_only",
		Help: "Buses on which nothing is sent because they are not armed.",
	})
}

// Handler serves the metrics in the exposition format.
func (s *Set) Handler() http.Handler {
	return promhttp.HandlerFor(s.registry, promhttp.HandlerOpts{Registry: s.registry})
}

// Write writes the bench's own metrics in the exposition format, for a collector of
// text files: those of the process are left out, which would be over by then.
func (s *Set) Write(w io.Writer) error {
	families, err := s.registry.Gather()
	if err != nil {
		return err
	}
	for _, f := range families {
		if !strings.HasPrefix(f.GetName(), "sawhorse_") {
			continue
		}
		if _, err := expfmt.MetricFamilyToText(w, f); err != nil {
			return err
		}
	}
	return nil
}

// Frame counts a data or remote frame; outside says that it came from a node
// outside the bench.
func (s *Set) Frame(outside bool) {
	if outside {
		s.framesIn.Inc()
		return
	}
	s.framesOut.Inc()
}

// ErrorReport counts a report of the controller.
func (s *Set) ErrorReport() { s.framesError.Inc() }

// Load sets the bus load, 0 to 1.
func (s *Set) Load(ratio float64) { s.load.Set(ratio) }

// Lateness records how late one replayed frame was.
func (s *Set) Lateness(d time.Duration) { s.lateness.Observe(d.Seconds()) }

// Request counts a request of the tool.
func (s *Set) Request(service uint8) { s.requests.WithLabelValues(hexByte[service]).Inc() }

// Negative counts a negative response.
func (s *Set) Negative(service, code uint8) {
	s.negatives.WithLabelValues(hexByte[service], hexByte[code]).Inc()
}

// Reaction records the tool's time from an answer to its next request.
func (s *Set) Reaction(d time.Duration) { s.reaction.Observe(d.Seconds()) }

// Faults sets the number of faults that are on.
func (s *Set) Faults(n int) { s.faults.Set(float64(n)) }

// Joined counts a client that has joined the bus, Left one that has gone, Dropped one
// that was put off it.
func (s *Set) Joined() { s.clients.Inc(); s.joined.Inc() }

// Left counts a client that has gone.
func (s *Set) Left() { s.clients.Dec() }

// Dropped counts a client that was put off the bus.
func (s *Set) Dropped() { s.clients.Dec(); s.dropped.Inc() }

// Recordings counts recordings that begin (1) or end (-1).
func (s *Set) Recordings(change int) { s.recordings.Add(float64(change)) }

// RecordingFailed counts a recording that was broken off.
func (s *Set) RecordingFailed() { s.lost.Inc() }

// ListeningOnly counts a bus on which nothing is sent.
func (s *Set) ListeningOnly() { s.silent.Inc() }

// Verdict counts a verdict.
func (s *Set) Verdict(outcome string) { s.verdicts.WithLabelValues(outcome).Inc() }

// Said counts the entries of a task's reports: those that were true, those that were
// said and not true, and those that were true and not said.
func (s *Set) Said(task string, right, falsePositives, falseNegatives int) {
	for _, x := range []struct {
		verdict string
		n       int
	}{{"true", right}, {"false_positive", falsePositives}, {"false_negative", falseNegatives}} {
		s.said.WithLabelValues(task, x.verdict).Add(float64(x.n))
	}
}

// hexByte holds the label of each byte, so that a busy bus makes no strings.
var hexByte = func() (t [256]string) {
	for i := range t {
		t[i] = fmt.Sprintf("%02X", i)
	}
	return t
}()
