package daemon

import (
	"fmt"
	"net/http"
	"regexp"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"fourwire/daemon/api"
)

// counts is what the daemon counts of itself since it began.
type counts struct {
	registry          *prometheus.Registry
	submitted, points prometheus.Counter
	ends              *prometheus.CounterVec
	runs              prometheus.Histogram
}

func newCounts() (*counts, error) {
	c := &counts{
		registry:  prometheus.NewRegistry(),
		submitted: prometheus.NewCounter(prometheus.CounterOpts{Name: "fourwire_jobs_submitted_total", Help: "Jobs taken in since the daemon began."}),
		points:    prometheus.NewCounter(prometheus.CounterOpts{Name: "fourwire_points_total", Help: "Points of runs since the daemon began."}),
		ends:      prometheus.NewCounterVec(prometheus.CounterOpts{Name: "fourwire_jobs_ended_total", Help: "Jobs that are over since the daemon began."}, []string{"state", "outcome"}),
		runs: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "fourwire_run_seconds", Help: "How long runs took, from the start of their process until everything was off.",
			Buckets: prometheus.ExponentialBuckets(0.1, 4, 10)}), // 0.1 s to 7 h
	}
	memory := collectors.NewGoCollector(collectors.WithGoCollectorRuntimeMetrics(collectors.GoRuntimeMetricsRule{Matcher: regexp.MustCompile(`^/gc/heap/live:bytes$`)}))
	for _, one := range []prometheus.Collector{c.submitted, c.points, c.ends, c.runs, memory, collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})} {
		if err := c.registry.Register(one); err != nil {
			return nil, fmt.Errorf("a counter of the daemon: %w", err)
		}
	}
	return c, nil
}

// Metrics answers with counters and gauges in a format of Prometheus.
func (d *Daemon) Metrics(door api.Counts) http.Handler {
	now := prometheus.NewRegistry()
	if err := now.Register(&glance{d.Bench(), d.clock.Since(d.began).Seconds(), door}); err != nil {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, err.Error(), http.StatusInternalServerError)
		})
	}
	return promhttp.HandlerFor(prometheus.Gatherers{d.counts.registry, now}, promhttp.HandlerOpts{DisableCompression: true})
}

// glance is what holds at one moment.
type glance struct {
	bench  api.Bench
	uptime float64
	door   api.Counts
}

// Describe is empty: which instruments there are is known when they are looked at.
func (g *glance) Describe(chan<- *prometheus.Desc) {}

// Collect gives the values.
func (g *glance) Collect(out chan<- prometheus.Metric) {
	one := func(kind prometheus.ValueType, name, help string, value float64) {
		out <- prometheus.MustNewConstMetric(prometheus.NewDesc(name, help, nil, nil), kind, value)
	}
	b := g.bench
	one(prometheus.GaugeValue, "fourwire_jobs_scheduled", "Jobs that wait for their time.", float64(b.Queue.Scheduled))
	one(prometheus.GaugeValue, "fourwire_jobs_queued", "Jobs that wait for the bench.", float64(b.Queue.Queued))
	one(prometheus.GaugeValue, "fourwire_jobs_running", "Jobs under way.", float64(b.Queue.Running))
	one(prometheus.GaugeValue, "fourwire_bench_armed", "1 where jobs may energise the bench.", number(b.Armed))
	one(prometheus.GaugeValue, "fourwire_outputs_on", "1 where a run has an output on.", number(b.Outputs == "on"))
	one(prometheus.GaugeValue, "fourwire_outputs_not_verified", "1 where it is not verified that the outputs are off.", number(b.Outputs == "not verified"))
	one(prometheus.GaugeValue, "fourwire_uptime_seconds", "Since the daemon began.", g.uptime)
	one(prometheus.CounterValue, "fourwire_http_requests_total", "Requests that came to the door.", float64(g.door.Requests))
	one(prometheus.CounterValue, "fourwire_http_refused_total", "Requests that were not carried out.", float64(g.door.Refused))
	one(prometheus.GaugeValue, "fourwire_event_streams", "Streams of events that are open.", float64(g.door.Streams))
	answered := prometheus.NewDesc("fourwire_instrument_ok", "1 where an instrument answered when it was asked last.", []string{"instrument"}, nil)
	overdue := prometheus.NewDesc("fourwire_instrument_calibration_overdue", "1 where the calibration of an instrument has run out.", []string{"instrument"}, nil)
	for _, in := range b.Instruments {
		out <- prometheus.MustNewConstMetric(answered, prometheus.GaugeValue, number(in.Health.State == "ok" || in.Health.State == "warning"), in.Name)
		out <- prometheus.MustNewConstMetric(overdue, prometheus.GaugeValue, number(in.Overdue), in.Name)
	}
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
